"""Stored media: the recorded type only, byte ranges for film, nothing that a browser could run."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from fitwright.records.media import keep_stream
from fitwright.records.models import Medium

BYTES = bytes(range(256)) * 4


@pytest.fixture
def film(db) -> Medium:
    return keep_stream(BytesIO(BYTES), "ride.mp4", "film")


def body(response) -> bytes:
    return b"".join(response.streaming_content) if response.streaming else response.content


def test_the_whole_file_with_its_recorded_type(client, film):
    response = client.get(reverse("medium", args=[film.sha256]))
    assert response.status_code == 200
    assert body(response) == BYTES
    assert response["Content-Type"] == "video/mp4"
    assert response["X-Content-Type-Options"] == "nosniff"
    assert response["Accept-Ranges"] == "bytes"
    assert "sandbox" in response["Content-Security-Policy"]


@pytest.mark.parametrize(
    ("asked", "status", "start", "end"),
    [("bytes=0-", 206, 0, 1024), ("bytes=100-199", 206, 100, 200), ("bytes=-24", 206, 1000, 1024),
     ("bytes=1000-9999", 206, 1000, 1024), ("bytes=x-y", 200, 0, 1024)],
)  # fmt: skip
def test_byte_ranges(client, film, asked, status, start, end):
    response = client.get(reverse("medium", args=[film.sha256]), HTTP_RANGE=asked)
    assert response.status_code == status
    assert body(response) == BYTES[start:end]
    assert response["Content-Length"] == str(end - start)
    if status == 206:
        assert response["Content-Range"] == f"bytes {start}-{end - 1}/1024"


@pytest.mark.parametrize("asked", ["bytes=1024-", "bytes=5-2", "bytes=-0"])
def test_a_range_that_is_not_there(client, film, asked):
    response = client.get(reverse("medium", args=[film.sha256]), HTTP_RANGE=asked)
    assert response.status_code == 416
    assert response["Content-Range"] == "bytes */1024"


@pytest.mark.parametrize("name", ["x.svg", "x.html", "x.json", "x"])
def test_what_a_browser_could_run_is_a_download(client, db, name):
    medium = keep_stream(BytesIO(b"<svg onload='alert(1)'/><script>alert(1)</script>"), name, "photo")
    response = client.get(reverse("medium", args=[medium.sha256]))
    assert response["Content-Type"] == "application/octet-stream"
    assert response["Content-Disposition"].startswith("attachment")
    assert response["X-Content-Type-Options"] == "nosniff"


def test_only_a_digest_is_an_address(client, film):
    assert client.get("/media/../secret.key").status_code == 404
    assert client.get(f"/media/{film.sha256[:-1]}g").status_code == 404
    assert client.get(f"/media/{'0' * 64}").status_code == 404


@pytest.mark.parametrize(
    ("station", "field", "name", "extra"),
    [("feet", "photo", "page.html", {"action": "photo", "foot": "left", "when": "before"}),
     ("feet", "photo", "drawing.svg", {"action": "photo", "foot": "left", "when": "before"}),
     ("ride", "film", "film.txt", {"action": "film", "view": "front", "when": "before"})],
)  # fmt: skip
def test_other_kinds_of_file_are_refused_with_what_is_taken(client, visit, station, field, name, extra):
    file = SimpleUploadedFile(name, b"<script>alert(1)</script>")
    page = client.post(reverse(station, args=[visit.pk]), {**extra, field: file})
    assert page.status_code == 422
    assert "this kind of file is not taken. Allowed: ." in page.content.decode()
    assert not Medium.objects.exists()


def test_no_file_and_an_empty_file(client, visit):
    place = {"action": "photo", "foot": "left", "when": "before"}
    page = client.post(reverse("feet", args=[visit.pk]), place)
    assert "no file was chosen" in page.content.decode()
    page = client.post(reverse("feet", args=[visit.pk]), {**place, "photo": SimpleUploadedFile("a.jpg", b"")})
    assert page.status_code == 422
    assert "empty" in page.content.decode()


def test_a_film_that_is_none_is_said_in_plain_words(client, visit):
    fake = SimpleUploadedFile("ride.mp4", b"this is not a film" * 100)
    place = {"action": "film", "view": "side right", "when": "before", "camera_mm": "3,3 m"}
    response = client.post(reverse("ride", args=[visit.pk]), {**place, "film": fake})
    assert response.status_code == 422
    assert "film: ride.mp4 is not a film that can be read" in response.content.decode()
    assert 'value="3,3 m"' in response.content.decode()
    still = client.get(reverse("still", args=[Medium.objects.get().sha256]))
    assert still.status_code == 400
    assert "Traceback" not in still.content.decode()


def test_a_small_copy_is_upright_and_the_original_stays_whole(client, visit):
    pixels = np.full((600, 900, 3), 60, np.uint8)
    pixels[400:, :300] = 230  # lower left on the sensor: upper left when turned upright
    exif, data = Image.Exif(), BytesIO()
    exif[0x0112] = 6
    Image.fromarray(pixels).save(data, "JPEG", exif=exif.tobytes())
    photo = SimpleUploadedFile("sole.jpg", data.getvalue(), "image/jpeg")
    place = {"action": "photo", "photo": photo, "foot": "left", "when": "before"}
    client.post(reverse("feet", args=[visit.pk]), place)
    address = reverse("medium", args=[Medium.objects.get().sha256])
    for _ in range(2):  # made, then kept
        small = Image.open(BytesIO(b"".join(client.get(address, {"small": ""}).streaming_content)))
        assert small.size == (427, 640)
        grey = np.asarray(small.convert("L")).astype(float)
        assert grey[:100, :100].mean() > 200 > 100 > grey[400:, 250:].mean()
    assert b"".join(client.get(address).streaming_content) == data.getvalue()
