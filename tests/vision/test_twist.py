"""Strips that do not lie in one plane, seen by a simulated camera: how far one is tilted against the other."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.vision.boards import FoundBoard
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.lens import LensPrior
from fitwright.vision.photo import plane_quality
from fitwright.vision.plane_fit import fit_plane
from fitwright.vision.twist import twist_of
from rendered_sole import Camera, Scene


def tilted(about_length_deg, about_width_deg, higher_mm=0.0, seed=0, noise_px=0.1):
    """Both strips, the second turned about its own middle and raised towards the camera."""
    rng = np.random.default_rng(seed)
    camera = Camera(
        (4032, 3024), 3100.0, -0.05, rng.uniform(450, 600), tuple(rng.normal(0, 5, 2)), 90 + rng.normal(0, 5)
    )
    scene, boards = Scene(), []
    R, t = camera.pose
    for i, strip in enumerate(SCALE_CARD.strips):
        solid = np.column_stack([scene.corners(i), np.zeros(24)])
        if i == 1:
            c, s = np.cos(np.radians(scene.strips[1][2])), np.sin(np.radians(scene.strips[1][2]))
            flat = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]])
            W = flat @ cv2.Rodrigues(np.radians([about_width_deg, about_length_deg, 0.0]))[0] @ flat.T
            middle = solid.mean(axis=0)
            solid = (solid - middle) @ W.T + middle - [0, 0, higher_mm]
        view = solid @ R.T + t
        xy = view[:, :2] / view[:, 2:]
        px = xy * (1 + camera.k1 * np.sum(xy**2, axis=1, keepdims=True)) * camera.focal_px + camera.centre
        px = px + rng.normal(0, noise_px, px.shape)
        boards.append(FoundBoard(strip, np.arange(24), px, strip.corners_mm(), strip.marker_ids))
    prior = LensPrior.of_picture(camera.size_px, camera.focal_px)
    return fit_plane(boards, camera.size_px, prior, Measured(1.0, 0.0, "1"))


@pytest.mark.parametrize(
    ("length", "width", "higher"), [(0, 0, 0), (0, 0, 6), (3, 0, 0), (0, -3, 0), (3, 2, 4)]
)
def test_tilt_is_found_with_its_uncertainty(length, width, higher):
    """Simulated, eight cameras: the mean within 4 standard errors of the truth, u as large as the scatter."""
    found = [twist_of(tilted(length, width, higher, seed)) for seed in range(8)]
    for true, told in ((length, [f.about_length for f in found]), (width, [f.about_width for f in found])):
        u = np.mean([m.u for m in told])
        assert abs(np.mean([m.value for m in told]) - true) < 4 * u / np.sqrt(8)
        assert 0.35 * u < np.std([m.value for m in told]) < 2.2 * u


def test_flat_strips_are_not_spoken_of_and_tilted_ones_are():
    assert not any(twist_of(tilted(0, 0, higher, seed)).matters for seed in range(6) for higher in (0, 5))
    notes = plane_quality(tilted(3, 0))["notes"]
    assert any("strip B is tilted by 3." in n and "against strip A: lay both flat" in n for n in notes)


def test_one_strip_has_no_twist():
    plane = tilted(0, 0)
    prior = LensPrior.of_picture(plane.size_px, None)
    assert twist_of(fit_plane(plane.boards[:1], plane.size_px, prior, Measured(1.0, 0.0, "1"))) is None


def test_card_refused_as_not_flat_says_by_how_much():
    with pytest.raises(InputError, match=r"one flat plane.*tilted by 1\d\.\d ± .*° against"):
        tilted(0, 12)
