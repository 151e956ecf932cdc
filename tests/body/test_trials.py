"""Repeated readings: mean, SEM, MDC, and what would tell left from right."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from fitwright.body.trials import compare_sides, trials, trials_needed
from fitwright.quantity import Z95

X = [242.0, 245.0, 243.5, 241.0]


def test_sem_and_mdc_against_scipy():
    t = trials(X, "mm", "foot length", u_hand=0.5)
    assert t.mean.value == pytest.approx(np.mean(X))
    assert t.mean.u == pytest.approx(stats.sem(X))
    assert t.mdc95 == pytest.approx(stats.norm.ppf(0.975) * math.sqrt(2) * stats.sem(X))


def test_mdc_is_the_two_times_sem_times_1_96_of_the_paper():
    """MDC95 = SEM · 1.96 · √2 (Weir 2005, from memory): a SEM of 1 gives 2.77."""
    assert trials([10.0], "deg", "x", 1.0).mdc95 == pytest.approx(2.77, abs=0.005)


def test_equal_readings_prove_little_and_the_tool_stays():
    t = trials([250.0] * 9, "mm", "foot length", u_hand=1.5, u_tool=1.0)
    assert t.mean.u == pytest.approx(math.hypot(0.5, 1.0))
    with pytest.raises(ValueError, match="no trial"):
        trials([], "mm", "x", 1)


@given(d=st.floats(0.5, 20), sem=st.floats(0.2, 5), tool=st.floats(0, 2))
def test_the_number_of_trials_is_the_smallest_that_tells(d, sem, tool):
    n = trials_needed(d, sem, tool)
    if n is None:
        assert d <= Z95 * math.sqrt(2) * tool * (1 + 1e-12)
        return

    def told_from(k):
        return Z95 * math.sqrt(2 * (sem**2 / k + tool**2))

    assert told_from(n) <= d * (1 + 1e-9)
    assert n == 1 or told_from(n - 1) > d * (1 - 1e-9)


def test_sides():
    def side(value, n=3):
        return trials([value] * n, "mm", "foot length", 1.5, 1.0)

    far = compare_sides("Foot length", side(242.0), side(250.0))
    assert far.distinguishable
    assert far.words.startswith("right is larger by 8")
    near = compare_sides("Foot length", side(242.0, 1), side(246.0, 1))
    assert not near.distinguishable
    assert near.words.endswith("3 readings on each side could tell")
    same = compare_sides("Foot length", side(242.0), side(242.0))
    assert "more readings would not tell" in same.words
    assert near.told_from == pytest.approx(Z95 * math.sqrt(2) * math.hypot(1.5, 1.0))


@given(a=st.floats(200, 300), b=st.floats(200, 300))
def test_exchanging_the_sides_turns_the_sign_only(a, b):
    one, two = (trials([x], "mm", "x", 1.5, 1.0) for x in (a, b))
    left, right = compare_sides("x", one, two), compare_sides("x", two, one)
    assert left.difference.value == pytest.approx(-right.difference.value)
    assert left.distinguishable == right.distinguishable
