"""A hanging foot read in rendered photographs (simulated) with the real scale card in them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.studio.hanging_measure import measure_hanging
from fitwright.vision.picture import Picture
from rendered_sole import Camera, Scene, photograph

YAW = 13.0
SQUARE = Camera(shift_mm=(6.0, -5.0))
ASLANT = Camera(tilt_deg=(11.0, -8.0), spin_deg=112.0, k1=-0.05, distance_mm=520.0, shift_mm=(-9.0, 14.0))


def picked(camera, side="left", foot_mm=0.0, knee_mm=-310.0, yaw=YAW):
    """Pixels of the four points, foot and knee line at their heights over the card (towards the lens)."""
    ahead = math.radians(-90 - (yaw if side == "left" else -yaw))
    along = np.array([math.cos(ahead), math.sin(ahead)])
    foot = np.array([[0.0, 120.0], [0.0, -120.0]])
    knee = np.array([15.0, 20.0]) + np.outer([-130.0, 130.0], along)
    pixels = [*camera.project(foot, foot_mm), *camera.project(knee, knee_mm)]
    names = ("heel_centre", "toe", "knee_rear", "knee_front")
    return {n: (float(u), float(v)) for n, (u, v) in zip(names, pixels, strict=True)}


@pytest.fixture(scope="module", params=[SQUARE, ASLANT], ids=["square", "aslant"])
def seen(request):
    """A camera and its picture of the card around a dark sole."""
    return request.param, Picture(photograph(Scene(), request.param), "hanging.png")


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("foot_mm", "knee_mm"), [(0.0, -310.0), (-90.0, -420.0), (60.0, 60.0)])
def test_the_card_gives_the_angle_whatever_camera_and_depth(seen, side, foot_mm, knee_mm):
    camera, picture = seen
    got = measure_hanging(picture, side, picked(camera, side, foot_mm, knee_mm), knee="edge")
    assert got.yaw_deg.value == pytest.approx(YAW, abs=0.25)
    assert 1.0 < got.yaw_deg.u < 3.0
    assert got.length_mm is None


def test_length_with_the_card_at_the_sole(seen):
    camera, picture = seen
    got = measure_hanging(picture, "left", picked(camera), card="sole")
    assert got.length_mm.value == pytest.approx(240, abs=0.8)
    assert 4 < got.length_mm.u < 12


def test_without_the_card_the_interval_still_holds_the_truth(seen):
    camera, picture = seen
    got = measure_hanging(picture, "left", picked(camera), card="none")
    assert abs(got.yaw_deg.value - YAW) < 2 * got.yaw_deg.u
    assert any("aslant" in note for note in got.notes)


def test_wrong_pictures_and_points(seen):
    camera, picture = seen
    points = picked(camera)
    plain = Picture(np.full((600, 800), 128, np.uint8), "plain.png")
    with pytest.raises(InputError, match="measure without the card"):
        measure_hanging(plain, "left", {k: (300.0 + 40 * i, 200.0) for i, k in enumerate(points)})
    mirrored = Picture(np.ascontiguousarray(picture.grey[:, ::-1]), "mirrored.png")
    with pytest.raises(InputError, match="mirrored"):
        measure_hanging(mirrored, "left", {k: (1599 - u, v) for k, (u, v) in points.items()})
    with pytest.raises(InputError, match="toe: lies outside the picture"):
        measure_hanging(picture, "left", points | {"toe": (5000.0, 10.0)})
    with pytest.raises(InputError, match="knee_front is missing"):
        measure_hanging(picture, "left", {k: v for k, v in points.items() if k != "knee_front"})
    with pytest.raises(InputError, match="unknown point 'nose'"):
        measure_hanging(picture, "left", points | {"nose": (1.0, 1.0)})
    with pytest.raises(InputError, match="card: unknown"):
        measure_hanging(picture, "left", points, card="maybe")
