"""Percentiles and priors from the reference sample."""

from __future__ import annotations

import pytest

from fitwright.body.reference import ball_of_foot_x, place, prior, reference, span
from fitwright.errors import InputError


def test_the_mean_is_the_middle_and_a_sd_is_84_percent():
    assert place("stature_mm", 1756.2, "M").percentile == pytest.approx(50)
    assert place("stature_mm", 1756.2 + 68.6, "M").percentile == pytest.approx(84.13, abs=0.01)
    assert "soldiers" in place("stature_mm", 1700).sample
    assert "sex not given" in place("stature_mm", 1700).sample


def test_mixture_is_wider_than_either():
    both = reference("stature_mm")
    assert both.mean == pytest.approx((1756.2 + 1628.5) / 2)
    assert both.sd > reference("stature_mm", "M").sd


def test_priors_and_plausibility():
    assert prior("thigh_mm", "F").value == pytest.approx(379.4)
    low, high = span("foot_length_mm", "M")
    assert place("foot_length_mm", low, "M").percentile == pytest.approx(0.1)
    assert place("foot_length_mm", high, "M").percentile == pytest.approx(99.9)
    ball = ball_of_foot_x(270, "M")
    assert ball.value == pytest.approx(200.1, abs=0.1)
    assert ball.u == pytest.approx(4.05, abs=0.01)


def test_unknown_measure_or_sex():
    with pytest.raises(InputError, match="measure"):
        reference("hat_size")
    with pytest.raises(InputError, match="sex"):
        reference("stature_mm", "male")
