"""Newton–Euler on a pedalling leg: the energy adds up, a leg at rest weighs what it weighs, bad input is named."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.linkage.dynamics import FootLoad, LegMotion, inverse_dynamics, over_time, over_turn
from fitwright.linkage.segments import segment_family
from simulated_leg import pedal_force, pedalling


@pytest.mark.parametrize("family", ["de_leva_female", "de_leva_male", "winter"])
def test_the_energy_adds_up(family):
    """Joints, pedal and hip together change the leg's energy; over a turn the joints give what the pedal takes."""
    motion, axle = pedalling()
    force = pedal_force(len(axle))
    loads = inverse_dynamics(motion, FootLoad(force, axle, np.zeros(len(axle))), 72.0, segment_family(family))
    assert np.abs(loads.unbalanced_w).max() < 1e-6
    given = loads.hip.power_w + loads.knee.power_w + loads.ankle.power_w
    taken = -np.sum(force * over_turn(axle, 60 / 90).rate, axis=1)
    assert given.mean() == pytest.approx(taken.mean(), abs=1e-6)
    assert abs(taken.mean()) > 50


def test_a_leg_at_rest_weighs_what_it_weighs():
    """Hanging still with no pedal: the hip carries the leg's weight; the moment is weight times lever."""
    n, family = 10, segment_family("winter")
    time = np.arange(n) * 0.1

    def still(x, y):
        return over_time(time, np.tile([x, y], (n, 1)))

    motion = LegMotion(still(0, 1), still(0.4, 1), still(0.4, 0.6), still(0.35, 0.55), still(0.55, 0.55))
    zero = np.zeros((n, 2))
    loads = inverse_dynamics(motion, FootLoad(zero, zero, np.zeros(n)), 70.0, family)
    masses = [70 * s.mass for s in family.leg]
    np.testing.assert_allclose(loads.hip.force_n[:, 1], sum(masses) * 9.81)
    lever = np.array([0.4 * 0.433, 0.4, 0.45])
    np.testing.assert_allclose(loads.hip.moment_nm, 9.81 * (np.array(masses) @ lever))
    np.testing.assert_allclose(loads.hip.power_w, 0)


def test_bad_input_is_named():
    motion, axle = pedalling(n=60)
    load = FootLoad(pedal_force(60), axle, np.zeros(60))
    with pytest.raises(InputError, match="mass_kg"):
        inverse_dynamics(motion, load, 7.0, segment_family("winter"))
    with pytest.raises(InputError, match=r"segments.*de_leva_female"):
        segment_family("mine")
    with pytest.raises(InputError, match="does not increase"):
        over_time(np.zeros(9), np.zeros(9))
    with pytest.raises(InputError, match="gap"):
        over_turn(np.array([1, np.nan, 2.0]), 0.7)
    with pytest.raises(InputError, match="too short"):
        over_time(np.arange(3.0), np.zeros(3))
