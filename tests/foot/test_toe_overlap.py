"""Shoe against front wheel: the formula, a brute-force search in three dimensions, and measured bicycles."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fitwright.errors import InputError
from fitwright.foot.toe_overlap import FrontEnd, straight_clearance, toe_cap, toe_overlap

ROAD = FrontEnd(585.0, 68.0, 338.0, 28.0, 73.0, 45.0)
SHOE = np.array([[95.0, 127.0], [80.0, 95.0], [80.0, 155.0], [40.0, 80.0]])
LEVELS = (10.0, 30.0)


def test_the_formula_by_hand():
    F = math.sqrt(585.0**2 - 68.0**2)
    by_hand = math.sqrt((F - 172.5) ** 2 + 68.0**2) - 338.0 - 95.0
    assert straight_clearance(ROAD, 172.5, 95.0) == pytest.approx(by_hand)
    assert straight_clearance(ROAD, 172.5, 100.0) == pytest.approx(
        by_hand - 5
    )  # cleat back by 5: shoe 5 further


def test_a_point_in_the_wheels_plane_agrees_with_the_formula():
    """A shoe that is a point at the axle's level, in the mid-plane, pointing at the wheel as the formula has it."""
    low = FrontEnd(585.0, 0.0, 338.0, 28.0, 73.0, 45.0)  # axles level: the formula's direction is X
    found = toe_overlap(low, 172.5, np.array([[60.0, 0.0]]), [0.0], steer_deg=0, pitch_deg=0, step_deg=0.25)
    assert found.straight_mm == pytest.approx(straight_clearance(low, 172.5, 60.0), abs=0.01)


def sampled(front, crank, shoe, steer, pitch):
    """The tyre as a cloud of points turned by scipy about the steering axis; distance to each shoe point."""
    gamma = math.radians(front.head_angle_deg)
    axis = np.array([-math.cos(gamma), math.sin(gamma), 0.0])
    round_, tube = np.meshgrid(np.linspace(0, 2 * np.pi, 2400), np.linspace(0, 2 * np.pi, 60))
    r = front.tyre_width_mm / 2
    major = front.radius_mm - r + r * np.cos(tube)
    centre = np.array([front.ahead_mm, front.axle_above_bb_mm, 0.0])
    tyre = centre + np.stack(
        [major * np.cos(round_), major * np.sin(round_), r * np.sin(tube)], axis=-1
    ).reshape(-1, 3)
    pivot = centre - front.fork_offset_mm * np.array([math.sin(gamma), math.cos(gamma), 0.0])
    turned = pivot + Rotation.from_rotvec(-math.radians(steer) * axis).apply(tyre - pivot)
    best = np.inf
    for theta in np.arange(40, 141, 5.0):
        t, b = math.radians(theta), math.radians(pitch)
        for x, w in shoe:
            for y in LEVELS:
                point = [
                    crank * math.sin(t) + x * math.cos(b) + y * math.sin(b),
                    crank * math.cos(t) - x * math.sin(b) + y * math.cos(b), w,
                ]  # fmt: skip
                best = min(best, float(np.linalg.norm(turned - point, axis=1).min()))
    return best


@pytest.mark.parametrize("steer", [-12.0, 0.0, 8.0])
def test_one_steering_angle_against_points_on_the_tyre(steer):
    """Only that angle: the sweep is held by comparing the gap at it with a cloud of 144 000 points."""
    from fitwright.foot import toe_overlap as module

    theta = np.arange(40, 141, 5.0)
    points = module._shoe_points(SHOE, LEVELS, theta, 165.0, 10.0)
    ours = float(module._gaps(ROAD, points, *ROAD.wheel(np.array([steer]))).min())
    assert ours == pytest.approx(sampled(ROAD, 165.0, SHOE, steer, 10.0), abs=0.4)


def test_turning_away_from_the_foot_brings_the_tyre_to_it():
    found = toe_overlap(ROAD, 172.5, np.add(SHOE, (10.0, 0.0)), LEVELS, steer_deg=30)
    assert found.steer_deg < 0
    assert found.gap_mm < found.straight_mm
    assert found.touches_deg is not None
    assert found.gap_mm < 0
    back = toe_overlap(ROAD, 172.5, SHOE, LEVELS, steer_deg=30)
    assert back.gap_mm > found.gap_mm
    assert back.touches_deg is None


def test_straight_ahead_nothing_touches_on_a_long_bike():
    long = FrontEnd(700.0, 68.0, 338.0, 28.0, 68.0, 45.0)
    found = toe_overlap(long, 165.0, SHOE, LEVELS, steer_deg=20)
    assert found.touches_deg is None
    assert found.to_json()["gap_mm"] > 0


@pytest.mark.parametrize("name", ["Browser", "Crescendo", "Stratos", "Yellow"])
def test_measured_bicycles(outside_data, name):
    """Steering axis and wheel of four measured bicycles: their published trail, and the wheel's contact turned.

    Moore et al., BicycleParameters (see the data's README): trail from roll-out radius, head angle and fork offset.
    """
    data = json.loads((outside_data / "bicycle-geometry" / "expected.json").read_text())[name]
    mm = {k: 1000 * v for k, v in data.items() if k.endswith("_m")}
    F = mm["wheelbase_m"] - mm["bb_ahead_of_rear_axle_m"]
    d = mm["front_radius_m"] - mm["bb_height_m"]
    front = FrontEnd(
        math.hypot(F, d), d, mm["front_radius_m"], 37.0, data["head_angle_deg"], mm["fork_offset_m"]
    )
    assert front.ahead_mm == pytest.approx(F)
    assert front.trail_mm == pytest.approx(mm["trail_m"], abs=0.1)
    centre, normal = front.wheel(np.array([0.0, 25.0]))
    assert centre[0] == pytest.approx([F, d, 0.0])
    # Turned, the distance from the wheel's centre to the steering axis stays the fork offset.
    gamma = math.radians(data["head_angle_deg"])
    axis = np.array([-math.cos(gamma), math.sin(gamma), 0.0])
    ground = -mm["bb_height_m"]
    on_axis = np.array([F + mm["trail_m"] + 0.0, ground, 0.0])  # the axis meets the ground one trail ahead
    away = np.linalg.norm(np.cross(centre - on_axis, axis), axis=1)
    assert away == pytest.approx([mm["fork_offset_m"]] * 2, abs=0.1)
    assert normal[1] @ axis == pytest.approx(0, abs=1e-9)
    assert centre[1, 2] > 0  # turned to the right, the front axle goes right


def test_the_toe_cap_spans_ball_and_toe():
    cap = toe_cap(281.0)
    assert cap[:, 0].max() == pytest.approx(281.0)
    assert (cap[0, 1], cap[-1, 1]) == pytest.approx((-42.0, 46.0))


def test_absurd_front_ends_are_named():
    with pytest.raises(InputError, match="head_angle_deg"):
        FrontEnd(585, 68, 338, 28, 7.3, 45)
    with pytest.raises(InputError, match="steer_deg"):
        toe_overlap(ROAD, 172.5, SHOE, LEVELS, steer_deg=200)
