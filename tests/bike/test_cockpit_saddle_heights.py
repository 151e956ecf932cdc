"""Cockpit equation, saddle conventions and start heights."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.bike.cockpit import Cockpit, nearest_parts
from fitwright.bike.contact import ContactPoints
from fitwright.bike.heights import saddle_heights, spread_mm
from fitwright.bike.saddle import height_and_setback, slide_on_rails, to_along, to_xy
from fitwright.errors import InputError

START = Cockpit(560, 390, 73, 20, 110, -6)


def test_stem_square_to_an_upright_steerer_is_level():
    assert Cockpit(560, 390, 73, 0, 0, 0).bar_xy_mm == (390, 560)
    x, y = Cockpit(560, 390, 80, 0, 100, -10).bar_xy_mm
    assert (x, y) == (pytest.approx(490), pytest.approx(560))


def test_spacers_move_the_bar_up_and_back_along_the_steerer():
    (x0, y0), (x1, y1) = START.bar_xy_mm, Cockpit(560, 390, 73, 30, 110, -6).bar_xy_mm
    assert x1 - x0 == pytest.approx(-10 * math.cos(math.radians(73)))
    assert y1 - y0 == pytest.approx(10 * math.sin(math.radians(73)))


def test_nearest_parts_finds_what_exists_and_says_the_miss():
    exact = Cockpit(560, 390, 73, 15, 100, 6).bar_xy_mm
    best = nearest_parts(
        START, exact, stems_mm=[90, 100, 110], stem_angles_deg=[6], spacers_mm=[5, 10, 15, 20]
    )[0]
    assert (best.cockpit.stem_mm, best.cockpit.stem_deg, best.cockpit.spacers_mm) == (100, 6, 15)
    assert best.miss_mm == pytest.approx(0, abs=1e-9)
    far = nearest_parts(
        START, (exact[0] + 80, exact[1]), stems_mm=[100], stem_angles_deg=[6], spacers_mm=[15]
    )
    assert min(r.miss_mm for r in far) > 60
    with pytest.raises(InputError, match="parts"):
        nearest_parts(START, exact, stems_mm=[], stem_angles_deg=[6], spacers_mm=[5])


def test_absurd_cockpit():
    with pytest.raises(InputError, match="head_tube_deg"):
        Cockpit(560, 390, 7, 20, 110, -6)


@given(st.floats(-350, 0), st.floats(500, 900), st.floats(68, 82))
def test_saddle_conventions_round_trip(x, y, angle):
    along = to_along(x, y, angle)
    assert to_xy(along) == (pytest.approx(x, abs=1e-9), pytest.approx(y, abs=1e-9))
    assert math.hypot(along.length_mm, along.offset_mm) == pytest.approx(math.hypot(x, y))


def test_saddle_on_the_seat_tube_line_has_no_offset():
    x, y = -705 * math.cos(math.radians(73.5)), 705 * math.sin(math.radians(73.5))
    along = to_along(x, y, 73.5)
    assert along.length_mm == pytest.approx(705)
    assert along.offset_mm == pytest.approx(0, abs=1e-9)
    assert height_and_setback(x, y) == (pytest.approx(705), pytest.approx(-x))
    height, setback = slide_on_rails(705, -x, 10)
    assert (setback, math.sqrt(height**2 - setback**2)) == (pytest.approx(-x + 10), pytest.approx(y))
    assert ContactPoints(705, -x, 478, 632, 172.5, 148, 53).saddle_xy_mm == (
        pytest.approx(x),
        pytest.approx(y),
    )


def test_start_heights_carry_source_and_limits_and_disagree():
    rules = saddle_heights(850, 172.5, greatest_flexion_deg=111)
    assert all(r.source and r.limits and r.height_mm.u > 0 for r in rules)
    assert 3 < spread_mm(rules[:4]) < 30


@pytest.mark.parametrize("kwargs", [{"inseam_mm": 17}, {"crank_mm": 900}, {"knee_flexion_deg": 90}])
def test_absurd_start_values(kwargs):
    with pytest.raises(InputError):
        saddle_heights(**{"inseam_mm": 850, "crank_mm": 172.5, **kwargs})
