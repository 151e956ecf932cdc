"""What can be bolted, what is missing, and the float window."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.foot.convex import nearest_in_polygon
from fitwright.foot.float_window import check_float
from fitwright.foot.hardware import (
    CATALOGUE,
    CleatSystem,
    feasible_polygon,
    largest_turn_deg,
    reach,
    system,
)
from fitwright.quantity import Measured

PATTERN = (185.0, 0.0)


def area(polygon):
    x, z = polygon.T
    return abs(np.sum(x * np.roll(z, -1) - z * np.roll(x, -1))) / 2


def test_unturned_region_is_the_slots_play():
    polygon = feasible_polygon(system("three_bolt_narrow"), PATTERN, 0.0)
    assert polygon.min(axis=0) == pytest.approx([177.5, -3.5])
    assert polygon.max(axis=0) == pytest.approx([192.5, 3.5])


@pytest.mark.parametrize("key", [s.key for s in CATALOGUE])
def test_turning_leaves_less_room(key):
    """The play of the slots alone: sliding bolts add the same stretch at every rotation."""
    cleat = replace(system(key), sole_slide_half_mm=0.0)
    limit = largest_turn_deg(cleat)
    areas = [area(feasible_polygon(cleat, PATTERN, psi)) for psi in np.linspace(0, 0.99 * limit, 5)]
    assert all(a > b for a, b in pairwise(areas))
    assert len(feasible_polygon(cleat, PATTERN, limit + 0.5)) == 0


@given(st.floats(-8, 8), st.floats(-1, 1), st.floats(-1, 1))
def test_every_pose_inside_lets_every_bolt_into_its_slot(psi, a, b):
    """Brute force: put the cleat somewhere in the polygon and look where each bolt lies in the cleat's own frame."""
    cleat = system("three_bolt_wide")
    polygon = feasible_polygon(cleat, PATTERN, psi)
    if len(polygon) == 0:
        return
    middle = polygon.mean(axis=0)
    c = middle + a * (polygon[0] - middle) * 0.99 + b * (polygon[1] - polygon[0]) * 0.004
    c = nearest_in_polygon(polygon, c)
    turn = np.radians(psi)
    axes = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    bolts = (np.array(cleat.bolts_mm) + PATTERN - c) @ axes.T - np.array(cleat.bolts_mm)
    assert np.all(np.abs(bolts) <= np.array([cleat.slot_half_x_mm, cleat.slot_half_z_mm]) + 1e-6)


def test_wish_inside_is_kept_and_wish_outside_is_said_in_words():
    cleat = system("three_bolt_narrow")
    assert reach(cleat, PATTERN, (186.0, 1.0, 0.0)).exact
    short = reach(cleat, PATTERN, (175.1, 0.0, 0.0))
    assert short.words == "2.4 mm short towards the heel"
    assert (short.x_mm, short.z_mm) == pytest.approx((177.5, 0.0))
    turned = reach(cleat, PATTERN, (185.0, 5.0, 14.0))
    assert turned.psi_deg < 14
    assert "short of turning the nose inward" in turned.words
    assert "mm short outward" in turned.words


@given(st.floats(150, 220), st.floats(-20, 20), st.floats(-9, 9), st.floats(0.1, 5))
def test_projection_is_nearest_and_monotone(x, z, psi, step):
    """No polygon corner is nearer than the projection, and a wish moved on outward never comes nearer."""
    cleat = system("two_bolt")
    here = reach(cleat, PATTERN, (x, z, psi))
    wish = np.array([x, z])
    gap = np.linalg.norm(wish - [here.x_mm, here.z_mm])
    assert gap <= np.linalg.norm(here.polygon_mm - wish, axis=1).min() + 1e-9
    if gap > 1e-6:
        away = wish + step * (wish - [here.x_mm, here.z_mm]) / gap
        further = reach(cleat, PATTERN, (*away, psi))
        assert [further.x_mm, further.z_mm] == pytest.approx([here.x_mm, here.z_mm], abs=1e-6)


def test_bad_measures_are_named():
    good = system("two_bolt").to_json()
    CleatSystem(**good)
    for field, value in (
        ("stack_mm", -3),
        ("float_in_deg", 90),
        ("slot_half_x_mm", float("nan")),
        ("bolts_mm", ()),
    ):
        with pytest.raises(InputError, match=field):
            CleatSystem(**{**good, field: value})
    with pytest.raises(InputError, match="three_bolt_wide"):
        system("unknown")
    with pytest.raises(InputError, match="x_c_mm"):
        reach(system("two_bolt"), PATTERN, (float("nan"), 0, 0))


@pytest.mark.parametrize(
    ("low", "high", "state", "words"),
    [
        (5.0, 9.0, "inside", "2.5° are left to toe-in and 2.5° to toe-out"),
        (3.0, 6.0, "near an end", "0.5° are left on the toe-in side"),
        (6.0, 12.0, "touches an end", "0.5° too early on the toe-out side"),
        (1.0, 12.0, "touches an end", "more than the whole float"),
    ],
)
def test_float_window(low, high, state, words):
    check = check_float(
        Measured(7, 0.3, "deg"), 4.5, 4.5, Measured(low, 0.5, "deg"), Measured(high, 0.5, "deg")
    )
    assert check.window_deg == (2.5, 11.5)
    assert check.state == state
    assert words in check.words
    assert check.margin_in_deg.u == pytest.approx(np.hypot(0.3, 0.5))


def test_an_end_that_is_too_near_to_be_sure_is_called_near():
    yaw = Measured(9.5, 1.5, "deg")
    check = check_float(Measured(7, 0.3, "deg"), 4.5, 4.5, yaw, yaw)
    assert check.state == "near an end"
    assert "2.0 ± 3.0° are left on the toe-out side, too near to be sure" in check.words


def test_float_range_the_wrong_way_round_is_refused():
    with pytest.raises(InputError, match="yaw range"):
        check_float(Measured(7, 0, "deg"), 3, 3, Measured(9, 0, "deg"), Measured(5, 0, "deg"))


def test_a_slot_without_play_projects_onto_its_line():
    cleat = replace(system("three_bolt_fixed"), slot_half_z_mm=0.0)
    beyond = reach(cleat, PATTERN, (200.0, 0.0, 0.0))
    assert (beyond.x_mm, beyond.z_mm) == pytest.approx((192.5, 0.0))
    assert beyond.words == "7.5 mm short towards the toe"
