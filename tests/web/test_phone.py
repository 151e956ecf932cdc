"""A phone sends to one place of one visit: tokens, pieces and where they go on, and everything that is refused."""

from __future__ import annotations

import hashlib
import json
import os
import re
import socket
import threading
import time
from datetime import timedelta
from pathlib import Path
from types import SimpleNamespace

import av
import numpy as np
import pytest
import waitress
from django.core.cache import cache
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from fitwright.errors import InputError
from fitwright.records.media import family_of, path_of
from fitwright.records.models import Answer, Medium, PhoneLink, Upload, Work
from fitwright.studio import incoming, phone, ride
from fitwright.studio.feet import soles
from fitwright.web.lan import ONLY_PHONES, lan_address, phones_only
from fitwright.web.views import phone_door

PLACE = "film side right before"
PIECE = 40_000


@pytest.fixture(scope="session")
def film_bytes(tmp_path_factory) -> bytes:
    """A simulated film of noise: 40 frames of 160 × 120, MPEG-4 in MP4, a few hundred kB."""
    path = tmp_path_factory.mktemp("film") / "noise.mp4"
    rng = np.random.default_rng(4)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=30)
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = 160, 120, "yuv420p", 4_000_000
        for _ in range(40):
            picture = av.VideoFrame.from_ndarray(rng.integers(0, 255, (120, 160, 3), np.uint8), "rgb24")
            container.mux(stream.encode(picture))
        container.mux(stream.encode())
    data = path.read_bytes()
    assert len(data) > 3 * PIECE
    return data


@pytest.fixture(autouse=True)
def no_wrong_guesses_yet():
    cache.clear()


@pytest.fixture
def opened(visit) -> SimpleNamespace:
    """A link for a film and a phone that knows its token and sends no cookies."""
    link = phone.open_link(visit, PLACE)
    return SimpleNamespace(link=link, token=phone.token_of(link), client=Client(enforce_csrf_checks=True))


def announce(at, name="clip.mp4", size=0, modified=1000, **more):
    said = {"name": name, "size": size, "modified": modified, **more}
    return at.client.post(
        reverse("phone_files", args=[at.token]), json.dumps(said), content_type="application/json"
    )


def put(at, pk: int, offset: object, data: bytes):
    address = f"{reverse('phone_file', args=[at.token, pk])}?offset={offset}"
    return at.client.put(address, data, content_type="application/octet-stream")


def send(at, data: bytes, pk: int, start: int = 0):
    for offset in range(start, len(data), PIECE):
        answer = put(at, pk, offset, data[offset : offset + PIECE])
    return answer


# what the phone sees


def test_the_page_says_what_to_film_and_nothing_of_the_rider(opened, visit):
    page = opened.client.get(reverse("phone", args=[opened.token]))
    text = page.content.decode()
    assert page.status_code == 200
    assert "Film from the right, as it came" in text
    assert "Werkstatt am Kanal" in text
    assert 'accept="video/*" capture="environment"' in text
    assert visit.rider.name not in text
    assert f"/visits/{visit.pk}" not in text
    assert page["Cache-Control"] == "no-store"
    assert page["Referrer-Policy"] == "no-referrer"
    (cookie,) = page.cookies  # the pairing alone
    assert cookie.startswith("phone-")


def test_the_token_is_not_in_the_database_and_cannot_be_told_from_it(opened):
    stored = [str(v) for v in PhoneLink.objects.values_list().get()]
    assert re.fullmatch("[a-z2-7]{26}", opened.token)
    assert not any(opened.token in v for v in stored)
    assert hashlib.sha256(opened.token.encode()).hexdigest() in stored
    assert phone.link_of(opened.token) == opened.link


def test_another_studio_has_other_tokens_for_the_same_salt(opened, settings):
    settings.SECRET_KEY = "another key of another studio, long enough to be one"
    assert phone.token_of(opened.link) != opened.token


@pytest.mark.parametrize("token", ["x", "a" * 26, "..", "%2e%2e", "a" * 3000, "ü", "visits"])
def test_a_wrong_token_opens_nothing(opened, token):
    page = opened.client.get(f"/phone/{token}")
    assert page.status_code == 404
    assert "Traceback" not in page.content.decode()


def test_wrong_tokens_are_counted_and_then_refused_even_if_right(opened):
    for i in range(phone_door.WRONG_MOST):
        assert opened.client.get(f"/phone/wrong{i}").status_code == 404
    assert opened.client.get(reverse("phone", args=[opened.token])).status_code == 429
    other = opened.client.get(reverse("phone", args=[opened.token]), REMOTE_ADDR="192.168.1.9")
    assert other.status_code == 200


def test_an_ended_code_opens_nothing(opened, film_bytes):
    PhoneLink.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    page = opened.client.get(reverse("phone", args=[opened.token]))
    assert (page.status_code, "Ask for a new one" in page.content.decode()) == (410, True)
    assert announce(opened, size=len(film_bytes)).status_code == 422
    assert not Upload.objects.exists()


def test_an_upload_that_was_begun_in_time_may_end_after_it(opened, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    put(opened, pk, 0, film_bytes[:PIECE])
    PhoneLink.objects.update(expires_at=timezone.now() - timedelta(seconds=1))
    assert send(opened, film_bytes, pk, PIECE).json()["state"] == "done"


def test_a_closed_code_takes_no_further_piece(client, opened, visit, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    put(opened, pk, 0, film_bytes[:PIECE])
    client.post(reverse("phone_bench", args=[visit.pk, "ride"]), {"action": "close", "pk": opened.link.pk})
    assert put(opened, pk, PIECE, film_bytes[PIECE : 2 * PIECE]).status_code == 410
    assert announce(opened, size=5).status_code == 410


def test_a_new_code_for_the_same_place_closes_the_old_one(opened, visit):
    again = phone.open_link(visit, PLACE)
    other = phone.open_link(visit, "film front before")
    assert opened.client.get(reverse("phone", args=[opened.token])).status_code == 410
    assert {link.pk for link in phone.open_links(visit, "ride")} == {again.pk, other.pk}


@pytest.mark.parametrize("text", ["", "[]", "{", "[" * 4096, '{"name": 3}'])
def test_an_announcement_that_is_none_is_refused_in_words(opened, text):
    where = reverse("phone_files", args=[opened.token])
    answer = opened.client.post(where, text, content_type="application/json")
    assert answer.status_code in (400, 422)
    assert "file" in answer.content.decode().lower()
    assert not Upload.objects.exists()


# pieces


def test_a_film_in_pieces_is_kept_whole_and_lies_at_its_place(opened, visit, film_bytes):
    said = announce(opened, size=len(film_bytes)).json()
    assert (said["received"], said["state"]) == (0, "receiving")
    assert Work.objects.get().state == "waiting"
    assert send(opened, film_bytes, said["id"]).json()["state"] == "done"
    medium = Medium.objects.get()
    assert medium.sha256 == hashlib.sha256(film_bytes).hexdigest()
    assert path_of(medium).read_bytes() == film_bytes
    assert (medium.name, medium.kind, medium.mime) == ("clip.mp4", "film", "video/mp4")
    assert [(c.view, c.when, c.medium) for c in ride.clips(visit)] == [("side right", "before", medium)]
    assert Work.objects.get().state == "done"
    assert not list(incoming.part_of(Upload.objects.get()).parent.iterdir())


def test_the_same_file_goes_on_where_it_stopped(opened, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    put(opened, pk, 0, film_bytes[:PIECE])
    again = announce(opened, size=len(film_bytes)).json()  # the page was reloaded
    assert (again["id"], again["received"]) == (pk, PIECE)
    other = announce(opened, size=len(film_bytes), modified=2000).json()
    assert (other["id"] != pk, other["received"]) == (True, 0)
    assert send(opened, film_bytes, pk, PIECE).json()["state"] == "done"


def test_it_goes_on_with_a_new_code_for_the_same_place(opened, visit, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    put(opened, pk, 0, film_bytes[:PIECE])
    opened.token = phone.token_of(phone.open_link(visit, PLACE))
    again = announce(opened, size=len(film_bytes)).json()
    assert (again["id"], again["received"]) == (pk, PIECE)
    assert send(opened, film_bytes, pk, PIECE).json()["state"] == "done"


@pytest.mark.parametrize("offset", [0, PIECE - 1, PIECE + 1, 10**12])
def test_a_piece_from_elsewhere_changes_nothing_and_learns_the_place(opened, film_bytes, offset):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    put(opened, pk, 0, film_bytes[:PIECE])
    answer = put(opened, pk, offset, b"x" * 100)
    assert (answer.status_code, answer.json()["received"]) == (409, PIECE)
    assert incoming.part_of(Upload.objects.get()).read_bytes() == film_bytes[:PIECE]


@pytest.mark.parametrize("offset", ["", "-1", "1e3", "٣", "9" * 30])
def test_an_offset_that_is_no_number(opened, film_bytes, offset):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    answer = put(opened, pk, offset, b"x")
    assert (answer.status_code, "whole number" in answer.json()["error"]) == (422, True)


def test_two_windows_send_the_same_file(opened, film_bytes):
    first = announce(opened, size=len(film_bytes)).json()["id"]
    second = announce(opened, size=len(film_bytes)).json()["id"]
    assert first == second
    assert put(opened, first, 0, film_bytes[:PIECE]).status_code == 200
    assert put(opened, second, 0, film_bytes[:PIECE]).status_code == 409
    send(opened, film_bytes, first, PIECE)
    late = put(opened, second, PIECE, film_bytes[PIECE : 2 * PIECE]).json()
    assert late["state"] == "done"
    assert announce(opened, size=len(film_bytes)).json()["state"] == "done"  # chosen once more
    assert Medium.objects.count() == Upload.objects.count() == 1


def test_what_the_disk_lost_is_sent_again(opened, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    put(opened, pk, 0, film_bytes[:PIECE])
    os.truncate(incoming.part_of(Upload.objects.get()), 1000)
    assert announce(opened, size=len(film_bytes)).json()["received"] == 1000
    incoming.part_of(Upload.objects.get()).unlink()
    answer = put(opened, pk, 1000, film_bytes[1000:PIECE])
    assert (answer.status_code, answer.json()["received"]) == (409, 0)
    assert send(opened, film_bytes, pk).json()["state"] == "done"


def test_a_check_that_a_crash_left_behind_is_taken_up(opened, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    send(opened, film_bytes[:-10], pk)
    with incoming.part_of(Upload.objects.get()).open("ab") as file:
        file.write(film_bytes[-10:])
    long_ago = timezone.now() - timedelta(minutes=5)
    Upload.objects.update(state="checking", received_bytes=len(film_bytes), updated_at=long_ago)
    assert announce(opened, size=len(film_bytes)).json()["state"] == "done"


def test_stopped_at_the_bench(client, opened, visit, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    put(opened, pk, 0, film_bytes[:PIECE])
    client.post(reverse("work_stop", args=[visit.pk, Work.objects.get().pk]))
    answer = put(opened, pk, PIECE, film_bytes[PIECE : 2 * PIECE])
    assert (answer.status_code, "stopped at the bench" in answer.json()["error"]) == (422, True)
    assert not incoming.part_of(Upload.objects.get()).exists()


def test_cancelled_at_the_phone_and_begun_anew(opened, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    put(opened, pk, 0, film_bytes[:PIECE])
    opened.client.post(reverse("phone_cancel", args=[opened.token, pk]))
    assert (Upload.objects.get().state, Work.objects.get().state) == ("cancelled", "stopped")
    again = announce(opened, size=len(film_bytes)).json()
    assert (again["id"] != pk, again["received"]) == (True, 0)


def test_a_file_of_another_code_is_out_of_reach(opened, visit, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    opened.token = phone.token_of(phone.open_link(visit, "film front before"))
    for answer in (
        put(opened, pk, 0, film_bytes[:PIECE]),
        opened.client.get(f"/phone/{opened.token}/files/{pk}"),
    ):
        assert (answer.status_code, "not known here" in answer.json()["error"]) == (422, True)


# what is refused


def test_too_large_empty_and_no_room(opened, settings, monkeypatch):
    settings.MAX_MEDIUM_BYTES = 5_000_000
    assert "up to 4 MB" in announce(opened, size=5_000_001).json()["error"]
    assert "empty" in announce(opened, size=0).json()["error"]
    monkeypatch.setattr(
        incoming.shutil, "disk_usage", lambda _: SimpleNamespace(free=incoming.RESERVE_BYTES + 10**6)
    )
    assert "has no room" in announce(opened, size=2 * 10**6).json()["error"]
    assert announce(opened, size=900_000).status_code == 200
    assert (
        "has no room" in announce(opened, size=900_000, modified=2).json()["error"]
    )  # the first is promised its room
    assert Upload.objects.count() == 1


def test_more_than_was_announced(opened, film_bytes):
    pk = announce(opened, size=PIECE).json()["id"]
    answer = put(opened, pk, 0, film_bytes[: PIECE + 1])
    assert (answer.status_code, "more than it said" in answer.json()["error"]) == (422, True)


def test_a_piece_that_is_too_long(opened, film_bytes, monkeypatch):
    monkeypatch.setattr(incoming, "PIECE_BYTES", 100)
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    assert put(opened, pk, 0, film_bytes[:201]).status_code == 413


@pytest.mark.parametrize(
    "data", [b"<script>alert(1)</script>" * 100, b"\xff\xd8\xff\xe0 a picture", b"#!/bin/sh\n", b"\0" * 500]
)
def test_what_is_no_film_is_refused_at_its_first_piece(opened, data):
    pk = announce(opened, "film.mp4", len(data) + PIECE).json()["id"]
    answer = put(opened, pk, 0, data)
    assert (answer.status_code, "is no film that is taken" in answer.json()["error"]) == (422, True)
    assert (Upload.objects.get().state, Work.objects.get().state) == ("failed", "failed")
    assert not Medium.objects.exists()


def test_what_only_begins_like_a_film_is_refused_at_its_end(opened):
    data = b"\0\0\0\x18ftypmp42" + bytes(5000)
    pk = announce(opened, size=len(data)).json()["id"]
    said = put(opened, pk, 0, data).json()
    assert (said["state"], "not a film that can be read" in said["error"]) == ("failed", True)
    assert not Medium.objects.exists()
    assert not Answer.objects.exists()


def test_a_digest_that_is_stated_is_held_against_what_came(opened, film_bytes):
    pk = announce(opened, size=len(film_bytes), sha256="0" * 64).json()["id"]
    said = send(opened, film_bytes, pk).json()
    assert (said["state"], "arrived changed" in said["error"]) == ("failed", True)
    right = hashlib.sha256(film_bytes).hexdigest().upper()
    pk = announce(opened, size=len(film_bytes), sha256=right).json()["id"]
    assert send(opened, film_bytes, pk).json()["state"] == "done"


@pytest.mark.parametrize(
    ("name", "kept"),
    [("../../secret.key", "secret.key.mp4"), ("..\\..\\evil.exe", "evil.exe.mp4"), ("/etc/passwd", "passwd.mp4"),
     ("..", "file.mp4"), ("", "file.mp4"), ("a\r\nb\0.mov", "ab.mov"), ("x" * 4000 + ".mp4", "x" * 180 + ".mp4")],
)  # fmt: skip
def test_a_name_is_only_shown(opened, film_bytes, settings, name, kept):
    if len(name) > 1000:
        assert incoming.plain_name(name) == kept
        return
    pk = announce(opened, name, len(film_bytes)).json()["id"]
    assert send(opened, film_bytes, pk).json()["state"] == "done"
    medium = Medium.objects.get()
    assert medium.name == kept
    root = Path(settings.MEDIA_ROOT)
    assert [p.relative_to(root) for p in root.rglob("*") if p.is_file()] == [
        Path(medium.sha256[:2]) / medium.sha256
    ]


@pytest.mark.parametrize(
    "said", ["", "[]", "{", '{"size": 5}', '{"name": 3, "size": 5}', '{"name": "a", "size": "x"}',
             '{"name": "a", "size": true}', '{"name": "a", "size": 5, "modified": -1}',
             '{"name": "a", "size": 5, "sha256": "zz"}', '{"name": "a", "size": 1e99}'],
)  # fmt: skip
def test_an_announcement_that_is_none(opened, said):
    answer = opened.client.post(f"/phone/{opened.token}/files", said, content_type="application/json")
    assert answer.status_code == 422
    assert answer.json()["error"]
    assert not Upload.objects.exists()


def test_what_nobody_went_on_with_is_gone_after_a_day(opened, film_bytes):
    pk = announce(opened, size=len(film_bytes)).json()["id"]
    put(opened, pk, 0, film_bytes[:PIECE])
    part = incoming.part_of(Upload.objects.get())
    assert incoming.clear_stale() == 0
    assert incoming.clear_stale(time.time() + 3600 * (incoming.KEPT_HOURS + 1)) == 1
    assert (Upload.objects.get().state, part.exists()) == ("cancelled", False)


# photographs, plain forms, the bench


def test_a_photograph_comes_by_a_plain_form(visit, tmp_path):
    link = phone.open_link(visit, "sole left before")
    Image.fromarray(np.random.default_rng(1).integers(0, 255, (300, 400), np.uint8)).save(tmp_path / "a.png")
    file = SimpleUploadedFile("sole", (tmp_path / "a.png").read_bytes())
    address = reverse("phone", args=[phone.token_of(link)])
    phone_client = Client(enforce_csrf_checks=True)
    page = phone_client.post(address, {"file": file}, follow=True)
    assert "is at the bench" in page.content.decode()
    assert soles.photos_of(visit, "left")["before"].name == "sole.png"
    page = phone_client.post(address, {"file": SimpleUploadedFile("b.jpg", b"none at all")})
    assert (page.status_code, "is no photo that is taken" in page.content.decode()) == (422, True)
    page = phone_client.post(address, {})
    assert (page.status_code, "none was chosen" in page.content.decode()) == (422, True)


def test_a_film_that_was_sent_for_a_foot_is_refused(visit, film_bytes):
    link = phone.open_link(visit, "sole left before")
    upload = incoming.begin(link, "a.jpg", len(film_bytes))
    with pytest.raises(InputError, match="is no photo"):
        incoming.receive(link, upload.pk, 0, film_bytes[:PIECE])


@pytest.mark.parametrize("key", sorted(k for k, p in phone.PURPOSES.items() if p.kind != "form"))
def test_every_purpose_lays_its_medium_and_has_its_page(visit, key):
    purpose = phone.PURPOSES[key]
    medium = Medium.objects.create(sha256="a" * 64, kind=purpose.kind, name="x", mime="x/y", size_bytes=1)
    purpose.lay(visit, medium, {"camera_mm": 3300.0})
    laid = Answer.objects.get()
    assert laid.station == purpose.station
    assert laid.value in ({"sha256": "a" * 64}, {"sha256": "a" * 64, "camera_mm": 3300.0}) or key.startswith(
        ("hang", "still")
    )
    page = Client().get(reverse("phone", args=[phone.token_of(phone.open_link(visit, key))]))
    assert purpose.words.encode()[1:] in page.content


def test_the_bench_makes_shows_and_closes_a_code(client, visit, settings):
    address = reverse("phone_bench", args=[visit.pk, "ride"])
    assert "serve --lan" in client.get(address).content.decode()
    settings.PHONE_ADDRESS = "http://192.168.1.20:8765"
    wrong = client.post(address, {"action": "open", "purpose": PLACE, "camera_mm": "3 apples"})
    assert wrong.status_code == 422
    assert 'value="3 apples"' in wrong.content.decode()
    made = client.post(address, {"action": "open", "purpose": PLACE, "camera_mm": "3,3 m"}, follow=True)
    link = PhoneLink.objects.get()
    assert link.about == {"camera_mm": 3300.0}
    for text in (made.content.decode(), client.get(address).content.decode()):  # again after a reload
        assert f"http://192.168.1.20:8765/phone/{phone.token_of(link)}" in text
        assert 'class="qr"' in text
    client.post(address, {"action": "close", "pk": link.pk})
    assert phone.token_of(link) not in client.get(address).content.decode()
    assert client.post(address, {"action": "close", "pk": "9" * 9}).status_code == 422
    assert client.post(address, {"action": "open", "purpose": "../x"}).status_code == 422
    assert client.get(reverse("phone_bench", args=[visit.pk, "plan"])).status_code == 404


def test_one_of_several_is_chosen(client, opened, visit, film_bytes):
    for modified, data in ((1, film_bytes), (2, film_bytes + b"\0\0\0\x08free")):
        pk = announce(opened, size=len(data), modified=modified).json()["id"]
        assert send(opened, data, pk).json()["state"] == "done"
    first, second = Medium.objects.order_by("pk")
    assert ride.clips(visit)[0].medium == second
    address = reverse("phone_bench", args=[visit.pk, "ride"])
    assert client.get(address).content.decode().count("in use") == 1
    client.post(address, {"action": "use", "pk": Upload.objects.first().pk})
    assert ride.clips(visit)[0].medium == first


# the local network


def answer_of(application, path: str, method: str = "GET") -> tuple[str, bytes]:
    status: list[str] = []
    body = application({"PATH_INFO": path, "REQUEST_METHOD": method}, lambda s, h: status.append(s))
    return status[0], b"".join(body)


@pytest.mark.parametrize(
    "path", ["/", "/visits/1/", "/media/" + "a" * 64, "/riders/1", "/phone", "/static/bench.js",
             "/phone/../visits/1/",
             "//phone/x", "/static/../secret.key", "/Phone/x", "/static/fitwright.css/x", ""],
)  # fmt: skip
def test_the_network_reaches_nothing_else(path):
    def never(environ, start_response):
        raise AssertionError(f"{path} went through")

    assert answer_of(phones_only(never), path) == ("403 Forbidden", ONLY_PHONES.encode())


def test_the_network_reaches_the_page_and_all_that_it_loads(client, opened):
    def through(environ, start_response):
        start_response("200 OK", [])
        return [b"through"]

    address = reverse("phone", args=[opened.token])
    text = opened.client.get(address).content.decode()
    loaded = re.findall(r'(?:href|src|action|data-files)="(/[^"]*)"', text)
    assert "/static/phone.js" in loaded
    for path in (*loaded, address):
        assert answer_of(phones_only(through), path)[1] == b"through"


@pytest.mark.parametrize(
    ("asked", "status"),
    [("/phone/abc", 200), ("/static/phone.js", 200), ("/visits/1/", 403), ("/phone/%2e%2e/visits/1/", 403),
     ("/%70hone/../media/x", 403), ("/phone%2f..%2fvisits/1/", 403), ("http://127.0.0.1/visits/1/", 403),
     ("//127.0.0.1/phone/x", 403), ("/static/fitwright.css?x=/phone/", 200), ("/visits/1/?/phone/", 403)],
)  # fmt: skip
def test_the_door_as_the_server_reads_addresses(asked, status):
    """Through the real server, with addresses that a browser would tidy up first."""

    def through(environ, start_response):
        start_response("200 OK", [("Content-Length", "0")])
        return []

    server = waitress.create_server(phones_only(through), host="127.0.0.1", port=0, threads=1)
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    try:
        with socket.create_connection(("127.0.0.1", server.effective_port), timeout=10) as line:
            line.sendall(f"GET {asked} HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n\r\n".encode())
            assert line.recv(100).split()[1] == str(status).encode()
    finally:
        server.trigger.pull_trigger(server.close)  # in the loop's own thread
        thread.join(timeout=10)
        server.task_dispatcher.shutdown()


@pytest.mark.parametrize("address", ["8.8.8.8", "127.0.0.1", "0.0.0.0", "224.0.0.1", "studio.local", "::1"])
def test_only_an_address_of_a_local_network_is_bound(address):
    with pytest.raises(InputError, match="lan address"):
        lan_address(address)


def test_an_address_of_a_local_network():
    assert lan_address("192.168.1.20") == "192.168.1.20"


@pytest.mark.parametrize(
    ("head", "name"),
    [(b"\0\0\0\x20ftypisom", "bmff"), (b"\0\0\0\x14ftypqt  ", "bmff"), (b"\0\0\0\x18ftypheic", "heif"),
     (b"\x1a\x45\xdf\xa3....", "matroska"), (b"\xff\xd8\xff\xe1", "jpeg"), (b"GIF89a", None), (b"", None)],
)  # fmt: skip
def test_families_by_their_first_bytes(head, name):
    family = family_of(head)
    assert (family.name if family else None) == name


def test_a_code_is_for_the_first_phone_that_opens_it(client, visit, settings):
    settings.PHONE_ADDRESS = "http://192.0.2.7:8765"
    link = phone.open_link(visit, "sole left before")
    address = reverse("phone", args=[phone.token_of(link)])
    first, second = Client(), Client()
    assert first.head(address).status_code == 200
    assert not phone.is_paired(PhoneLink.objects.get(pk=link.pk)), "a look at the head pairs nobody"
    opened = first.get(address)
    assert opened.status_code == 200
    (cookie,) = opened.cookies.values()
    assert cookie["httponly"]
    assert cookie["path"] == address
    assert cookie.value not in str(PhoneLink.objects.values_list("about", flat=True)), (
        "only its digest is kept"
    )
    answer = second.get(address)
    assert answer.status_code == 403
    assert "Another phone has this code" in answer.content.decode()
    announced = second.post(f"{address}/files", {"name": "a.jpg", "size": 9}, content_type="application/json")
    assert announced.status_code == 403
    assert first.get(address).status_code == 200, "the paired phone goes on"
    bench = reverse("phone_bench", args=[visit.pk, "feet"])
    assert "A phone has opened this code" in client.get(bench).content.decode()
    client.post(bench, {"action": "release", "pk": link.pk})
    assert second.get(address).status_code == 200
    assert first.get(address).status_code == 403


def test_an_ended_code_says_so_and_pairs_nobody(visit):
    link = phone.open_link(visit, "sole left before")
    PhoneLink.objects.filter(pk=link.pk).update(expires_at=timezone.now() - timedelta(minutes=1))
    address = reverse("phone", args=[phone.token_of(link)])
    answer = Client().get(address)
    assert answer.status_code == 410
    assert "This code has ended. Ask for a new one at the bench." in answer.content.decode()
    assert visit.rider.name not in answer.content.decode()
    assert not phone.is_paired(PhoneLink.objects.get(pk=link.pk))
