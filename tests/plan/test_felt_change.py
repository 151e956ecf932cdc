"""Pain ratings against the published changes that matter (values from the papers named in the module)."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.plan.felt_change import MDC95_POINTS, SEM_POINTS, comfort_change, pain_change
from fitwright.quantity import mdc95

RATING = st.integers(0, 10)


@pytest.mark.parametrize(
    ("before", "after", "clear", "important"),
    [(4, 4, False, False), (4, 3, False, False), (4, 2, True, True), (6, 4, True, True), (9, 7, True, False),
     (9, 6, True, True), (2, 4, True, True), (10, 7, True, True)],
)  # fmt: skip
def test_two_points_matter_and_three_from_eight_upwards(
    before: int, after: int, clear: bool, important: bool
):
    told = pain_change(before, after)
    assert (told.clear, told.important) == (clear, important)


@given(RATING, RATING)
def test_what_matters_is_always_clear_and_the_words_name_the_direction(before: int, after: int):
    told = pain_change(before, after)
    assert told.clear or not told.important
    assert ("less" in told.words.split(":")[0]) == (after < before)
    assert comfort_change(before, after).important is None


def test_the_standard_error_is_that_of_the_published_detectable_change():
    assert math.isclose(mdc95(SEM_POINTS), MDC95_POINTS, abs_tol=0.01)
