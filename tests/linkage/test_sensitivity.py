"""Derivatives by the complex step against finite differences, and finite moves against the worked figures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.linkage.leg import extremes, solve
from fitwright.linkage.sensitivity import SAGITTAL, moved, sensitivity

CONTACT = ContactPoints(
    705, 705 * math.cos(math.radians(73.5)), 478, 632, 172.5, 148, 53, shim_left_mm=0, shim_right_mm=0
)
ANGLES = ("knee_flexion_deg", "ankle_plantarflexion_deg", "thigh_below_horizontal_deg")


@pytest.mark.parametrize("adjustable", SAGITTAL)
@pytest.mark.parametrize("quantity", ANGLES)
def test_against_finite_differences(worked_leg, adjustable, quantity):
    leg, theta, h = worked_leg(705), np.arange(0.0, 360.0, 7.0), 1e-4
    exact = sensitivity(leg, CONTACT, adjustable, quantity, theta)
    up = getattr(solve(moved(leg, CONTACT, {adjustable: h}), theta), quantity)
    down = getattr(solve(moved(leg, CONTACT, {adjustable: -h}), theta), quantity)
    np.testing.assert_allclose(exact, (up - down) / (2 * h), atol=2e-6)


def test_moved_saddle_is_the_worked_figure(worked_leg):
    """Raising 705 to 710 mm along 73.5° gives the worked figure for 710 mm."""
    assert extremes(moved(worked_leg(705), CONTACT, {"saddle_height_mm": 5})).low == pytest.approx(
        31.34, abs=0.005
    )


def test_cleat_back_straightens_the_leg(worked_leg):
    before = extremes(worked_leg(705)).low
    assert extremes(moved(worked_leg(705), CONTACT, {"cleat_x_mm": -5})).low < before
    assert extremes(moved(worked_leg(705), CONTACT, {"shim_mm": 3})).low > before


def test_unknown_adjustable(worked_leg):
    with pytest.raises(InputError, match="does not act"):
        sensitivity(worked_leg(705), CONTACT, "hood_x_mm", "knee_flexion_deg", [0.0])
    with pytest.raises(InputError, match="does not act"):
        moved(worked_leg(705), CONTACT, {"hood_x_mm": 3})
