"""The page of the studio's own tools: the check bar, calibrating from pictures, leaving out, forgetting."""

from __future__ import annotations

import io

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from fitwright.records.models import CameraProfile, HardwareItem, Medium, Work
from fitwright.studio import cameras
from rendered_sole import Camera, Scene, photograph

pytestmark = pytest.mark.django_db
PAGE = "/studio/cameras"


@pytest.fixture
def at_once(settings):
    """Tasks run where they are queued."""
    settings.TASKS = {"default": {"BACKEND": "django_tasks.backends.immediate.ImmediateBackend"}}


@pytest.fixture(scope="module")
def files():
    """Eight rendered pictures of the card by one invented camera, as JPEG with EXIF."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Invented", "Q1"
    exif.get_ifd(0x8769)[0xA405] = 26
    out = []
    tilts = ((0, 0), (28, 6), (-26, 12), (-7, -26), (10, 33), (35, -15), (-33, -12), (20, 24))
    for i, tilt in enumerate(tilts):
        shift = (4.0 - tilt[1], -7.0 + tilt[0])
        camera = Camera(
            k1=-0.05, tilt_deg=tilt, shift_mm=shift, distance_mm=440 + 12 * i, spin_deg=90 + 3 * i
        )
        data = io.BytesIO()
        grey = photograph(Scene(), camera, supersample=1, seed=i)
        Image.fromarray(grey).save(data, "JPEG", quality=92, exif=exif.tobytes())
        out.append((f"IMG_{i}.JPG", data.getvalue()))
    return out


def upload(client, files, **typed):
    pictures = [SimpleUploadedFile(name, data) for name, data in files]
    return client.post(PAGE, {"action": "calibrate", "board": "card", "pictures": pictures} | typed)


def test_empty_page_teaches(client, studio):
    words = client.get(PAGE).content.decode()
    assert "Nobody has measured the check bar" in words
    assert "30 to 45° from every side" in words
    assert PAGE in client.get("/").content.decode()  # reachable from every page


def test_check_bar_is_entered_as_people_write_it(client, studio):
    assert (
        client.post(PAGE, {"action": "bar", "check_bar_mm": "9,84 cm", "print_name": "office"}).status_code
        == 302
    )
    assert cameras.card_of_studio().print_scale.value == pytest.approx(0.984)
    words = client.get(PAGE).content.decode()
    assert "98.4 mm instead of 100" in words
    assert "office" in words


@pytest.mark.parametrize("typed", ["80", "112 mm", "ten", ""])
def test_wrong_bar_is_said_at_the_field_and_stays(client, studio, typed):
    answer = client.post(PAGE, {"action": "bar", "check_bar_mm": typed, "print_name": "office"})
    words = answer.content.decode()
    assert answer.status_code == 422
    assert 'role="alert"' in words
    assert f'value="{typed}"' in words
    assert 'value="office"' in words
    assert not HardwareItem.objects.exists()


def test_pictures_become_a_remembered_camera(client, studio, files, at_once):
    spoilt = [*files[:4], ("half.jpg", files[0][1][:2000])]
    assert upload(client, spoilt).status_code == 302
    assert Work.objects.get().state == "done"
    row = CameraProfile.objects.get()
    assert (row.name, row.size_px) == ("Invented Q1", [1600, 1200])
    words = client.get(PAGE).content.decode()
    assert "Invented Q1" in words
    assert "1600 × 1200 px, 26 mm" in words
    result = client.get(reverse("camera", args=[row.pk])).content.decode()
    assert "half.jpg</bdi> not used: the picture is damaged" in result
    assert "4 pictures are few" in result
    assert result.count("IMG_") >= 8
    assert "<svg" in result


def test_leaving_out_taking_in_again_and_forgetting(client, studio, files, at_once):
    upload(client, files[:4])
    first = CameraProfile.objects.get()
    answer = client.post(reverse("camera", args=[first.pk]), {"action": "leave_out", "out": "IMG_2.JPG"})
    second = CameraProfile.objects.latest("pk")
    assert answer["Location"] == reverse("camera", args=[second.pk])
    assert "IMG_2.JPG" not in cameras.known_camera(second.pk).calibration.by_picture
    assert 'value="IMG_2.JPG" checked' in client.get(answer["Location"]).content.decode()
    assert client.get(reverse("camera", args=[first.pk])).status_code == 404
    few = client.post(answer["Location"], {"action": "leave_out", "out": ["IMG_1.JPG", "IMG_2.JPG"]})
    assert few.status_code == 422
    assert "too few" in few.content.decode()
    again = client.post(answer["Location"], {"action": "leave_out"})
    assert "IMG_2.JPG" in cameras.known_cameras()[0].calibration.by_picture
    client.post(again["Location"], {"action": "forget"})
    assert cameras.known_cameras() == []
    assert CameraProfile.objects.count() == 4


def test_what_cannot_be_calibrated_is_said_and_nothing_lost(client, studio, files, at_once):
    upload(client, files[:2])
    assert Work.objects.get().state == "failed"
    words = client.get(PAGE).content.decode()
    assert "did not work" in words
    assert "at least 3" in words
    answer = upload(client, files, board="chessboard", squares="9by6", square_mm="25")
    assert answer.status_code == 422
    assert 'value="9by6"' in answer.content.decode()
    assert upload(client, [("film.mp4", b"x")]).status_code == 422
    assert client.post(PAGE, {"action": "calibrate", "board": "card"}).status_code == 422
    assert upload(client, files, board="plate").status_code == 422
    assert client.post(PAGE, {"action": "fly"}).status_code == 422
    assert Medium.objects.count() == 2


def test_a_sole_photograph_by_the_same_camera_is_recognised(client, studio, files, at_once):
    upload(client, files)
    from fitwright.vision.picture import decode_picture

    lens = cameras.lens_of(decode_picture(files[0][1], "sole.jpg"))
    assert lens is not None
    assert "calibrated from 8 pictures" in lens.source
    assert np.sqrt(lens.covariance[3, 3]) < 0.03


def test_waiting_work_is_shown_and_can_be_stopped(client, studio, files):
    upload(client, files[:4])
    work = Work.objects.get()
    words = client.get(PAGE).content.decode()
    assert "Calibrating a camera from 4 pictures" in words
    assert 'hx-trigger="every 1s"' in words
    client.post(PAGE, {"action": "stop", "work": str(work.pk)})
    work.refresh_from_db()
    assert work.state == "stopped"
    assert "stopped" in client.get(PAGE).content.decode()
