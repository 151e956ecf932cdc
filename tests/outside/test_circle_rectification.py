"""Circle, ellipse, similarity and projection against implementations that we did not write.

scikit-image (EllipseModel, SimilarityTransform) and OpenCV (projectPoints); a circle in perspective is an ellipse
exactly, so the camera's own projection of the pedal's circle is the test case.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import pytest
from skimage.measure import CircleModel, EllipseModel
from skimage.transform import SimilarityTransform

from fitwright.motion.circle import fit_circle, fit_ellipse
from fitwright.vision.camera import Pinhole
from fitwright.vision.shake import find_shake
from fitwright.vision.wheels import KnownSize

ANGLE = np.radians(np.arange(0, 360, 5.0))
CRANK = 172.5 * np.column_stack([np.sin(ANGLE), np.cos(ANGLE)])
CAMERAS = [Pinhole("side", (300.0, 650.0, 3400.0), 2100.0, (959.5, 539.5), yaw, tilt, 0.7, 0.0)
           for yaw, tilt in ((0.0, 0.0), (10.0, 0.0), (-10.0, 5.0), (4.0, -5.0))]  # fmt: skip


def crank_px(camera: Pinhole, noise_px: float = 0.0) -> np.ndarray:
    rng = np.random.default_rng(2)
    px = camera.project(np.column_stack([CRANK, np.full(len(CRANK), 180.0)]))
    return px + rng.normal(0, noise_px, px.shape)


@pytest.mark.parametrize("camera", CAMERAS)
def test_the_ellipse_is_that_of_scikit_image(camera) -> None:
    """Exact points: the same ellipse to 1e-6 px. With 0.3 px of noise the geometric and the direct fit differ by less
    than the noise of a centre of 72 points."""
    for noise, near in ((0.0, 1e-6), (0.3, 0.15)):
        px = crank_px(camera, noise)
        ours = fit_ellipse(px[:, 0], px[:, 1])
        theirs = EllipseModel.from_estimate(px)
        (x, y), (a, b) = theirs.center, theirs.axis_lengths
        assert (ours.x_mm, ours.y_mm) == pytest.approx((x, y), abs=near)
        assert (ours.long_mm, ours.short_mm) == pytest.approx((max(a, b), min(a, b)), abs=near)
        assert np.abs(theirs.residuals(px)).max() < 4 * noise + 1e-4


@pytest.mark.parametrize("camera", CAMERAS)
def test_the_ellipse_made_round_is_a_circle(camera) -> None:
    px = crank_px(camera)
    ellipse = fit_ellipse(px[:, 0], px[:, 1])
    round_px = (px - [ellipse.x_mm, ellipse.y_mm]) @ ellipse.to_unit_circle
    assert np.linalg.norm(round_px, axis=1) == pytest.approx(1.0, abs=1e-7)
    assert CircleModel.from_estimate(round_px).radius == pytest.approx(1.0, abs=1e-7)


def test_the_circle_is_that_of_scikit_image() -> None:
    """Theirs is the algebraic fit: with little noise the two agree to a fraction of it."""
    px = crank_px(CAMERAS[0], 0.05)
    ours, theirs = fit_circle(px[:, 0], px[:, 1]), CircleModel.from_estimate(px)
    assert (ours.x_mm, ours.y_mm, ours.radius_mm) == pytest.approx((*theirs.center, theirs.radius), abs=0.01)


def test_the_centre_of_the_ellipse_is_not_the_crank_in_perspective() -> None:
    """Why an ellipse alone is no rectification: at 10° of yaw its centre is off the bottom bracket's picture."""
    camera = CAMERAS[1]
    px = crank_px(camera)
    ellipse = fit_ellipse(px[:, 0], px[:, 1])
    true = camera.project(np.array([0.0, 0.0, 180.0]))
    assert 0.5 < math.hypot(ellipse.x_mm - true[0], ellipse.y_mm - true[1]) < 3.0


@pytest.mark.parametrize("view", ["side", "front"])
def test_projection_is_that_of_opencv(view) -> None:
    """Points of a rider through pinhole, slant, roll and k1: the same pixels as cv2.projectPoints, to 1e-6."""
    rng = np.random.default_rng(1)
    place = (250.0, 640.0, 3500.0) if view == "side" else (3300.0, 560.0, 105.0)
    camera = Pinhole(view, place, 2250.0, (955.0, 545.0), -7.0, 3.0, 1.3, -0.04)
    points = rng.uniform([-400, -300, -250], [500, 1300, 250], (200, 3))
    turn = cv2.Rodrigues(camera.rotation)[0]
    matrix = np.array([[2250.0, 0, 955.0], [0, 2250.0, 545.0], [0, 0, 1]])
    shift = -camera.rotation @ np.array(place)
    theirs = cv2.projectPoints(points, turn, shift, matrix, np.array([-0.04, 0, 0, 0, 0.0]))[0][:, 0]
    assert camera.project(points) == pytest.approx(theirs, abs=1e-6)
    assert camera.meet(theirs, 2, points[:, 2]) == pytest.approx(points, abs=1e-3)


def test_shake_is_the_similarity_of_scikit_image() -> None:
    """The movement found in each frame is that of `SimilarityTransform` between the places at rest and now."""
    rng = np.random.default_rng(6)
    rest = np.array([[200.0, 900.0], [1700.0, 880.0], [950.0, 700.0], [300.0, 200.0]])
    z = rest[:, 0] + 1j * rest[:, 1]
    turns = np.exp(1j * np.radians(rng.normal(0, 0.2, 61)))
    shifts = rng.normal(0, 3, 61) + 1j * rng.normal(0, 3, 61)
    turns[30], shifts[30] = 1.0, 0.0
    now = turns[:, None] * z + shifts[:, None]
    px = np.stack([now.real, now.imag], axis=-1) + rng.normal(0, 0.02, (61, 4, 2))
    names = ("bottom_bracket", "front_axle", "rear_axle", "fixed_1")
    shake = find_shake(names, px, np.full(px.shape, 0.02), names)
    assert shake.corrected
    steady = np.median(px, axis=0)
    for t in (0, 17, 60):
        theirs = SimilarityTransform.from_estimate(steady, px[t])
        assert shake.turn[t] == pytest.approx(theirs.scale * np.exp(1j * theirs.rotation), abs=1e-9)
        assert shake.rest(px[t], t) == pytest.approx(theirs.inverse(px[t]), abs=1e-6)


def test_a_known_size_is_the_scale_of_scikit_image() -> None:
    camera = CAMERAS[0]
    mm = np.array([[0.0, 0.0], [240.0, 0.0], [240.0, 60.0], [0.0, 60.0]])
    c, s = math.cos(0.3), math.sin(0.3)
    held = 1.02 * mm @ np.array([[c, s], [-s, c]])
    px = camera.project(np.column_stack([held[:, 0] + 100, 300 - held[:, 1], np.full(4, 60.0)]))
    ruler = KnownSize("a card", px - np.array(camera.centre_px), mm, 60.0)
    lens = Pinhole("side", camera.place_mm, camera.focal_px, (0.0, 0.0), 0.0, 0.0, 0.7)
    read = lens.meet(ruler.px, 2, 60.0)[:, :2]
    theirs = SimilarityTransform.from_estimate(mm * [1, -1], read).scale
    assert ruler.ratio(lens) == pytest.approx(theirs, abs=1e-9)
    assert theirs == pytest.approx(1.02, abs=1e-9)
