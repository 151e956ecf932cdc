"""Sole frame, cleat pose and the axle under the foot."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.foot.frame import (
    axle_fraction,
    axle_under_foot,
    cleat_marks,
    cleat_pose,
    from_sole,
    read_sole,
    to_bike,
    to_sole,
)
from fitwright.foot.sole import SoleReading
from fitwright.quantity import Measured

MARKS = {
    "heel_centre": (0.0, 0.0), "toe": (281.0, 0.0), "m1": (201.0, -38.0), "m5": (172.0, 44.0),
    "cleat_nose": (222.0, -3.0), "cleat_tail": (152.4, 5.5), "datum_1": (215.0, -28.0),
}  # fmt: skip
coordinate = st.floats(-300, 300)
angle = st.floats(-179, 179)


def plane_points(foot, marks=None, turn_deg=0.0, shift=(0.0, 0.0), below=True):
    """Marks as they lie in a picture's plane (x right, y down): an explicit drawing, heel below."""
    lateral_right = (foot == "right") != below
    xy = np.array([[(z if lateral_right else -z), -x] for x, z in (marks or MARKS).values()])
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return xy @ np.array([[c, s], [-s, c]]) + np.array(shift)


def read(foot="left", marks=None, u=0.1, **place):
    marks = marks or MARKS
    xy = plane_points(foot, marks, **place)
    return read_sole(foot, list(marks), xy, np.eye(2 * len(marks)) * u**2)


@pytest.mark.parametrize("foot", ["left", "right"])
def test_a_sole_seen_from_below_gives_the_same_numbers_for_both_feet(foot):
    reading = read(foot, turn_deg=33, shift=(12, -70))
    assert reading.length_mm.value == pytest.approx(281.0)
    for name in ("m1", "m5"):
        assert reading.landmarks[name].xz == pytest.approx(MARKS[name])
    assert reading.datums["datum_1"].xz == pytest.approx(MARKS["datum_1"])
    psi = math.degrees(math.atan2(8.5, 69.6))
    assert reading.cleat.vector == pytest.approx([187.2, 1.25, psi])


def test_left_sole_from_below_has_its_outer_side_on_the_right_of_the_picture():
    m5_right_of_m1 = plane_points("left")[3, 0] > plane_points("left")[2, 0]
    assert m5_right_of_m1
    xz = to_sole(np.array([[10.0, -5.0]]), np.zeros(2), np.array([0.0, -1.0]), "left")
    assert xz[0] == pytest.approx([5.0, 10.0])
    above = to_sole(np.array([[10.0, -5.0]]), np.zeros(2), np.array([0.0, -1.0]), "left", from_below=False)
    assert above[0] == pytest.approx([5.0, -10.0])


@given(coordinate, coordinate, angle, st.sampled_from(["left", "right"]), st.booleans())
def test_round_trip_plane_sole(x, y, turn, foot, below):
    heel = np.array([3.0, 7.0])
    toe = heel + 280 * np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    p = np.array([[x, y]])
    assert from_sole(to_sole(p, heel, toe, foot, below), heel, toe, foot, below) == pytest.approx(p, abs=1e-9)


@given(angle, coordinate, coordinate)
def test_mirrored_picture_of_the_other_foot_gives_the_same_reading(turn, dx, dy):
    left = read("left", turn_deg=turn, shift=(dx, dy))
    mirrored = plane_points("left", turn_deg=turn, shift=(dx, dy)) * [-1, 1]
    right = read_sole("right", list(MARKS), mirrored, np.eye(2 * len(MARKS)) * 0.01)
    assert right.cleat.vector == pytest.approx(left.cleat.vector, abs=1e-9)
    assert right.landmarks["m5"].xz == pytest.approx(left.landmarks["m5"].xz, abs=1e-9)
    assert right.cleat.u == pytest.approx(left.cleat.u, rel=1e-6)


@given(st.floats(120, 230), st.floats(-10, 10), st.floats(-15, 25))
def test_cleat_pose_from_its_marks_and_back(x, z, psi):
    nose, tail = cleat_marks(x, z, psi, 35, 35)
    assert cleat_pose(nose, tail) == pytest.approx([x, z, psi], abs=1e-9)


def test_toe_out_at_mid_float_turns_the_cleats_nose_inward_on_the_sole():
    nose, tail = cleat_marks(187, 0, 7, 35, 35)
    assert nose[1] < 0 < tail[1]
    ahead = to_bike(np.array([nose]), np.array([187.0, 0.0]), 7.0)[0]
    assert ahead == pytest.approx([35.0, 0.0])  # at yaw = ψ the cleat points straight ahead on the bike


def test_axle_marks_place_the_centre_where_their_line_crosses_the_long_axis():
    nose, tail = cleat_marks(190, 2, 0, 30, 45)
    pose = cleat_pose(nose, tail, np.array([190.0, -25.0]), np.array([190.0, 28.0]))
    assert pose == pytest.approx([190.0, 2.0, 0.0])
    assert cleat_pose(nose, tail)[0] == pytest.approx(182.5)


def test_axle_fraction_of_the_worked_figure():
    m1, m5 = np.array([201.0, -38.0]), np.array([172.0, 44.0])
    assert axle_fraction(m1, m5, np.array([186.377, 2.0]), 7.0) == pytest.approx(0.5, abs=1e-4)
    with pytest.raises(InputError, match="parallel"):
        axle_fraction(np.array([190.0, -40.0]), np.array([190.0, 40.0]), np.array([180.0, 0.0]), 0.0)


def test_axle_under_foot_carries_uncertainty():
    lam = axle_under_foot(read(u=0.5), Measured(7.0, 1.0, "deg"))
    assert 0.3 < lam.value < 0.7
    assert 0.005 < lam.u < 0.1
    with pytest.raises(InputError, match="cleat"):
        axle_under_foot(read(marks={k: MARKS[k] for k in ("heel_centre", "toe", "m1", "m5")}))


def test_covariance_of_the_reading_agrees_with_monte_carlo():
    """JCGM 101: 20 000 draws through exact geometry against first-order propagation (simulated)."""
    u = 0.4
    stated = read(u=u)
    rng = np.random.default_rng(0)
    xy = plane_points("left")[None] + rng.normal(0, u, (20_000, len(MARKS), 2))
    heel, toe, m1, nose, tail = (
        xy[:, list(MARKS).index(k)] for k in ("heel_centre", "toe", "m1", "cleat_nose", "cleat_tail")
    )
    x = (toe - heel) / np.linalg.norm(toe - heel, axis=1, keepdims=True)
    z = np.column_stack([-x[:, 1], x[:, 0]])

    def sole(p):
        return np.column_stack([np.sum((p - heel) * x, axis=1), np.sum((p - heel) * z, axis=1)])

    assert np.std(sole(m1), axis=0) == pytest.approx(
        np.sqrt(np.diag(stated.landmarks["m1"].covariance_mm2)), rel=0.03
    )
    along = sole(nose) - sole(tail)
    psi = np.degrees(np.arctan2(-along[:, 1], along[:, 0]))
    pose = np.column_stack([(sole(nose) + sole(tail)) / 2, psi])
    assert np.cov(pose.T) == pytest.approx(stated.cleat.covariance, rel=0.06, abs=0.004)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"m1": MARKS["m5"], "m5": MARKS["m1"]}, "look swapped"),
        ({"m1": (201.0, 44.0), "m5": (172.0, -38.0)}, "looks like the right sole"),
        ({"m1": (160.0, -38.0)}, "M1 lies behind M5"),
        ({"cleat_nose": MARKS["cleat_tail"], "cleat_tail": MARKS["cleat_nose"]}, "nose lies behind"),
        ({"toe": (90.0, 0.0)}, "unlikely length"),
    ],
)
def test_contradictory_marks_are_refused(change, words):
    with pytest.raises(InputError, match=words):
        read(marks={**MARKS, **change})


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["heel_centre", "m1"], "toe is missing"),
        (["heel_centre", "toe", "cleat_nose"], "cleat_tail is missing"),
        (["heel_centre", "toe", "big_toe"], "unknown point 'big_toe'"),
        (["heel_centre", "toe", "axle_inner", "axle_outer"], "axle marks without"),
    ],
)
def test_missing_and_unknown_points_are_named(names, words):
    with pytest.raises(InputError, match=words):
        read_sole("left", names, np.zeros((len(names), 2)), np.eye(2 * len(names)))


def test_reading_survives_json():
    reading = read()
    again = SoleReading.from_json(reading.to_json())
    assert again.to_json() == reading.to_json()
