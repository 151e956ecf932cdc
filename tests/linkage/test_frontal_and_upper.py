"""The thin frontal model's signs, and the closure of trunk and arm."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.linkage.frontal import expected_path, foot_shift, knee_path_shift
from fitwright.linkage.upper_body import UpperBody, close_upper, elbow_for_trunk
from fitwright.quantity import Measured

BODY = UpperBody(522, 292, 262)


def test_wider_stance_brings_the_knee_in_over_the_pedal():
    shift = knee_path_shift(spacer_mm=4)
    assert shift.value == pytest.approx(-2.0)
    assert shift.u == pytest.approx(1.0)
    assert foot_shift(spacer_mm=4) == 4
    # cleat outward on the sole: the foot comes in
    assert foot_shift(cleat_z_mm=2) == -2
    assert knee_path_shift(cleat_z_mm=2).value == pytest.approx(-1.0)


def test_range_stays_and_mean_moves():
    now = {"mean": Measured(-10, 1, "mm"), "range": Measured(9, 1, "mm")}
    after = expected_path(now, Measured(-2, 1, "mm"))
    assert after["mean"].value == -12
    assert after["range"] == now["range"]


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
