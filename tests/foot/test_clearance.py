"""Heel against crank arm and chainstay."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.foot.clearance import Bar, chainstay, crank_arm, heel_clearance

HEEL = np.array([[0.0, 0.0], [15.0, -25.0], [40.0, -31.0]])
CLEAT = np.array([186.0, 0.0])
ARM = crank_arm(172.5, 150.0)


def gap(yaws, outline=HEEL, bars=(ARM,), out=75.0 + 54.0, **more):
    return heel_clearance(outline, CLEAT, out, yaws, 172.5, bars, **more)


def test_gap_of_one_point_by_hand():
    """Foot level, axle ahead (90°), yaw 0: a heel point level with the axle lies beside the arm near the axis."""
    one = gap([0.0], outline=np.array([[40.0, -31.0]]), pitch_deg=0.0, heights_mm=[0.0], step_deg=90.0)
    assert one.crank_deg == 90
    assert one.gap_mm == pytest.approx(129.0 - 31.0 - 75.0)


def test_toe_out_brings_the_heel_nearer():
    gaps = [gap([yaw]).gap_mm for yaw in (0, 5, 10, 15)]
    assert all(a > b for a, b in pairwise(gaps))
    window = gap([2.0, 7.0, 12.0])
    assert (window.yaw_deg, window.gap_mm) == (12.0, gap([12.0]).gap_mm)
    tight = gap([17.0])
    assert not tight.enough
    assert "wanted" in tight.words


def test_brute_force_agrees():
    """Every step, point and level one by one with plain trigonometry."""
    yaw, beta, L, S = np.radians(8.0), np.radians(12.0), 172.5, 129.0
    best = np.inf
    for theta in np.radians(np.arange(0, 360, 3.0)):
        for x, z in HEEL:
            for y in (15.0, 35.0, 60.0):
                ahead = (x - 186) * np.cos(yaw) - z * np.sin(yaw)
                out = S + (x - 186) * np.sin(yaw) + z * np.cos(yaw)
                X = L * np.sin(theta) + ahead * np.cos(beta) + y * np.sin(beta)
                Y = L * np.cos(theta) - ahead * np.sin(beta) + y * np.cos(beta)
                along = np.clip(X * np.sin(theta) + Y * np.cos(theta), 0, L)
                if np.hypot(X - along * np.sin(theta), Y - along * np.cos(theta)) <= 18:
                    best = min(best, out - 75.0)
    assert gap([8.0], pitch_deg=12.0).gap_mm == pytest.approx(best)


def test_chainstay_with_a_wide_rear_end():
    narrow = gap([10.0], bars=(chainstay(410, 70, 20, 60),))
    wide = gap([10.0], bars=(chainstay(410, 70, 20, 90),))
    assert wide.gap_mm < narrow.gap_mm
    assert wide.bar == "chainstay"


def test_nothing_beside_the_heel_is_said():
    nothing = gap([0.0], bars=(Bar("lamp", (900.0, 900.0), (950.0, 900.0), 5.0, 80.0, 80.0),))
    assert nothing.enough
    assert nothing.to_json()["gap_mm"] is None


def test_missing_outline_is_refused():
    with pytest.raises(InputError, match="outline"):
        gap([0.0], outline=np.empty((0, 2)))
    with pytest.raises(InputError, match="crank_mm"):
        crank_arm(17.0, 150.0)
