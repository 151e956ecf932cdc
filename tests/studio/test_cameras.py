"""A studio's own tools: the check bar of its printed card, and cameras that are recognised again."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.records.models import CameraProfile, HardwareItem
from fitwright.studio import cameras
from fitwright.vision.calibration import CameraCalibration, View
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.picture import TURNS, Picture

pytestmark = pytest.mark.django_db
NAME = "Invented Q1"


def calibration(name=NAME, focal_35mm=26.0, size=(400, 300), u_focal=0.004):
    """An invented calibration with made-up corners."""
    lens = np.array([np.log(320.0), 203.0, 148.0, -0.05, 0.01, 0.002, 0.0004, -0.0007])
    covariance = np.diag(np.array([u_focal, 0.6, 0.5, 0.004, 0.006, 0.003, 1e-4, 1e-4]) ** 2)
    points = np.column_stack([np.linspace(20, 380, 12), np.linspace(10, 290, 12)])
    views = tuple(
        View(f"{i}.jpg", "", points, points, np.full((12, 2), 0.1 + 0.01 * i), 30.0) for i in range(12)
    )
    return CameraCalibration(lens, covariance, size, views, name, focal_35mm)


def picture(size=(400, 300), orientation=1, name=NAME, focal_35mm=26.0):
    turn = TURNS[orientation]
    width, height = size if turn[0][0] else size[::-1]
    return Picture(np.zeros((height, width), np.uint8), "a.jpg", 300.0, name, focal_35mm, turn)


def test_check_bar_of_the_studio_goes_with_every_card():
    assert cameras.card_of_studio() == SCALE_CARD
    assert "has not been measured" in cameras.card_of_studio().print_words
    cameras.save_check_bar(98.4, "printer in the office")
    card = cameras.card_of_studio()
    assert card.print_scale.value == pytest.approx(0.984)
    assert card.print_scale.u == pytest.approx(0.001)
    assert "measures 98.4 mm instead of 100" in card.print_words
    cameras.save_check_bar(100.0)
    assert cameras.card_of_studio().print_words == ""
    assert [row.data["check_bar_mm"] for row in cameras.check_bars()] == [
        100.0,
        98.4,
    ]  # nothing is overwritten


@pytest.mark.parametrize("bar", [89.9, 110.1, 210.0, 0.0, float("nan")])
def test_print_at_another_scale_is_refused(bar):
    with pytest.raises(InputError, match=r"90 to 110 mm.*at 100 %"):
        cameras.save_check_bar(bar)
    assert not HardwareItem.objects.exists()


def test_print_far_off_is_used_and_a_better_one_asked_for():
    assert "print it again at 100 %" in cameras.save_check_bar(94.0).print_words
    assert "print it again" not in cameras.save_check_bar(97.2).print_words


def test_camera_is_recognised_by_name_focal_setting_and_shape():
    cameras.remember(calibration())
    assert cameras.lens_of(picture()).focal_px == pytest.approx(320.0)
    assert cameras.lens_of(picture((4000, 3000))).focal_px == pytest.approx(3200.0)
    for other in (
        picture(name="Invented Q2"), picture(name=""), picture(focal_35mm=52.0), picture(focal_35mm=None),
        picture((400, 225)),
    ):  # fmt: skip
        assert cameras.lens_of(other) is None


def test_newest_calibration_counts_and_forgetting_keeps_the_rows():
    cameras.remember(calibration())
    cameras.remember(replace(calibration(), lens=calibration().lens + 0.1 * np.eye(8)[0]))
    assert cameras.lens_of(picture()).focal_px == pytest.approx(320.0 * np.exp(0.1))
    cameras.forget(cameras.camera_of(picture()))
    assert cameras.lens_of(picture()).focal_px == pytest.approx(320.0)
    cameras.forget(cameras.camera_of(picture()))
    assert cameras.lens_of(picture()) is None
    assert cameras.known_cameras() == []
    assert CameraProfile.objects.count() == 4


def test_weak_or_nameless_calibration_is_kept_but_not_used():
    weak = cameras.known_camera(cameras.remember(calibration(u_focal=0.05)).pk)
    nameless = cameras.known_camera(cameras.remember(calibration(name="")).pk)
    assert not weak.recognised
    assert not nameless.recognised
    assert any("so it is not used" in note for note in weak.calibration.notes)
    assert cameras.lens_of(picture()) is None
    assert len(cameras.known_cameras()) == 2


def test_what_is_remembered_is_what_was_calibrated():
    known = calibration()
    again = cameras.known_camera(cameras.remember(known).pk).calibration
    assert again.notes == known.notes
    assert again.by_picture == pytest.approx(known.by_picture)
    assert np.array_equal(again.lens, known.lens)
    assert np.array_equal(again.covariance, known.covariance)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_a_picture_held_in_any_way_meets_the_same_lens(orientation):
    """A direction's pixel on the sensor, turned upright, is where the turned lens puts the turned direction."""
    from fitwright.vision.lens import distort

    cameras.remember(calibration())
    upright = picture(orientation=orientation)
    prior = cameras.lens_of(upright)
    R = np.array(upright.turn, dtype=float)
    directions = np.random.default_rng(1).uniform(-0.6, 0.6, (20, 2))
    on_sensor = distort(calibration().believed[0], directions) - np.array([399, 299]) / 2
    wanted = on_sensor @ R.T + (np.array(upright.size_px) - 1) / 2
    assert distort(prior.mean, directions @ R.T) == pytest.approx(wanted, abs=1e-9)
