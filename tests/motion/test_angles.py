"""Angles: signs, planes and invariances."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from fitwright.motion.angles import flexion, included, joint_angles, toe_out

STRAIGHT = {
    "greater_trochanter": np.array([0.0, 900.0]), "lateral_femoral_condyle": np.array([0.0, 500.0]),
    "lateral_malleolus": np.array([0.0, 100.0]), "heel": np.array([-50.0, 20.0]),
    "fifth_metatarsal": np.array([120.0, 20.0]), "acromion": np.array([0.0, 1400.0]),
    "elbow": np.array([0.0, 1100.0]), "wrist": np.array([0.0, 850.0]),
}  # fmt: skip


def test_standing_straight_is_all_zero() -> None:
    angles = joint_angles(STRAIGHT)
    for name in ("knee_flexion", "hip_flexion", "elbow_flexion", "shoulder_flexion", "sole_pitch",
                 "ankle_plantarflexion"):  # fmt: skip
        assert angles[name] == pytest.approx(0, abs=1e-9), name
    assert angles["trunk_inclination"] == pytest.approx(90)
    assert angles["thigh_to_horizontal"] == pytest.approx(-90)


def test_signs() -> None:
    heel_up = joint_angles({**STRAIGHT, "heel": np.array([-50.0, 60.0])})
    assert heel_up["sole_pitch"] > 0
    assert heel_up["ankle_plantarflexion"] > 0
    assert joint_angles({**STRAIGHT, "acromion": np.array([300.0, 1300.0])})["hip_flexion"] > 30
    assert joint_angles({**STRAIGHT, "wrist": np.array([200.0, 1000.0])})["elbow_flexion"] > 0
    forward, outward_right = np.array([0.0, 0, 0]), np.array([1.0, 0, 0.1])
    assert toe_out(forward, outward_right, "right") == pytest.approx(5.71, abs=0.01)
    assert toe_out(forward, outward_right, "left") == pytest.approx(-5.71, abs=0.01)


@given(angle=st.floats(0, 180), seed=st.integers(0, 1000))
def test_included_angle_does_not_care_how_the_picture_is_turned(angle: float, seed: int) -> None:
    """Against scipy.spatial.transform: vectors turned by a known angle, then both by a random rotation."""
    turn = Rotation.random(random_state=seed)
    a = turn.apply([3.0, 0, 0])
    b = turn.apply(Rotation.from_euler("z", angle, degrees=True).apply([7.0, 0, 0]))
    assert included(a, b) == pytest.approx(angle, abs=1e-6)


def test_plane_and_space_agree_in_the_plane() -> None:
    rng = np.random.default_rng(0)
    a, b, c = rng.normal(size=(3, 50, 2))
    flat = [np.column_stack([p, np.zeros(50)]) for p in (a, b, c)]
    assert flexion(a, b, c) == pytest.approx(flexion(*flat))
