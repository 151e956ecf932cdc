"""Single strays on a simulated way: found alone, and nothing else taken for one."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.vision.off_its_way import off_their_way


def way(fps: float = 60.0, rpm: float = 110.0, points: int = 5, noise_px: float = 0.05, drop: float = 0.0):
    """Points on circles with an overtone, (T,) and (T, P, 2), some frames dropped, times a little uneven."""
    rng = np.random.default_rng(8)
    t = np.arange(0, 6, 1 / fps) + rng.normal(0, 0.02 / fps, round(6 * fps))
    t = t[rng.uniform(size=len(t)) >= drop]
    theta = t[:, None] * rpm * np.pi / 30 + np.arange(points)
    size = 40 + 20 * np.arange(points)
    uv = np.stack([size * (np.cos(theta) + 0.05 * np.cos(2 * theta)), size * np.sin(theta)], axis=-1)
    return t, uv + rng.normal(0, noise_px, uv.shape), np.full(uv.shape, noise_px)


@pytest.mark.parametrize("kind", [{}, {"fps": 30.0}, {"fps": 120.0}, {"drop": 0.1}, {"noise_px": 0.3}])
def test_a_smooth_way_has_no_stray(kind):
    assert not off_their_way(*way(**kind)).any()


@pytest.mark.parametrize("off", [(3.4, 0.0), (-2.0, -2.0)])
def test_a_stray_is_found_and_its_neighbours_stay(off):
    t, uv, u = way()
    uv[100, 2] += off
    found = off_their_way(t, uv, u)
    assert np.argwhere(found).tolist() == [[100, 2]]


@pytest.mark.parametrize("gap", [slice(97, 100), slice(80, 100), slice(101, 121)])
def test_a_stray_beside_a_gap_is_found(gap):
    t, uv, u = way()
    uv[gap, 2] = np.nan
    uv[100, 2] += (0.0, 4.2)
    assert np.argwhere(off_their_way(t, uv, u)).tolist() == [[100, 2]]


def test_a_stray_one_frame_after_a_gap_goes_at_most_with_the_one_before_it():
    t, uv, u = way()
    uv[80:100, 2] = np.nan
    uv[101, 2] += (0.0, 4.2)
    found = [tuple(k) for k in np.argwhere(off_their_way(t, uv, u))]
    assert (101, 2) in found
    assert set(found) <= {(100, 2), (101, 2)}


def test_a_knock_to_the_camera_makes_no_strays():
    t, uv, u = way()
    uv[200:] += (6.0, -3.0)
    assert not off_their_way(t, uv, u).any()


def test_a_point_that_jumps_and_stays_is_not_nibbled_at():
    t, uv, u = way()
    uv[100:120, 2] += (0.0, 120.0)
    assert not off_their_way(t, uv, u).any()


def test_what_is_less_sure_may_be_further_off():
    t, uv, u = way()
    uv[100, 2] += (2.0, 0.0)
    u[:, 2] = 1.0
    assert not off_their_way(t, uv, u).any()
