"""Derivatives by every adjustable against finite differences of the finite moves themselves."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.linkage.derivatives import ADJUSTABLES, FRONTAL, HANDS, LEG_ANGLES, Rider, derivatives
from fitwright.linkage.frontal import FrontalChange, first_frontal, path_change
from fitwright.linkage.leg import solve
from fitwright.linkage.sensitivity import SAGITTAL, moved
from fitwright.linkage.upper_body import UpperBody, close_upper, inclination_deg, trunk_arrays
from fitwright.plan.adjustables import KINDS

CONTACT = ContactPoints(705, 705 * math.cos(math.radians(73.5)), 478, 632, 172.5, 148, 53)
UPPER = UpperBody(522, 292, 262)
H = 1e-3


def rider(leg) -> Rider:
    return Rider(leg, CONTACT, first_frontal(127.0, 2.0), UPPER, 18.0)


def test_there_is_one_for_everything_that_can_be_turned():
    assert set(ADJUSTABLES) == set(KINDS)


@pytest.mark.parametrize("adjustable", ADJUSTABLES)
def test_against_finite_differences(worked_leg, adjustable):
    leg = worked_leg(705)
    exact = derivatives(rider(leg), adjustable)

    def at(step: float) -> dict[str, np.ndarray]:
        after = moved(leg, CONTACT, {adjustable: step}) if adjustable in SAGITTAL else leg
        seen = {a: getattr(solve(after), a) for a in LEG_ANGLES}
        field = {"spacer_mm": "spacer_mm", "cleat_z_mm": "cleat_z_mm", "cleat_psi_deg": "yaw_deg"}.get(
            adjustable
        )
        frontal = rider(leg).frontal
        seen["knee_path_mm"] = path_change(
            frontal, leg, after, FrontalChange(**({field: step} if field else {}))
        )[0]
        hand = (478 + step * (adjustable == "hood_x_mm"), 632 + step * (adjustable == "hood_y_mm"))
        pose = close_upper(UPPER, (after.hip_x_mm, after.hip_y_mm), hand, 18.0)
        seen["trunk_inclination_deg"] = np.array([pose.trunk_inclination_deg])
        return seen

    up, down = at(H), at(-H)
    for quantity, value in up.items():
        found = (value - down[quantity]) / (2 * H)
        np.testing.assert_allclose(exact.get(quantity, 0.0), found, atol=3e-6, err_msg=quantity)
    assert any(np.abs(v).max() > 1e-3 for v in exact.values())


@pytest.mark.parametrize("adjustable", [*FRONTAL, *HANDS])
def test_what_is_not_moved_is_left_out(worked_leg, adjustable):
    found = derivatives(rider(worked_leg(705)), adjustable)
    assert set(found) == ({"knee_path_mm"} if adjustable in FRONTAL else {"trunk_inclination_deg"})
    assert derivatives(Rider(worked_leg(705), CONTACT), adjustable) == {}


def test_unknown_adjustables_and_short_arms_are_refused(worked_leg):
    with pytest.raises(InputError, match="adjustable"):
        derivatives(rider(worked_leg(705)), "mood_mm")
    far = Rider(worked_leg(705), CONTACT, None, UpperBody(300, 200, 180))
    with pytest.raises(InputError, match="hands"):
        derivatives(far, "hood_x_mm")


def test_many_riders_and_bars_at_once_are_each_what_they_are_alone():
    """Trunks (3, 1) against hands (4,); where the hands do not reach there is no number."""
    trunk, hand = np.array([[480.0], [522.0], [560.0]]), np.array([600.0, 660.0, 700.0, 1200.0])
    tx, ty = trunk_arrays(trunk, UPPER.arm_mm(18), hand, -140.0)
    angle = inclination_deg(trunk, tx, ty)
    assert angle.shape == (3, 4)
    assert np.isnan(angle[:, 3]).all()
    for i in range(3):
        for j in range(3):
            one = close_upper(UpperBody(trunk[i, 0], 292, 262), (0, 0), (hand[j], -140.0), 18)
            assert angle[i, j] == pytest.approx(one.trunk_inclination_deg, abs=1e-10)
