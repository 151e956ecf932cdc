"""Circle fits: exact circles, noise, covariance, and points that make no circle."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.motion.circle import algebraic_circle, fit_circle


@given(
    x=st.floats(-500, 500), y=st.floats(-500, 500), r=st.floats(20, 400), start=st.floats(0, 6.2),
    arc=st.floats(1.5, 6.2),
)  # fmt: skip
def test_exact_circle_comes_back(x: float, y: float, r: float, start: float, arc: float) -> None:
    a = np.linspace(start, start + arc, 40)
    circle = fit_circle(x + r * np.cos(a), y + r * np.sin(a))
    assert (circle.x_mm, circle.y_mm, circle.radius_mm) == pytest.approx((x, y, r), abs=1e-5)
    assert circle.residual_sd_mm < 1e-6


def test_covariance_says_how_far_fits_scatter() -> None:
    """Simulated: 400 fits of the same noisy circle scatter by what the covariance claims, within 15 %."""
    rng = np.random.default_rng(3)
    a = np.linspace(0, 4.0, 60)
    fits = []
    for _ in range(400):
        x, y = 170 * np.cos(a) + rng.normal(0, 1, 60), 170 * np.sin(a) + rng.normal(0, 1, 60)
        fits.append(fit_circle(x, y))
    scatter = np.std([(f.x_mm, f.y_mm, f.radius_mm) for f in fits], axis=0)
    claimed = np.sqrt(np.mean([np.diag(f.covariance_mm2) for f in fits], axis=0))
    assert scatter == pytest.approx(claimed, rel=0.15)


def test_unseen_points_are_left_out() -> None:
    a = np.linspace(0, 6, 50)
    x, y = 5 + 100 * np.cos(a), 100 * np.sin(a)
    x[10:20] = np.nan
    circle = fit_circle(x, y)
    assert circle.points == 40
    assert circle.radius_mm == pytest.approx(100)


def test_geometric_fit_beats_the_algebraic_start_on_a_noisy_arc() -> None:
    """The algebraic fit shrinks short noisy arcs; the geometric one must not (simulated, 200 arcs)."""
    rng = np.random.default_rng(5)
    a = np.linspace(0, 1.6, 80)
    plain, fitted = [], []
    for _ in range(200):
        x, y = 170 * np.cos(a) + rng.normal(0, 5, 80), 170 * np.sin(a) + rng.normal(0, 5, 80)
        plain.append(algebraic_circle(x, y)[2])
        fitted.append(fit_circle(x, y).radius_mm)
    assert abs(np.median(fitted) - 170) < 0.3 * abs(np.median(plain) - 170)


@pytest.mark.parametrize(
    ("x", "y"),
    [(np.arange(10.0), np.arange(10.0)), (np.zeros(10), np.zeros(10)), (np.full(10, np.nan), np.zeros(10))],
)
def test_no_circle_is_said(x: np.ndarray, y: np.ndarray) -> None:
    with pytest.raises(InputError, match="path: "):
        fit_circle(x, y)
