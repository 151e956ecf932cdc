"""The forecast: what moves what, the leg that was not filmed, and that nothing remembered is wrong."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fitwright.linkage.leg import extremes
from fitwright.plan.findings import find_all
from fitwright.plan.forecast import MOVED_BY, leg_of, make_forecast
from fitwright.quantity import Measured

DELTAS = {
    "saddle_height_mm": -6.0, "saddle_setback_mm": 4.0, "crank_mm": -2.5, "cleat_x_mm_right": -3.0,
    "cleat_psi_deg_left": 3.0, "cleat_z_mm_left": 1.0, "spacer_mm_left": 2.0, "shim_mm_right": 2.0, "hood_y_mm": 10.0,
}  # fmt: skip


def test_what_is_told_again_is_what_a_new_forecast_tells(visit):
    inputs = visit()
    used = make_forecast(inputs, find_all(inputs))
    for name, delta in DELTAS.items():
        used.expected({name: delta})
        used.expected({name: delta, "saddle_height_mm": -2.0})
    fresh = make_forecast(inputs, find_all(inputs))
    assert used.expected(DELTAS) == fresh.expected(DELTAS)
    assert used.expected({}) == {w.id: w.now for w in used.watched}


def test_every_adjustable_that_moves_a_quantity_is_listed(visit):
    """Each quantity with its own cache shut off: a part that is not in its list does not move it."""
    inputs = visit()
    forecast = make_forecast(inputs, find_all(inputs))
    for name, delta in DELTAS.items():
        after = forecast.setting.changed({name: delta})
        for w in forecast.watched:
            quantity = w.key.rsplit(".", 1)[0]
            if quantity in MOVED_BY and forecast.expected({name: delta})[w.id] == w.now:
                told = forecast._worked_out(w, {name: delta}, after)
                assert told.value == pytest.approx(w.now.value, abs=1e-9), (name, w.id)


@pytest.mark.parametrize("longer_mm", [-25.0, 0.0, 25.0])
def test_the_leg_that_was_not_filmed_has_its_own_length_cleat_and_shim(visit, longer_mm):
    """Right filmed; the left leg is 25 mm shorter, equal, 25 mm longer, its cleat 7 mm ahead, its shim 3 mm."""
    inputs = visit()
    contact = replace(inputs.contact, shim_left_mm=3.0)
    inputs = replace(inputs, contact=contact, leg_length_difference_mm=Measured(-longer_mm, 5.0, "mm"))
    right, left = leg_of(inputs, "right"), leg_of(inputs, "left")
    assert left.thigh_mm + left.shank_mm - right.thigh_mm - right.shank_mm == pytest.approx(longer_mm)
    ahead = inputs.cleats["left"].x_mm - inputs.cleats["right"].x_mm
    assert left.axle_to_malleolus_x_mm == pytest.approx(right.axle_to_malleolus_x_mm + ahead)
    assert left.axle_to_malleolus_y_mm == pytest.approx(right.axle_to_malleolus_y_mm + 3.0)
    assert 0 <= extremes(left).low < 80
    assert leg_of(inputs, "both") == right
    assert leg_of(replace(inputs, twins={}), "left") is None


def test_a_shorter_leg_that_would_not_reach_sits_lower(visit):
    inputs = replace(visit(), leg_length_difference_mm=Measured(45.0, 5.0, "mm"))
    assert leg_of(inputs, "left").hip_y_mm < leg_of(inputs, "right").hip_y_mm
