"""The leg's closed form: time for 10⁶ poses, and against a generic rigid-body engine on the same poses.

The engine is driven as one would drive it from Python: set joint angles, forward kinematics, Jacobian of the pedal
axle, Newton's step, until the axle and the pitch of the sole are met.
"""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from bench.measurement import Measurement, Row, Unavailable, seconds
from fitwright.linkage.leg import LegPose, pose_arrays
from fitwright.quantity import Floats

POSES = 1_000_000
BY_ENGINE = 2_000
MET_MM = 1e-9


def random_poses(n: int, seed: int, legs: int) -> dict[str, Floats]:
    """n poses within reach, of as many different legs; mm and deg, the names of `pose_arrays`."""
    rng = np.random.default_rng(seed)
    low_high = {
        "thigh": (380, 460), "shank": (390, 470), "a": (90, 150), "b": (80, 130), "crank": (150, 185),
        "hip_x": (-240, -150), "hip_y": (560, 660),
    }  # fmt: skip
    of = np.arange(n) % legs
    out = {name: rng.uniform(low, high, legs)[of] for name, (low, high) in low_high.items()}
    return out | {"beta_deg": rng.uniform(-10, 40, n), "theta_deg": rng.uniform(0, 360, n)}


class EngineLeg:
    """One planar leg in the engine (metres, plane x–y, hinges about z): hip, knee, ankle, and the axle as a site."""

    def __init__(self, thigh: float, shank: float, a: float, b: float, hip_x: float, hip_y: float) -> None:
        import mujoco

        m = 0.001
        part = '<inertial pos="0 0 0" mass="1" diaginertia="1 1 1"/><joint type="hinge" axis="0 0 1"/>'
        self.model = mujoco.MjModel.from_xml_string(
            '<mujoco><compiler angle="radian"/><worldbody>'
            f'<body pos="{hip_x * m!r} {hip_y * m!r} 0">{part}'
            f'<body name="knee" pos="{thigh * m!r} 0 0">{part}'
            f'<body name="malleolus" pos="{shank * m!r} 0 0">{part}'
            f'<site name="axle" pos="{a * m!r} {-b * m!r} 0"/>'
            "</body></body></body></worldbody></mujoco>"
        )
        self.data = mujoco.MjData(self.model)
        self._do = mujoco
        self._jacobian = np.zeros((3, 3))

    def set(self, joints_rad: Sequence[float] | Floats) -> None:
        """Forward kinematics at hip, knee and ankle angle."""
        self.data.qpos[:] = joints_rad
        self._do.mj_kinematics(self.model, self.data)
        self._do.mj_comPos(self.model, self.data)

    def at(self, name: str) -> Floats:
        """(2,) x, y in mm of "knee", "malleolus" or "axle"."""
        place = self.data.site(name) if name == "axle" else self.data.body(name)
        return 1000 * np.array(place.xpos[:2])

    def reach(self, axle_mm: Floats, pitch_deg: float, start_rad: Floats) -> Floats:
        """The joint angles that bring the axle and the sole's pitch where they shall be, by Newton's method."""
        q = start_rad.copy()
        for _ in range(50):
            self.set(q)
            left = np.append(axle_mm * 0.001 - self.data.site_xpos[0, :2], -np.radians(pitch_deg) - q.sum())
            if np.abs(left).max() < MET_MM * 0.001:
                return q
            self._do.mj_jacSite(self.model, self.data, self._jacobian, None, 0)
            q = q + np.linalg.solve(np.vstack([self._jacobian[:2], np.ones(3)]), left)
        raise RuntimeError("the engine's Newton steps did not close the leg")


def joints_rad(pose: LegPose) -> Floats:
    """(n, 3) the engine's joint angles of our poses: thigh down, knee back, sole square on the shank at 90°."""
    return np.radians(
        np.stack(
            [-pose.thigh_below_horizontal_deg, -pose.knee_flexion_deg, 90 - pose.ankle_plantarflexion_deg],
            axis=-1,
        )
    )


def engine_leg(poses: Mapping[str, Any], i: int) -> EngineLeg:
    """The engine's leg of pose i."""
    return EngineLeg(*(float(poses[name][i]) for name in ("thigh", "shank", "a", "b", "hip_x", "hip_y")))


def time_and_engine() -> list[Row]:
    """10⁶ poses of 1000 legs; the engine on 2000 of them (one leg, so that its model is built once)."""
    many = random_poses(POSES, 1, 1000)
    pose_arrays(**many)
    ours = seconds(lambda: pose_arrays(**many), 9)
    pose = pose_arrays(**many)
    closure = max(
        float(np.nanmax(np.abs(np.hypot(pose.knee_x - x, pose.knee_y - y) - many[length])))
        for x, y, length in (
            (pose.hip_x, pose.hip_y, "thigh"),
            (pose.malleolus_x, pose.malleolus_y, "shank"),
        )
    )
    rows = [
        Row(
            "10⁶ random poses of 1000 legs", 1000 * ours, "ms", "≤ 70", "axle, malleolus, knee, three angles"
        ),
        Row("lengths kept to", closure / 1000, "m", "≤ 1e-12"),
    ]
    try:
        import mujoco
    except ImportError:
        raise Unavailable(
            "the rigid-body engine is not installed (it comes with the test requirements)"
        ) from None
    few = random_poses(BY_ENGINE, 2, 1)
    pose = pose_arrays(**few)
    engine = engine_leg(few, 0)
    near = joints_rad(pose) + np.random.default_rng(3).normal(0, 0.05, (BY_ENGINE, 3))
    axle = np.stack([pose.axle_x, pose.axle_y], axis=-1)
    start = time.perf_counter()
    found = np.array([engine.reach(axle[i], few["beta_deg"][i], near[i]) for i in range(BY_ENGINE)])
    theirs = (time.perf_counter() - start) / BY_ENGINE
    apart = float(np.degrees(np.abs(found - joints_rad(pose)).max()))
    return [
        *rows,
        Row("engine's inverse kinematics over ours, per pose", theirs / (ours / POSES), "times", "≥ 150",
            f"rigid-body engine {mujoco.__version__} from Python, Newton from 3° off, {1e6 * theirs:.0f} µs a pose, "
            f"{BY_ENGINE} poses"),
        Row("greatest difference of a joint angle", apart, "deg", "≤ 1e-6", "ours against the engine's"),
    ]  # fmt: skip


MEASUREMENTS = (Measurement("leg", "The leg: a million poses, and a rigid-body engine", time_and_engine),)
