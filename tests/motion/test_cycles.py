"""Turns: cutting, sampling, bootstrap."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from fitwright.errors import InputError
from fitwright.motion.cycles import (
    bootstrap_error,
    bootstrap_weights,
    cut_cycles,
    cycle_curve,
    sample,
    small_sample_factor,
    u_of_mean,
    weighted_means,
)
from fitwright.motion.events import extreme, measure_events


def test_turns_and_cadence(even_crank) -> None:
    t = np.arange(0, 12, 1 / 60)
    cycles = cut_cycles(t, even_crank(t, 87))
    assert cycles.count == 16
    assert cycles.dropped == 0
    cadence = cycles.cadence(0.002)
    assert cadence.value == pytest.approx(87, abs=0.02)
    assert 0 < cadence.u < 0.01


def test_bins_hold_the_angle_they_name(even_crank) -> None:
    t = np.arange(0, 12, 1 / 60)
    theta = even_crank(t, 87)
    cycles = cut_cycles(t, theta)
    back = np.degrees(even_crank(cycles.time_s, 87)) % 360
    assert np.abs((back - np.arange(360) + 180) % 360 - 180).max() < 0.05


def test_two_turns_are_too_few(even_crank) -> None:
    t = np.arange(0, 1.7, 1 / 60)
    with pytest.raises(InputError, match="too few whole turns") as caught:
        cut_cycles(t, even_crank(t, 87))
    assert "3 or more" in str(caught.value)


def test_a_rider_who_stops_half_way_loses_only_that_turn(even_crank) -> None:
    t = np.arange(0, 20, 1 / 60)
    moving = np.where(t < 8, t, np.where(t < 12, 8.0, t - 4))
    cycles = cut_cycles(t, even_crank(moving, 87))
    whole = cut_cycles(np.arange(0, 16, 1 / 60), even_crank(np.arange(0, 16, 1 / 60), 87))
    assert cycles.dropped == 1
    assert cycles.count == whole.count - 1
    assert cycles.cadence(0.002).value == pytest.approx(87, abs=0.2)
    assert "stopped" in cycles.notes()[0]


def test_gaps_stay_gaps(even_crank) -> None:
    t = np.arange(0, 12, 1 / 60)
    theta = even_crank(t, 87)
    x = np.sin(theta)
    x[300:315] = np.nan
    cycles = cut_cycles(t, theta)
    turns = sample(t, x[:, None], cycles.time_s)[..., 0]
    hidden = (cycles.time_s > t[299] + 1e-6) & (cycles.time_s < t[315] - 1e-6)
    assert np.isnan(turns[hidden]).all()
    assert np.isfinite(turns[~hidden]).all()
    assert np.abs(turns - np.sin(np.radians(np.arange(360))))[~hidden].max() < 2e-3
    curve = cycle_curve("x", "mm", turns)
    assert np.isfinite(curve.mean).all()  # other turns saw that part


def test_weights_are_whole_turns_and_repeat_with_the_seed() -> None:
    w = bootstrap_weights(20, 100, seed=5)
    assert w.sum(axis=1) == pytest.approx(1)
    assert np.abs(w * 20 - np.round(w * 20)).max() < 1e-9
    assert np.array_equal(w, bootstrap_weights(20, 100, seed=5))
    assert not np.array_equal(w, bootstrap_weights(20, 100, seed=6))


def test_bootstrap_error_of_a_mean_is_sd_over_root_n() -> None:
    """Independent turns (simulated): the mean of many bootstrap errors meets σ/√n within 10 %."""
    rng = np.random.default_rng(9)
    weights = bootstrap_weights(30)
    found = [
        np.std(weighted_means(weights, rng.normal(0, 2, 30))) * small_sample_factor(30) for _ in range(300)
    ]
    assert np.mean(found) == pytest.approx(2 / np.sqrt(30), rel=0.1)


def test_bootstrap_error_without_drawing_is_that_of_the_draws() -> None:
    """Bin by bin, also where some turns lack a bin: against the spread of the drawn means themselves (simulated)."""
    rng = np.random.default_rng(4)
    turns = rng.normal(0, 2, (12, 360)) + np.linspace(0, 30, 360)
    turns[:3, 40:60] = np.nan
    mean = np.nanmean(turns, axis=0)
    drawn = weighted_means(bootstrap_weights(12), turns)
    assert bootstrap_error(turns, mean) == pytest.approx(
        np.sqrt(np.mean((drawn - mean) ** 2, axis=0)), rel=1e-9
    )


def test_extreme_lies_between_bins() -> None:
    theta = np.radians(np.arange(360.0))
    curves = np.stack([60 + 40 * np.cos(theta - np.radians(a)) for a in (0.3, 172.93, 359.6)])
    value, at = extreme(curves, 1, closed=True)
    assert value == pytest.approx([100, 100, 100], abs=1e-6)
    assert at == pytest.approx([0.3, 172.93, 359.6], abs=1e-3)


def test_extreme_of_a_turn_that_was_hardly_seen_is_unknown() -> None:
    curve = np.cos(np.radians(np.arange(360.0)))[None].copy()
    curve[0, 100:130] = np.nan
    assert np.isnan(extreme(curve, 1, closed=False)[0][0])


def test_an_offset_leaves_the_range_and_a_slope_does_not() -> None:
    turns = np.tile(60 + 40 * np.cos(np.radians(np.arange(360.0))), (10, 1))
    offset = measure_events(turns, "deg", "", np.full((1, 360), 2.0))
    assert offset["min"].u == pytest.approx(2)
    assert offset["range"].u == pytest.approx(0, abs=1e-9)
    stretch = measure_events(turns, "deg", "", 0.01 * (turns[:1] - 60))
    assert stretch["range"].u == pytest.approx(0.8, abs=1e-6)
    assert stretch["max"].u == pytest.approx(0.4, abs=1e-6)


@pytest.mark.parametrize("turns", [3, 4, 6, 10, 30])
def test_intervals_of_a_mean_over_few_turns_hold_it(turns: int) -> None:
    """Turns drawn independently: ± 1.96 u holds the true mean in about 95 %, also when they are only three."""
    rng = np.random.default_rng(6)
    weights = bootstrap_weights(turns)
    inside = []
    for _ in range(1500):
        x = rng.normal(0, 2, turns)
        u = u_of_mean(float(np.std(weighted_means(weights, x))), float(x.std(ddof=1)), turns)
        inside.append(abs(x.mean()) <= 1.96 * u)
    assert 0.91 <= np.mean(inside) <= 0.99


def test_student_is_what_scipy_has() -> None:
    """Without the bootstrap's part it is Student's interval of a mean (scipy.stats) over 1.96."""
    x = np.array([1.0, 4.0, 2.5, 3.0])
    low, high = stats.t.interval(0.95, 3, loc=x.mean(), scale=stats.sem(x))
    assert 2 * 1.959964 * float(u_of_mean(0.0, float(x.std(ddof=1)), 4)) == pytest.approx(
        high - low, rel=1e-4
    )
