"""What must hold for every camera: the same points in mm, there and back, and draws that agree with propagation.

Simulated cameras without rendering; corners come from the test's own pinhole.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from bench.photo import sole_draws
from hypothesis import given, settings
from hypothesis import strategies as st

from fitwright.foot.frame import read_sole
from fitwright.quantity import Measured, propagate
from fitwright.vision.boards import FoundBoard
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.lens import LensPrior
from fitwright.vision.plane_fit import fit_plane
from rendered_sole import SOLE, Camera, Scene, sole_to_plane

EXACT_PRINT = Measured(1.0, 0.0, "1")
FEW = settings(max_examples=25, deadline=None, derandomize=True)
SIZE = (4032, 3024)

cameras = st.builds(
    Camera, st.just(SIZE), st.floats(2700, 3500), st.floats(-0.06, 0.02), st.floats(450, 700),
    st.tuples(st.floats(-20, 20), st.floats(-20, 20)), st.floats(-180, 180),
    st.tuples(st.floats(-25, 25), st.floats(-25, 25)), st.tuples(st.floats(-30, 30), st.floats(-30, 30)),
)  # fmt: skip


def fitted(camera, noise_px=0.0, foot="left", seed=0):
    rng = np.random.default_rng(seed)
    boards = []
    for i, strip in enumerate(SCALE_CARD.strips):
        px = camera.project(Scene(foot=foot).corners(i)) + rng.normal(0, noise_px, (24, 2))
        boards.append(FoundBoard(strip, np.arange(24), px, strip.corners_mm(), strip.marker_ids))
    prior = LensPrior.of_picture(camera.size_px, camera.focal_px)
    return fit_plane(boards, camera.size_px, prior, EXACT_PRINT)


@FEW
@given(camera=cameras, foot=st.sampled_from(["left", "right"]))
def test_points_in_the_sole_frame_do_not_depend_on_the_camera(camera, foot):
    """Noise-free corners and picks: every mark at its true place, 0.03 mm, from any side, with any lens and turn."""
    uv = camera.project(sole_to_plane(list(SOLE.values()), foot))
    seen = fitted(camera, foot=foot).to_plane(uv, 0.1)
    told = read_sole(foot, list(SOLE), seen.xy_mm, seen.covariance_mm2)
    for name, true in SOLE.items():
        assert (told.landmarks | told.datums)[name].xz == pytest.approx(true, abs=0.03)


@FEW
@given(
    camera=cameras,
    places=st.lists(st.tuples(st.floats(-130, 130), st.floats(-170, 170)), min_size=1, max_size=8),
)
def test_plane_to_picture_to_plane(camera, places):
    plane = fitted(camera, noise_px=0.1)
    points = np.array(places) + plane.corners_mm().mean(axis=0)
    assert plane.places_mm(plane.to_picture(points)) == pytest.approx(points, abs=1e-6)
    uv = plane.to_picture(points, height_mm=9.0)
    assert plane.to_plane(uv, 0.1, height_mm=9.0).xy_mm == pytest.approx(points, abs=1e-6)


@FEW
@given(camera=cameras)
def test_picked_corners_lie_where_they_were_printed(camera):
    """Distances between corners of one strip in mm, whichever way it is seen."""
    plane = fitted(camera)
    corners = plane.places_mm(camera.project(Scene().corners(0)))
    true = SCALE_CARD.strips[0].corners_mm()
    assert np.linalg.norm(corners[0] - corners[-1]) == pytest.approx(
        np.linalg.norm(true[0] - true[-1]), abs=0.01
    )


@pytest.mark.parametrize("seed", range(3))
def test_ten_thousand_draws_agree_with_propagation(seed):
    """JCGM 101:2008, 8.1: both ends of the 95 % interval of length, place and rotation agree to one digit of u; and
    the covariance of the four is that of linear propagation. Pick, camera, lens, height and unevenness are drawn."""
    rng = np.random.default_rng(seed)
    camera = Camera(
        SIZE, 3100.0, rng.uniform(-0.05, 0.01), rng.uniform(450, 650), tuple(rng.normal(0, 6, 2)), 85.0
    )
    plane, names = fitted(camera, 0.1, seed=seed), ["heel_centre", "toe", "cleat_nose", "cleat_tail"]
    uv = camera.project(sole_to_plane([SOLE[n] for n in names], "left")) + rng.normal(0, 0.7, (4, 2))
    height = {"u_height_mm": 1.0, "u_uneven_mm": 0.3}
    seen = plane.to_plane(uv, 0.7, **height)
    told = read_sole("left", names, seen.xy_mm, seen.covariance_mm2)
    drawn = sole_draws(plane.draws(uv, 10_000, seed, 0.7, **height), names)
    linear = [told.length_mm, *told.cleat.measured().values()]
    for m, values in zip(linear, drawn.T, strict=True):
        tolerance = 0.5 * 10 ** math.floor(math.log10(m.u))
        assert np.abs(np.quantile(values, [0.025, 0.975]) - m.interval95).max() <= tolerance
        assert values.mean() == pytest.approx(m.value, abs=0.1 * m.u)
    _, covariance = propagate(
        lambda v: sole_draws(v.reshape(1, 4, 2), names)[0], seen.xy_mm.ravel(), seen.covariance_mm2
    )
    scale = np.outer(*(2 * [[m.u for m in linear]]))
    assert np.cov(drawn.T) / scale == pytest.approx(covariance / scale, abs=0.06)


def test_draws_are_the_same_for_the_same_seed():
    plane = fitted(Camera(SIZE, 3100.0), 0.1)
    at = np.array([[2000.0, 1500.0]])
    assert np.array_equal(plane.draws(at, 50, 4), plane.draws(at, 50, 4))
    assert not np.array_equal(plane.draws(at, 50, 4), plane.draws(at, 50, 5))
