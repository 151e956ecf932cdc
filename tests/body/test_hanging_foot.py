"""Repeated readings of the hanging foot."""

from __future__ import annotations

import math

import pytest

from fitwright.body.hanging_foot import Trial, hanging_foot, hanging_foot_of, side_difference
from fitwright.errors import InputError


def test_mean_and_standard_error():
    h = hanging_foot([9.0, 12.0, 10.5, 14.5])
    spread = math.sqrt(sum((x - 11.5) ** 2 for x in (9.0, 12.0, 10.5, 14.5)) / 3)
    assert h.yaw_deg.value == pytest.approx(11.5)
    assert h.yaw_deg.u == pytest.approx(spread / 2)
    assert h.mdc95_deg == pytest.approx(1.959964 * math.sqrt(2) * spread / 2, rel=1e-5)


def test_equal_readings_do_not_claim_certainty():
    assert hanging_foot([8.0, 8.0, 8.0]).yaw_deg.u == pytest.approx(1 / math.sqrt(3))
    assert hanging_foot([8.0]).yaw_deg.u == pytest.approx(1.0)
    assert hanging_foot([8.0], in_shoe=False).yaw_deg.u > 4


def test_difference_only_when_distinguishable():
    _, same = side_difference(hanging_foot([8, 9, 8]), hanging_foot([9, 8, 9]))
    assert "not distinguishable" in same
    d, words = side_difference(hanging_foot([10.5, 10, 11]), hanging_foot([6, 7, 6.5]))
    assert d.value == pytest.approx(-4.0)
    assert words.startswith("the left foot turns out further")


@pytest.mark.parametrize("readings", [[], [120.0], [float("nan")], [7, -45]])
def test_absurd_readings(readings):
    with pytest.raises(InputError, match="hanging_foot"):
        hanging_foot(readings)


def test_photographs_and_goniometer_are_weighted_by_their_u():
    pair = [Trial(10.0, 1.0), Trial(13.0, 2.0)]
    h = hanging_foot_of(pair)
    assert h.yaw_deg.value == pytest.approx((10 / 1 + 13 / 4) / (1 + 1 / 4))
    assert h.yaw_deg.u == pytest.approx(max(1.0, math.sqrt((0.6**2 + 2.4**2 / 4) / 1)) / math.sqrt(1.25))
    assert hanging_foot_of([Trial(x) for x in (9.0, 12.0)]) == hanging_foot([9.0, 12.0])


def test_the_bare_line_is_carried_over_to_the_shoe_before_both_are_combined():
    """Bare readings share the 4° between the two lines, however many they are (Kouchi 1995)."""
    bare = [Trial(20.0, in_shoe=False)] * 9
    assert hanging_foot_of(bare).yaw_deg.u == pytest.approx(math.hypot(1 / 3, 4))
    both = hanging_foot_of([Trial(10.0), *bare])
    assert 10.0 < both.yaw_deg.value < 11.0
    assert both.mdc95_deg < hanging_foot([10.0]).mdc95_deg


def test_what_would_tell_the_sides_apart():
    _, words = side_difference(hanging_foot([8.0]), hanging_foot([10.0]))
    assert words.endswith("2 readings on each side could tell")
    _, words = side_difference(hanging_foot([8.0]), hanging_foot([8.1]))
    assert "more readings would not tell" in words
