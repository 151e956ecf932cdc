"""Photographs that can and cannot be read, and why."""

from __future__ import annotations

import io

import cv2
import numpy as np
import pytest
from PIL import Image

from fitwright.errors import InputError
from fitwright.vision.picture import Picture, decode_picture, read_picture, why_nothing_is_found


def jpeg(array, **save):
    return saved(array, "JPEG", **save)


def saved(array, form, **save):
    buffer = io.BytesIO()
    Image.fromarray(array).save(buffer, form, quality=92, **save)
    return buffer.getvalue()


def tags(orientation=1, make="", model="", focal_35mm=0):
    exif = Image.Exif()
    exif[0x0112], exif[0x010F], exif[0x0110] = orientation, make, model
    exif.get_ifd(0x8769)[0xA405] = focal_35mm
    return exif.tobytes()


@pytest.fixture
def scene():
    rng = np.random.default_rng(0)
    small = rng.integers(0, 255, (12, 16), dtype=np.uint8)
    return cv2.resize(small, (640, 480), interpolation=cv2.INTER_NEAREST)


def test_orientation_tag_turns_the_picture_upright(scene):
    exif = Image.Exif()
    exif[0x0112] = 6  # to be shown turned by 90° clockwise
    picture = decode_picture(jpeg(scene, exif=exif), "a.jpg")
    assert picture.size_px == (480, 640)
    assert np.abs(picture.grey.astype(int) - np.rot90(scene, -1).astype(int)).mean() < 3


def test_focal_length_comes_from_the_files_35_mm_equivalent(scene):
    exif = Image.Exif()
    exif.get_ifd(0x8769)[0xA405] = 26
    picture = decode_picture(jpeg(scene, exif=exif), "a.jpg")
    assert picture.focal_px == pytest.approx(26 * 800 / 43.267, rel=1e-3)
    assert decode_picture(jpeg(scene), "a.jpg").focal_px is None


@pytest.mark.parametrize("form", ["JPEG", "HEIF"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_every_orientation_is_turned_upright_and_told(scene, form, orientation):
    """The pixel where `turn` says a sensor's pixel went is that pixel: for JPEG, and for HEIC made by libheif."""
    picture = decode_picture(saved(scene, form, exif=tags(orientation)), "a")
    v, u = np.mgrid[10:480:40, 10:640:40].reshape(2, -1)
    middle = [(np.array(size) - 1) / 2 for size in ((640, 480), picture.size_px)]
    at = (np.column_stack([u, v]) - middle[0]) @ np.array(picture.turn).T + middle[1]
    upright = picture.grey[at[:, 1].round().astype(int), at[:, 0].round().astype(int)]
    assert np.abs(upright.astype(int) - scene[v, u]).mean() < 3
    assert picture.size_px == ((640, 480) if orientation < 5 else (480, 640))


@pytest.mark.parametrize("form", ["JPEG", "HEIF"])
@pytest.mark.parametrize(
    ("make", "model", "name"),
    [
        ("Invented", "Q1", "Invented Q1"), ("Invented", "Invented Q1\0 ", "Invented Q1"), ("", "Q1", "Q1"),
        ("Inv\nented", "", "Inv ented"), ("", "", ""),
    ],
)  # fmt: skip
def test_camera_and_focal_setting_come_from_the_file(scene, form, make, model, name):
    picture = decode_picture(saved(scene, form, exif=tags(1, make, model, 26)), "a")
    assert picture.camera_name == name
    assert picture.focal_35mm == 26
    assert picture.focal_px == pytest.approx(26 * 800 / 43.267, rel=1e-3)


def test_heic_cut_short_is_refused(scene):
    data = saved(scene, "HEIF")
    assert decode_picture(data, "whole.heic").size_px == (640, 480)
    for length in (len(data) // 2, len(data) - 5, 60):
        with pytest.raises(InputError, match=r"cut short.*Copy it again"):
            decode_picture(data[:length], "half.heic")


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"", "empty"),
        (b"hello, this is no picture at all", "not a picture"),
        (b"\0\0\0\x20ftypheic" + b"\0" * 40, "damaged"),
        (b"\0\0\0\x20ftypavif" + b"\0" * 40, "AVIF"),
        (b"\0\0\0\x20ftypisom" + b"\0" * 40, "film"),
    ],
)
def test_what_is_no_photograph_is_refused_with_the_reason(data, reason):
    with pytest.raises(InputError, match=reason):
        decode_picture(data, "x.jpg")


def test_truncated_picture_is_refused(scene):
    data = jpeg(scene)
    with pytest.raises(InputError, match="cut short"):
        decode_picture(data[: len(data) // 2], "half.jpg")
    with pytest.raises(InputError):
        decode_picture(data[:30], "head.jpg")


def test_size_limits():
    with pytest.raises(InputError, match="too small"):
        decode_picture(jpeg(np.zeros((50, 50), np.uint8)), "tiny.jpg")
    header = b"P5\n20000 20000\n255\n"
    with pytest.raises(InputError, match=r"too (large|many)"):
        decode_picture(header, "vast.pgm")


def test_missing_file_is_left_to_the_command_line(tmp_path):
    with pytest.raises(FileNotFoundError):
        read_picture(tmp_path / "nowhere.jpg")


def test_point_outside_names_the_pictures_size(scene):
    picture = Picture(scene, "a.jpg")
    assert picture.check_inside("toe", (639, 0)) == (639.0, 0.0)
    for bad in ((640.0, 10.0), (-1.0, 3.0), (float("nan"), 3.0), (3.0, float("inf"))):
        with pytest.raises(InputError, match="toe: lies outside the picture.*640 x 480"):  # noqa: RUF043
            picture.check_inside("toe", bad)


def test_reasons_in_words(scene):
    assert "dark" in why_nothing_is_found((scene // 8).astype(np.uint8))
    assert "overexposed" in why_nothing_is_found(np.full_like(scene, 250))
    assert "contrast" in why_nothing_is_found(np.full_like(scene, 120))
    assert "blurred" in why_nothing_is_found(cv2.GaussianBlur(scene, (0, 0), 12))
    assert why_nothing_is_found(scene) == ""
