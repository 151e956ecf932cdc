"""Crank angle, dead centres and cadence."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.motion.crank import (
    TURN,
    angle_from_height,
    cadence_from_crossings,
    cadence_from_slope,
    cadence_from_spectrum,
    crank_from_axle,
    crossings,
    tdc_times,
    times_at_angle,
)


def axle(theta: np.ndarray) -> np.ndarray:
    return 172.5 * np.column_stack([np.sin(theta), np.cos(theta)]) + [40.0, -7.0]


def apart_deg(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return np.degrees((a - b + np.pi) % TURN - np.pi)


def test_angle_centre_and_direction_come_back(even_crank) -> None:
    t = np.arange(0, 10, 1 / 60)
    theta = even_crank(t, 90)
    crank = crank_from_axle(t, axle(theta))
    assert np.abs(apart_deg(crank.theta_rad, theta)).max() < 1e-6
    assert crank.direction == 1
    assert (crank.circle.x_mm, crank.circle.y_mm) == pytest.approx((40, -7))


def test_backward_pedalling_is_seen(even_crank) -> None:
    t = np.arange(0, 10, 1 / 60)
    crank = crank_from_axle(t, axle(-even_crank(t, 90)))
    assert crank.direction == -1
    assert np.all(np.diff(crank.theta_rad) > 0)


def test_less_than_a_turn_is_refused() -> None:
    t = np.arange(0, 1, 0.01)
    with pytest.raises(InputError, match="less than one turn"):
        crank_from_axle(t, axle(5.0 * t))


def test_dead_centres_fall_between_frames(even_crank) -> None:
    """At 30 frames/s a frame is 18° of crank; the moment of TDC must be found to a tenth of a degree."""
    t = np.arange(0, 10, 1 / 30)
    found = tdc_times(t, even_crank(t, 90))
    assert np.abs(apart_deg(even_crank(found, 90), np.zeros(found.size))).max() < 0.1


def test_a_stop_gives_each_angle_one_time() -> None:
    t = np.arange(0, 6, 0.01)
    theta = np.where(t < 2, 5 * t, np.where(t < 4, 10 - 0.3 * (t - 2), 9.4 + 5 * (t - 4)))
    when = times_at_angle(t, theta, np.array([9.0, 9.9, 12.0]))
    assert when[0] == pytest.approx(1.8, abs=1e-3)
    assert when[1] == pytest.approx(1.98, abs=1e-3)
    assert when[2] == pytest.approx(4.52, abs=1e-2)
    assert np.isnan(times_at_angle(t, theta, np.array([99.0]))[0])


def test_height_alone_gives_the_angle(even_crank) -> None:
    """Simulated front view, 0.5 mm noise, uneven pace: 0.5° RMS, no offset."""
    rng = np.random.default_rng(2)
    t = np.arange(0, 20, 1 / 60)
    theta = even_crank(t, 88)
    height = 30 + 172.5 * np.cos(theta) + rng.normal(0, 0.5, t.size)
    error = apart_deg(angle_from_height(t, height), theta)
    assert np.sqrt(np.mean(error**2)) < 0.5
    assert abs(error.mean()) < 0.1


def test_height_that_does_not_move_is_refused() -> None:
    t = np.arange(0, 5, 0.02)
    with pytest.raises(InputError, match="up and down"):
        angle_from_height(t, np.full(t.size, 100.0))


def test_three_ways_to_the_cadence_agree(even_crank) -> None:
    t = np.arange(0, 30, 0.01)
    height = np.cos(even_crank(t, 83.0))
    assert cadence_from_slope(t, even_crank(t, 83.0)) == pytest.approx(83, abs=0.1)
    assert cadence_from_crossings(t, height)[0] == pytest.approx(83, abs=0.05)
    assert cadence_from_spectrum(t, height) == pytest.approx(83, abs=0.1)


def test_crossings_pass_over_unseen_frames() -> None:
    t = np.arange(0, 3, 0.01)
    x = np.sin(2 * np.pi * t + 0.3)
    x[90:100] = np.nan
    assert crossings(t, x).size == 2
    assert crossings(t, x, rising=False).size == 3
