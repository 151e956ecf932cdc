"""Smoothing: the filter itself, residual analysis, gaps and uneven time."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import butter, filtfilt

from fitwright.motion.smoothing import (
    DOUBLE_PASS,
    butterworth,
    fill_short_gaps,
    residual_analysis,
    smooth,
    smooth_trajectories,
)


def test_filter_is_scipys_filtfilt_with_the_corrected_cutoff() -> None:
    """Against scipy.signal.filtfilt; the correction C = 0.802 after Winter 2009, ch. 3 (from memory)."""
    assert pytest.approx(0.802, abs=5e-4) == DOUBLE_PASS
    x = np.random.default_rng(0).normal(size=(500, 2)).cumsum(axis=0)
    corrected = 100 / np.pi * np.arctan(np.tan(np.pi * 6 / 100) / DOUBLE_PASS)
    b, a = butter(2, corrected, fs=100)
    assert np.abs(butterworth(x, 100, 6) - filtfilt(b, a, x, axis=0))[60:-60].max() < 1e-9


def test_gain_at_the_cutoff_is_minus_three_decibels_without_lag() -> None:
    t = np.arange(0, 40, 0.01)
    y = butterworth(np.sin(2 * np.pi * 6 * t), 100, 6)[1000:-1000]
    x = np.sin(2 * np.pi * 6 * t)[1000:-1000]
    assert (x @ y) / (x @ x) == pytest.approx(2**-0.5, abs=1e-4)
    assert (np.cos(2 * np.pi * 6 * t)[1000:-1000] @ y) / (x @ x) == pytest.approx(0, abs=2e-3)


@pytest.mark.parametrize("sigma", [0.2, 1.0, 3.0])
def test_residual_analysis_finds_the_noise(sigma: float) -> None:
    """Simulated white noise on a pedalling-like signal: the true σ within 5 % (mean of 20 runs; 15 % in each)."""
    t = np.arange(0, 20, 0.01)
    signal = (
        170 * np.sin(2 * np.pi * 1.45 * t)
        + 12 * np.cos(2 * np.pi * 2.9 * t)
        + 2 * np.sin(2 * np.pi * 4.35 * t)
    )
    rng = np.random.default_rng(11)
    found = [residual_analysis(signal + rng.normal(0, sigma, t.size), 100) for _ in range(20)]
    noise = np.array([f.noise for f in found])
    assert noise.mean() == pytest.approx(sigma, rel=0.05)
    assert np.abs(noise / sigma - 1).max() < 0.15
    assert all(3.0 < f.cutoff_hz < 20.0 for f in found)


def test_more_noise_asks_for_a_lower_cutoff() -> None:
    t = np.arange(0, 20, 0.01)
    signal = 170 * np.sin(2 * np.pi * 1.45 * t) + 12 * np.cos(2 * np.pi * 2.9 * t)
    noise = np.random.default_rng(4).normal(size=t.size)
    cutoffs = [residual_analysis(signal + s * noise, 100).cutoff_hz for s in (0.1, 1.0, 5.0)]
    assert cutoffs[0] > cutoffs[1] > cutoffs[2]


def test_short_gaps_are_bridged_and_long_ones_stay() -> None:
    t = np.arange(0, 4, 0.01)
    truth = np.column_stack([np.sin(9 * t), np.cos(9 * t)]) * 170
    x = truth.copy()
    x[100:105] = np.nan  # 0.06 s from seen to seen
    x[200:240] = np.nan
    x[:3] = np.nan
    filled = fill_short_gaps(t, x)
    assert np.abs(filled[100:105] - truth[100:105]).max() < 0.05
    assert np.isnan(filled[200:240]).all()
    assert np.isnan(filled[:3]).all()


def test_uneven_time_is_filtered_at_its_true_moments() -> None:
    """Variable frame rate, simulated: the smooth path lies nearer to the truth than the noise, by half or more."""
    rng = np.random.default_rng(6)
    t = np.cumsum(rng.uniform(0.010, 0.024, 900))
    truth = 170 * np.column_stack([np.sin(9 * t), np.cos(9 * t)])
    out, cutoff, _ = smooth(t, truth + rng.normal(0, 1.0, truth.shape))
    assert 10 < cutoff <= 20
    assert np.sqrt(np.mean((out - truth)[30:-30] ** 2)) < 0.8
    clean, _, _ = smooth(t, truth)
    assert np.abs(clean - truth)[30:-30].max() < 0.3


def test_facts_per_point_are_told(side_film) -> None:
    film = side_film(noise_mm=0.5)
    film.position_mm[50:53, 1] = np.nan
    film.position_mm[200:260, 1] = np.nan
    smoothed, facts = smooth_trajectories(film)
    knee = facts["lateral_femoral_condyle"]
    assert (knee["missing"], knee["bridged"]) == (63, 3)
    assert np.mean([f["noise_mm"] for f in facts.values()]) == pytest.approx(0.5, rel=0.1)
    assert np.isnan(smoothed.position_mm[200:260, 1]).all()
    assert np.isfinite(smoothed.position_mm[:, 0]).all()
