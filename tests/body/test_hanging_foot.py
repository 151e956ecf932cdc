"""Repeated readings of the hanging foot."""

from __future__ import annotations

import math

import pytest

from fitwright.body.hanging_foot import hanging_foot, side_difference
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
