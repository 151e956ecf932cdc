"""The closure of trunk and arm."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.linkage.upper_body import UpperBody, close_upper, elbow_for_trunk

BODY = UpperBody(522, 292, 262)


@given(st.floats(5, 80), st.floats(430, 520), st.floats(560, 700))
def test_upper_body_closes(elbow, hand_x, hand_y):
    hip = (-190.0, 770.0)
    try:
        pose = close_upper(BODY, hip, (hand_x, hand_y), elbow)
    except InputError:
        return
    s, e = pose.shoulder_xy_mm, pose.elbow_xy_mm
    assert math.dist(hip, s) == pytest.approx(522)
    assert math.dist(s, e) == pytest.approx(292)
    assert math.dist(e, (hand_x, hand_y)) == pytest.approx(262)
    assert s[1] > hip[1] - 200
    back = elbow_for_trunk(BODY, hip, (hand_x, hand_y), pose.trunk_inclination_deg)
    assert back == pytest.approx(elbow, abs=1e-5)


def test_lower_bar_lowers_the_trunk():
    high = close_upper(BODY, (-190, 770), (478, 650), 20)
    low = close_upper(BODY, (-190, 770), (478, 630), 20)
    assert low.trunk_inclination_deg < high.trunk_inclination_deg


def test_unreachable_bar_says_by_how_much():
    with pytest.raises(InputError, match=r"cannot reach the bar: \d+ mm short"):
        close_upper(BODY, (-190, 770), (1200, 650), 10)
    with pytest.raises(InputError, match="no elbow joins"):
        elbow_for_trunk(BODY, (-190, 770), (478, 650), 170)
