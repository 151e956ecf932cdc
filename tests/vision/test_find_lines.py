"""Lines, discs, corners and snapping, against scikit-image (BSD-3-Clause) and drawn truth (simulated)."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.foot.rigid import rigid_fit
from fitwright.vision.find_dots import spot_at, spot_u_px
from fitwright.vision.find_lines import edge_offsets, fit_line, fit_line_robustly
from fitwright.vision.pick import snap_at
from fitwright.vision.picture import Picture

measure = pytest.importorskip("skimage.measure")
transform = pytest.importorskip("skimage.transform")
RNG = np.random.default_rng(5)


@lru_cache
def scene(noise=2.0, seed=1, blur=0.8):
    """A slanted edge, a ringed dot and a checker's corner, drawn eight times finer; (picture, truth)."""
    k, size = 8, 300
    v, u = (np.mgrid[0 : size * k, 0 : size * k] + 0.5) / k - 0.5
    grey = np.full(u.shape, 110.0)
    normal = np.array([np.cos(0.3), np.sin(0.3)])
    edge = np.array([60.0, 150.0])
    grey[(u - edge[0]) * normal[0] + (v - edge[1]) * normal[1] < 0] = 60
    dot = np.array([200.4, 80.7])
    rho = np.hypot(u - dot[0], v - dot[1])
    grey[rho < 14], grey[rho < 7] = 235, 25
    corner = np.array([210.3, 220.6])
    a, b = (u - corner[0]) * 0.97 + (v - corner[1]) * 0.24, (v - corner[1]) * 0.97 - (u - corner[0]) * 0.24
    grey[(np.maximum(abs(a), abs(b)) < 40) & (a * b > 0)] = 220
    small = cv2.resize(grey.astype(np.float32), (size, size), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), blur) + np.random.default_rng(seed).normal(0, noise, small.shape)
    picture = Picture(np.clip(small, 0, 255).astype(np.uint8), "scene.png")
    return picture, {"edge": (edge, normal), "dot": dot, "corner": corner}


# --- lines ---


@given(st.floats(-89, 89), st.floats(0.01, 0.8), st.integers(0, 500))
def test_total_least_squares_is_that_of_scikit_image(angle_deg, noise, seed):
    rng = np.random.default_rng(seed)
    a = np.radians(angle_deg)
    along = rng.uniform(-50, 50, 60)
    points = np.outer(along, [np.cos(a), np.sin(a)]) + rng.normal(0, noise, (60, 2)) + [120.0, 40.0]
    line = fit_line(points)
    model = measure.LineModelND.from_estimate(points)
    origin, direction = model.origin, model.direction
    assert abs(line.direction @ direction) == pytest.approx(1, abs=1e-9)
    assert line.distance(origin[None])[0] == pytest.approx(0, abs=1e-6)
    assert np.abs(line.distance(points)) == pytest.approx(model.residuals(points), abs=1e-6)


def test_stated_angle_uncertainty_holds_the_truth_as_often_as_it_says():
    """Monte Carlo (JCGM 101): 95 % intervals from the residuals, 2000 lines."""
    held = []
    for _ in range(2000):
        along = np.linspace(-40, 40, 30)
        points = np.column_stack([along, RNG.normal(0, 0.3, 30)])
        line = fit_line(points)
        held.append(abs(line.angle_deg) < 2.05 * line.u_angle_deg)  # Student's t, 28 degrees of freedom
    assert 0.93 < np.mean(held) < 0.97


def test_points_far_off_do_not_turn_a_robust_line():
    along = np.linspace(0, 100, 50)
    points = np.column_stack([along, 0.2 * along + RNG.normal(0, 0.05, 50)])
    points[::7, 1] += 9.0
    assert fit_line_robustly(points).angle_deg == pytest.approx(np.degrees(np.arctan(0.2)), abs=0.05)


def test_crossing_and_outline_crossing():
    a = fit_line(np.array([[0.0, 0], [5, 5], [10, 10]]))
    b = fit_line(np.array([[0.0, 10], [5, 5], [10, 0]]))
    assert a.crossing(b) == pytest.approx([5, 5])
    square = np.array([[0.0, 2], [20, 2], [20, 12], [0, 12]])
    assert a.crossing_outline(square, np.array([1.0, 1]), 5.0) == pytest.approx([2, 2])
    assert a.crossing_outline(square, np.array([60.0, 60]), 5.0) is None
    with pytest.raises(InputError, match="parallel"):
        a.crossing(a)


def test_edge_places_are_those_of_scikit_images_contour():
    """The iso-line midway between both sides (skimage.measure.find_contours) of a noise-free edge."""
    picture, truth = scene(noise=0.0)
    point, normal = truth["edge"]
    along = np.array([-normal[1], normal[0]])
    base = point + np.linspace(-60, 60, 25)[:, None] * along + 0.7 * normal
    offset, step = edge_offsets(picture.grey, base, np.repeat(normal[None], 25, axis=0), 5.0)
    found = base + offset[:, None] * normal
    assert np.abs((found - point) @ normal).max() < 0.1
    assert step == pytest.approx(np.full(25, 50), abs=12)
    window = picture.grey[40:260, 10:110].astype(float)
    contour = max(measure.find_contours(window, 85.0), key=len)[:, ::-1] + [10, 40]
    theirs = np.abs((contour - point) @ along) < 55
    assert abs(np.mean((contour[theirs] - point) @ normal) - np.mean((found - point) @ normal)) < 0.05


# --- discs ---


def test_a_disc_is_where_scikit_images_ellipse_says():
    """EllipseModel on the contour midway between dot and ring."""
    picture, truth = scene()
    spot = spot_at(picture, truth["dot"] + [2.0, -1.5], 6.0)
    contour = min(
        (c for c in measure.find_contours(picture.grey.astype(float), 130.0) if 30 < len(c) < 90),
        key=lambda c: np.hypot(*(c.mean(axis=0)[::-1] - truth["dot"])),
    )[:, ::-1]
    model = measure.EllipseModel.from_estimate(contour)
    assert spot.uv_px == pytest.approx(truth["dot"], abs=0.05)
    assert spot.uv_px == pytest.approx(model.center, abs=0.15)
    assert spot.disc_px == pytest.approx(np.mean(model.axis_lengths), abs=0.4)


def test_stated_centre_uncertainty_covers_the_error():
    miss, u = [], []
    for seed in range(12):
        picture, truth = scene(noise=4.0, seed=seed, blur=1.2)
        spot = spot_at(picture, truth["dot"], 5.0)
        miss.append(spot.uv_px - truth["dot"])
        u.append(spot_u_px(spot))
    assert np.sqrt(np.mean(np.square(miss))) < 1.3 * np.mean(u)
    assert np.mean(u) < 0.2


# --- snapping ---


@pytest.mark.parametrize("kind", ["dot", "corner"])
@pytest.mark.parametrize("off", [(0.0, 0.0), (3.0, -2.0), (-2.5, 3.5)])
def test_a_pick_snaps_to_a_dot_and_to_a_corner(kind, off):
    picture, truth = scene()
    snapped = snap_at(picture, truth[kind] + off, kind)
    assert snapped.uv_px == pytest.approx(truth[kind], abs=0.2)
    assert 0 < snapped.u_px < 0.4
    assert kind in snapped.to


@pytest.mark.parametrize("off", [0.0, 2.5, -4.0])
def test_a_pick_snaps_to_the_nearest_place_of_an_edge(off):
    picture, truth = scene()
    point, normal = truth["edge"]
    snapped = snap_at(picture, point + off * normal, "edge")
    assert snapped.uv_px == pytest.approx(point, abs=0.3)
    assert snapped.to.startswith("edge")


@pytest.mark.parametrize("kind", ["dot", "edge", "corner"])
def test_where_nothing_is_the_pick_stays_and_the_reason_is_said(kind):
    with pytest.raises(InputError, match=rf"no {kind} to snap to within 6 px.*stays as it is"):
        snap_at(scene()[0], (140.0, 150.0), kind)


def test_wrong_kind_and_place_are_refused():
    picture = scene()[0]
    with pytest.raises(InputError, match="allowed: dot, edge, corner"):
        snap_at(picture, (10, 10), "blob")
    with pytest.raises(InputError, match="outside the picture"):
        snap_at(picture, (400, 10), "dot")


# --- rigid fit of marks ---


@given(st.floats(-20, 20), st.floats(-9, 9), st.floats(-9, 9), st.integers(0, 99))
def test_the_rigid_fit_of_marks_is_that_of_scikit_image(turn_deg, x, z, seed):
    """EuclideanTransform, and the scale that a SimilarityTransform would add stays near one."""
    rng = np.random.default_rng(seed)
    source = rng.uniform(-35, 35, (4, 2)) + np.array([180, 0])
    a = np.radians(turn_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    target = source @ turn.T + [x, z] + rng.normal(0, 0.05, source.shape)
    ours = rigid_fit(source, target, 0.05)
    theirs = transform.estimate_transform("euclidean", source, target)
    assert ours.turn_deg == pytest.approx(np.degrees(theirs.rotation), abs=1e-6)
    assert ours.apply(source) == pytest.approx(theirs(source), abs=1e-6)
    assert transform.estimate_transform("similarity", source, target).scale == pytest.approx(1, abs=0.05)
