"""A wish that cannot be bolted: which part of it is kept, and what it costs."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.foot.convex import inside, nearest_in_polygon
from fitwright.foot.hardware import feasible_polygon, reach, system
from fitwright.foot.reach import trade_offs

PATTERN = (185.0, 0.0)
NARROW = replace(system("three_bolt_narrow"), turn_limit_deg=5.0)
M1, M5 = np.array([201.0, -38.0]), np.array([172.0, 44.0])
P = (M1 + M5) / 2


def wish(psi, z):
    """The first setting of the worked figure in the module `start`: the axle under P at this yaw."""
    return P[0] + (z - P[1]) * math.tan(math.radians(psi)), z, psi


def test_a_wish_that_can_be_bolted_is_the_only_way():
    (only,) = trade_offs(NARROW, PATTERN, wish(4, 1.0), P)
    assert only.keeps == "wish"
    assert only.axle_ahead_mm == pytest.approx(0, abs=1e-9)
    assert "reachable" in only.words


def test_a_place_too_far_out_alone_keeps_the_axle_by_geometry():
    (best,) = trade_offs(NARROW, PATTERN, wish(4, 8.0), P)
    assert best.keeps == "axle"
    assert best.axle_ahead_mm == pytest.approx(0, abs=1e-9)
    x, z = best.pose.x_mm, best.pose.z_mm
    assert x == pytest.approx(P[0] + (z - P[1]) * math.tan(math.radians(4.0)))
    assert "mm short outward" in best.words
    assert "under the wished point" in best.words


def test_too_much_rotation_and_too_far_out_slides_to_hold_the_axle():
    best, *others = trade_offs(NARROW, PATTERN, wish(9, 8.0), P)
    assert best.keeps == "axle"
    assert best.axle_ahead_mm == pytest.approx(0, abs=1e-9)
    rotation = next(t for t in others if t.keeps == "rotation")
    assert abs(rotation.axle_ahead_mm) > 0.05
    assert np.hypot(*rotation.pose.missing[:2]) < np.hypot(*best.pose.missing[:2])


def test_too_much_rotation_may_keep_the_place_or_the_axle():
    found = trade_offs(NARROW, PATTERN, wish(9, 1.0), P)
    assert {t.keeps for t in found} == {"rotation", "axle", "place"}
    place = next(t for t in found if t.keeps == "place")
    assert place.pose.missing[:2] == pytest.approx([0, 0], abs=1e-6)
    assert "short of turning the nose inward" in place.words


def test_a_wish_far_away_gets_as_near_as_it_can():
    found = trade_offs(NARROW, PATTERN, (230.0, 0.0, 0.0), (230.0, 0.0))
    best = found[0]
    assert best.keeps == "axle"
    assert best.axle_ahead_mm == pytest.approx(-37.5)
    assert "as near to the wished point as it gets" in best.words
    assert "37.5 mm behind the wished point" in best.words
    assert "place" not in {t.keeps for t in found}


@settings(max_examples=60, deadline=None)
@given(st.floats(-12, 12), st.floats(-12, 12), st.floats(-8, 8))
def test_every_way_can_be_bolted_and_none_keeps_the_axle_better_than_the_first(psi, z, shift):
    x, z, psi = wish(psi, z)
    found = trade_offs(NARROW, PATTERN, (x, z, psi), np.add(P, (shift, 0.0)))
    for t in found:
        polygon = feasible_polygon(NARROW, PATTERN, t.pose.psi_deg)
        place = np.array([t.pose.x_mm, t.pose.z_mm])
        assert inside(polygon, place) or math.dist(nearest_in_polygon(polygon, place), place) < 1e-6
        assert abs(found[0].axle_ahead_mm) <= max(abs(t.axle_ahead_mm), 0.05) + 1e-9


def test_rotation_first_is_what_reach_gives():
    w = wish(9, 8.0)
    rotation = next(t for t in trade_offs(NARROW, PATTERN, w, P) if t.keeps == "rotation")
    plain = reach(NARROW, PATTERN, w)
    assert (rotation.pose.x_mm, rotation.pose.z_mm, rotation.pose.psi_deg) == (
        plain.x_mm, plain.z_mm, plain.psi_deg,
    )  # fmt: skip
    assert rotation.to_json()["pose"]["exact"] is False


def test_no_pose_is_refused():
    with pytest.raises(InputError, match="psi_c_deg"):
        trade_offs(NARROW, PATTERN, (185, 0, math.inf), P)
