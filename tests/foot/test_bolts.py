"""The shoe's bolt pattern, from bolts that were seen or a cleat that was found."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from fitwright.errors import InputError
from fitwright.foot.bolts import BOLTS, pattern_from_bolts, pattern_from_cleats
from fitwright.foot.hardware import feasible_polygon, system
from fitwright.foot.sole import CleatPose, SolePoint

THREE = system("three_bolt_wide")


def seen(points, u=0.2, names=BOLTS):
    return {
        n: SolePoint(float(x), float(z), u**2 * np.eye(2)) for n, (x, z) in zip(names, points, strict=False)
    }


@given(st.floats(150, 220), st.floats(-10, 10), st.floats(-8, 8))
def test_bolts_put_by_scipys_rotation_are_found_again(x, z, turn):
    """ψ grows when the nose turns inward (−z): about the upward axis of (x, z) that is Rotation by −ψ."""
    plane = np.column_stack([np.array(THREE.bolts_mm), np.zeros(3)])
    points = Rotation.from_euler("z", -turn, degrees=True).apply(plane)[:, :2] + [x, z]
    found = pattern_from_bolts(THREE, seen(points))
    assert found.xz == pytest.approx((x, z), abs=1e-6)
    assert found.turn_deg.value == pytest.approx(turn, abs=1e-6)
    assert found.residual_mm < 1e-6


def test_u_of_the_pattern_against_monte_carlo():
    rng = np.random.default_rng(4)
    truth = np.add(THREE.bolts_mm, (185, 2))
    found = [pattern_from_bolts(THREE, seen(truth + rng.normal(0, 0.2, (3, 2)))) for _ in range(400)]
    spread = np.std([[f.x.value, f.z.value, f.turn_deg.value] for f in found], axis=0, ddof=1)
    told = pattern_from_bolts(THREE, seen(truth))
    assert spread == pytest.approx([told.x.u, told.z.u, told.turn_deg.u], rel=0.12)


def test_two_of_three_bolts_are_enough_and_one_is_not():
    points = np.add(THREE.bolts_mm, (185, 2))
    assert pattern_from_bolts(THREE, seen(points[:2])).xz == pytest.approx((185, 2))
    assert pattern_from_bolts(THREE, seen(points[:1])) is None


def test_bolts_of_another_pattern_are_refused_by_name():
    with pytest.raises(
        InputError, match=r"bolt_1, bolt_2, bolt_3: they miss the pattern of “three bolts, ± 4.5°”"
    ):
        pattern_from_bolts(THREE, seen([(210, 0), (210, -14), (160, 14)]))


def test_a_sliding_plate_widens_x_only():
    two = system("two_bolt")
    found = pattern_from_bolts(two, seen(np.add(two.bolts_mm, (180, 0))))
    assert found.x.u > two.sole_slide_half_mm / np.sqrt(3) - 1e-9
    assert found.z.u < 0.3


@pytest.mark.parametrize("psi", [0.0, 5.0, -8.0])
def test_inferred_from_a_cleat_every_place_in_the_slots_is_covered(psi):
    """Whatever place in its slots the cleat was bolted at, the inferred centre ± 2 u holds the true one."""
    truth = np.array([185.0, 1.0])
    for place in feasible_polygon(THREE, truth, psi):
        found = pattern_from_cleats(THREE, [CleatPose(*place, psi, np.diag([0.04, 0.04, 0.04]))])
        assert np.all(np.abs(np.array(found.xz) - truth) < 2 * np.array([found.x.u, found.z.u]))
        assert "inferred" in found.source


def test_a_cleat_that_sat_in_two_places_tells_more():
    truth, spread = np.array([185.0, 1.0]), np.diag([0.04, 0.04, 0.04])
    front, back = (CleatPose(185.0 + d, 1.0, 0.0, spread) for d in (7.0, -6.0))
    one, both = pattern_from_cleats(THREE, [front]), pattern_from_cleats(THREE, [front, back])
    assert both.x.u < 0.3 * one.x.u
    assert abs(both.x.value - truth[0]) < 2 * both.x.u
    apart = pattern_from_cleats(THREE, [front, CleatPose(160.0, 1.0, 0.0, spread)])
    assert apart.x.u > 2  # no pattern lets both be true: the gap stays open


@given(st.floats(-6, 6), st.floats(-5, 5))
def test_a_turned_pattern_turns_the_region(psi, turn):
    straight = feasible_polygon(THREE, (0, 0), psi - turn)
    turned = feasible_polygon(THREE, (0, 0), psi, turn)
    assert len(straight) == len(turned)
    if len(straight):
        plane = np.column_stack([straight, np.zeros(len(straight))])
        expected = Rotation.from_euler("z", -turn, degrees=True).apply(plane)[:, :2]
        assert turned == pytest.approx(expected, abs=1e-9)
