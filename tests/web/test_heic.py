"""A HEIC photograph in the browser: kept as it came, shown as the JPEG that stands for it."""

from __future__ import annotations

import hashlib
import io

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from fitwright.records.media import path_of
from fitwright.records.models import Medium
from fitwright.vision.picture import decode_picture

pytestmark = pytest.mark.django_db


@pytest.fixture
def heic():
    """A photograph held sideways (orientation 6), made here: bright at what will be its upper left corner."""
    from fitwright.vision import picture  # noqa: F401 - registers HEIC with Pillow

    pixels = np.full((300, 400, 3), 60, np.uint8)
    pixels[200:, :100] = 230  # lower left on the sensor
    exif = Image.Exif()
    exif[0x0112] = 6
    data = io.BytesIO()
    Image.fromarray(pixels).save(data, "HEIF", exif=exif.tobytes(), quality=90)
    return data.getvalue()


def test_upload_keeps_the_original_and_shows_an_upright_jpeg(client, visit, heic):
    file = SimpleUploadedFile("IMG_1.HEIC", heic, "image/heic")
    page = reverse("feet", args=[visit.pk])
    client.post(page, {"action": "photo", "photo": file, "foot": "left", "when": "before"})
    medium = Medium.objects.get()
    assert hashlib.sha256(path_of(medium).read_bytes()).hexdigest() == hashlib.sha256(heic).hexdigest()
    answer = client.get(reverse("medium", args=[medium.sha256]))
    assert answer["Content-Type"] == "image/jpeg"
    shown = b"".join(answer.streaming_content)
    assert int(answer["Content-Length"]) == len(shown)
    upright = np.asarray(Image.open(io.BytesIO(shown)).convert("L"))
    assert upright.shape == (400, 300)  # the same pixels as picked and measured in
    measured = decode_picture(heic, "a.heic").grey
    assert np.abs(upright.astype(int) - measured.astype(int)).mean() < 2
    assert upright[:80, :80].mean() > 200 > 100 > upright[200:, 150:].mean()
    part = client.get(reverse("medium", args=[medium.sha256]), headers={"Range": "bytes=0-9"})
    assert (part.status_code, b"".join(part.streaming_content)) == (206, shown[:10])


def test_damaged_heic_is_told_in_words(client, visit, heic):
    file = SimpleUploadedFile("IMG_2.heic", heic[: len(heic) // 2], "image/heic")
    page = reverse("feet", args=[visit.pk])
    client.post(page, {"action": "photo", "photo": file, "foot": "left", "when": "before"})
    medium = Medium.objects.get()
    answer = client.get(reverse("medium", args=[medium.sha256]))
    assert answer.status_code in (400, 422)
    assert b"damaged or cut short" in answer.content
