"""What nobody should type, in every form of every page: no failure of ours, a message that says what, nothing lost.

The forms are read from the pages that the list of addresses leads to, so that a new form is in the table by itself.
"""

from __future__ import annotations

import errno
import re
from html import unescape

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.utils.html import escape

from fitwright.records.models import Answer, Bike, Medium, Rider, Visit
from fitwright.studio.visits import new_rider, open_visit
from fitwright.web.urls import urlpatterns
from ridden_visit import at_flexion, ride_it, typed_visit
from web_forms import Form, addresses, forms_of

SCRIPT = "</textarea><script>alert(1)</script>\"'><img src=x onerror=y>"
RIGHT_TO_LEFT = "محمد بن عبد الله \u202e!"
NOTES = "längere Notiz über die Fahrt " * 345  # 10 005 letters
TYPED = {
    "empty": "", "absurd number": "99999999999999999999", "not finite": "NaN", "wrong unit": "70 kg",
    "minus": "-1e308", "script": SCRIPT, "right to left": RIGHT_TO_LEFT, "10 000 letters": NOTES,
    "nothing but signs": "%00\x01 ; DROP TABLE --", "a lone surrogate's place": "\ufffd\u0000",
}  # fmt: skip
SERVED = {n for p in urlpatterns if (n := p.name)}
KNOWN: dict[tuple[int, int], list[tuple[str, str, Form]]] = {}
FINE = {200, 204, 302, 400, 404, 409, 410, 413, 422}


@pytest.fixture
def ridden(studio) -> Visit:
    """A visit with a ride and with what the pages need to show all of their forms."""
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    return Visit.objects.get(pk=visit.pk)


def pages(visit: Visit) -> dict[str, str]:
    keys = {"visits pk": visit.pk, "riders pk": visit.rider_id, "station": "feet", "view": "side-right",
            "when": "before", "name": "position-sheet"}  # fmt: skip
    # A page whose form waits behind a link.
    return addresses(keys) | {"bands": "/studio/bands?band=knee_in_line"}


def forms(client, visit: Visit) -> list[tuple[str, str, Form]]:
    """(name of the page, where it is posted to, the form) of every page that shows one; each kind once."""
    if (visit.pk, visit.rider_id) not in KNOWN:  # a test that is rolled back leaves its keys to the next
        KNOWN[visit.pk, visit.rider_id] = _forms(client, visit)
    return KNOWN[visit.pk, visit.rider_id]


def _forms(client, visit: Visit) -> list[tuple[str, str, Form]]:
    found, seen = [], set()
    for name, address in pages(visit).items():
        shown = client.get(address)
        assert shown.status_code < 500, name
        if "text/html" not in shown.get("Content-Type", ""):
            continue
        for form in forms_of(shown.content.decode()):
            goes = form.action if form.action.startswith("/") else address + form.action
            key = (re.sub(r"\d+", "#", goes), form.name, tuple(sorted(form.typed)))
            if key not in seen:
                seen.add(key)
                found.append((name, goes, form))
    return found


def filled(form: Form, text: str) -> dict[str, str]:
    sent = form.sends | dict(form.buttons[:1])
    return sent | dict.fromkeys(form.typed, text)


def test_the_table_has_every_station_and_the_pages_of_the_studio(client, ridden):
    table = forms(client, ridden)
    assert {name for name, *_ in table} >= {
        "intake", "body", "bike", "feet", "ride", "plan", "handover", "rider_new", "rider", "house", "bands",
        "cameras", "people", "printers", "feet_hardware",
    } & SERVED  # fmt: skip
    assert sum(len(form.typed) for *_, form in table) > 100


@pytest.mark.parametrize("kind", TYPED)
def test_no_form_fails_or_runs_what_was_typed(client, ridden, kind):
    client.raise_request_exception = False
    for name, goes, form in forms(client, ridden):
        if not form.typed:
            continue
        answer = client.post(goes, filled(form, TYPED[kind]))
        where = f"{name} → {goes} ({form.name})"
        assert answer.status_code in FINE, where
        if "text/html" in answer.get("Content-Type", ""):
            text = answer.content.decode()
            assert "<script>alert" not in text, where
            assert "<img src=x" not in text, where
            if answer.status_code in (400, 422):
                assert re.search(r'role="alert"|aria-invalid|data-wrong|class="[^"]*(wrong|error)', text), (
                    where
                )
    assert client.get(f"/visits/{ridden.pk}/").status_code == 200


def test_each_number_of_the_typed_stations_names_itself_and_its_range(client, visit):
    """At the field: its label, what is allowed, and what was typed still stands in its box."""
    from fitwright.studio import bike, body

    counted = 0
    for station, page in (("body", body.page(visit)), ("bike", bike.page(visit))):
        fields = [e.field for g in page.groups for e in g.entries if e.field.allowed]
        answer = client.post(f"/visits/{visit.pk}/{station}", {f.name: "999999" for f in fields})
        assert answer.status_code == 422
        text = unescape(answer.content.decode())
        for f in fields:
            assert f.allowed in text, f.name
            box = re.search(rf'<input id="in-{re.escape(f.name)}"[^>]*>', text)
            assert box, f.name
            assert 'value="999999"' in box.group(), f.name
            assert 'aria-invalid="true"' in box.group(), f.name
            counted += 1
    assert counted > 25


def test_long_notes_are_refused_whole_and_stay_in_the_box(client, visit):
    answer = client.post(f"/visits/{visit.pk}/intake", {"history": NOTES})
    assert answer.status_code == 422
    assert escape(NOTES) in answer.content.decode() or NOTES in answer.content.decode()
    assert "4000" in answer.content.decode().replace(" ", "").replace(",", "")
    assert not Answer.objects.filter(key="history").exists()


def test_names_from_right_to_left_are_shown_in_their_own_direction(client, studio):
    rider = new_rider("محمد بن عبد الله")
    visit = open_visit(rider, bike=Bike.objects.create(rider=rider, name="דרך"))
    for name in ("front", "rider", "visit", "intake", "handover"):
        text = client.get(pages(visit)[name]).content.decode().split("<body")[1]
        assert rider.name in text
        at = text.index(rider.name)
        assert re.search(r'dir="auto"|<bdi', text[max(0, at - 200) : at + 60]) or name == "handover", name
    head = client.get(pages(visit)["intake"]).content.decode()
    # Where no element may stand, marks part the two directions.
    assert f", \u2068{rider.name}\u2069 · " in unescape(head[: head.index("</title>")])


def full_disk(*_: object, **__: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


def test_a_full_disk_is_said_and_what_was_kept_stays(client, filled, monkeypatch):
    """A photograph that finds no room: 507, with the reason, and neither record nor half a file."""
    client.raise_request_exception = False
    monkeypatch.setattr("fitwright.records.media.os.fsync", full_disk)
    photo = SimpleUploadedFile("sole.jpg", b"\xff\xd8\xff\xe0" + b"x" * 200_000, "image/jpeg")
    form = next(f for f in forms_of(client.get(f"/visits/{filled.pk}/feet").content.decode()) if f.files)
    answer = client.post(f"/visits/{filled.pk}/feet", form.sends | {form.files[0]: photo})
    assert answer.status_code == 507
    assert "disk" in answer.content.decode()
    assert not Medium.objects.exists()
    assert Rider.objects.get().name == "Ilse Varga"


def test_a_database_on_a_full_disk_is_said_too(client, filled, monkeypatch):
    from django.db import OperationalError

    client.raise_request_exception = False

    def no_room(*_: object, **__: object) -> None:
        raise OperationalError("database or disk is full")

    monkeypatch.setattr(Rider, "save", no_room)
    answer = client.post("/riders/new", {"name": "Ann", "use": "road"})
    assert answer.status_code == 507
    assert "disk" in answer.content.decode()


@pytest.mark.parametrize("token", ["x", "0" * 43, "../../etc/passwd", "%2e%2e", "ü" * 20])
def test_a_link_that_is_none_or_has_ended_says_so(client, studio, token):
    answer = client.get(f"/phone/{token}")
    assert answer.status_code in (403, 404, 410)
    assert "<h1" in answer.content.decode()
