"""Values with uncertainty: against the uncertainties of a Monte Carlo run (JCGM 101) and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError, check_range
from fitwright.quantity import (
    Measured,
    combine,
    difference,
    distinguishable,
    format_pm,
    mdc95,
    probability_within,
    propagate,
    repeated,
    weighted_mean,
)


def test_mdc_of_a_standard_error_of_two_degrees() -> None:
    """1.96 √2 · 2 = 5.54 (formula after Weir 2005, from memory)."""
    assert mdc95(2.0) == pytest.approx(5.54, abs=0.01)


def test_distinguishable_is_the_mdc_rule_for_equal_uncertainty() -> None:
    before = Measured(33.0, 1.0, "deg")
    just_under, just_over = mdc95(1.0) - 0.01, mdc95(1.0) + 0.01
    assert not distinguishable(Measured(33.0 + just_under, 1.0, "deg"), before)
    assert distinguishable(Measured(33.0 + just_over, 1.0, "deg"), before)


def test_difference_refuses_mixed_units() -> None:
    with pytest.raises(ValueError, match="cannot subtract"):
        difference(Measured(1, 0, "mm"), Measured(1, 0, "deg"))


def test_repeated_trials_give_the_standard_error_of_the_mean() -> None:
    trials = [6.0, 8.0, 7.0, 9.0]
    m = repeated(trials, "deg", "goniometer")
    assert m.value == pytest.approx(7.5)
    assert m.u == pytest.approx(np.std(trials, ddof=1) / 2)
    assert repeated(trials, "deg", "", u_single_floor=1.0).u == pytest.approx(combine(m.u, 1.0))


def test_weighted_mean_enlarges_its_uncertainty_when_readings_disagree() -> None:
    close = weighted_mean([Measured(10, 1, "mm"), Measured(10.5, 1, "mm")])
    apart = weighted_mean([Measured(10, 1, "mm"), Measured(20, 1, "mm")])
    assert close.u == pytest.approx(1 / np.sqrt(2))
    assert apart.u == pytest.approx(5.0)


def test_propagation_agrees_with_monte_carlo() -> None:
    """JCGM 101: 200 000 draws through the same function, nearly linear in the spread given."""
    mean, cov = np.array([100.0, 0.3]), np.array([[0.25, 0.002], [0.002, 1e-4]])

    def polar(p: np.ndarray) -> np.ndarray:
        return np.array([p[0] * np.cos(p[1]), p[0] * np.sin(p[1])])

    value, covariance = propagate(polar, mean, cov)
    draws = np.random.default_rng(7).multivariate_normal(mean, cov, 200_000)
    monte_carlo = np.cov(np.array(polar(draws.T)))
    np.testing.assert_allclose(value, polar(mean))
    np.testing.assert_allclose(covariance, monte_carlo, rtol=0.02, atol=0.003)


@given(st.floats(-100, 100), st.floats(0.01, 10))
def test_probability_within_its_own_95_interval(value: float, u: float) -> None:
    m = Measured(value, u, "mm")
    assert probability_within(m, *m.interval95) == pytest.approx(0.95, abs=1e-6)


def test_json_round_trip_and_negative_uncertainty_refused() -> None:
    m = Measured(33.8, 0.55, "deg", "film")
    assert Measured.from_json(m.to_json()) == m
    with pytest.raises(ValueError, match="negative"):
        Measured(1, -1, "mm")


@pytest.mark.parametrize(
    ("m", "text"),
    [
        (Measured(33.84, 0.56, "deg"), "33.8 ± 1.1°"),
        (Measured(186.38, 0.15, "mm"), "186.4 ± 0.3 mm"),
        (Measured(0.4567, 0.025, "1"), "0.46 ± 0.05"),
        (Measured(-0.01, 6.0, "mm"), "0 ± 12 mm"),
        (Measured(-3.2, 0.5, "mm"), "−3.2 ± 1.0 mm"),
        (Measured(87.5, 0.0004, "rpm"), "87.50 ± < 0.01 rpm"),
        (Measured(7.0, 0.0, "deg"), "7.0°"),
    ],
)
def test_printing_rounds_to_what_the_uncertainty_supports(m: Measured, text: str) -> None:
    assert format_pm(m) == text


@pytest.mark.parametrize("value", [17.0, 0.0, float("nan"), float("inf"), -5])
def test_a_value_outside_its_range_names_field_and_range(value: float) -> None:
    with pytest.raises(InputError) as caught:
        check_range("crank_mm", value, 100, 220, "mm")
    assert "crank_mm" in str(caught.value)
    assert "100 to 220 mm" in str(caught.value)
    assert caught.value.to_json()["field"] == "crank_mm"
