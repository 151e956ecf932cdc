"""The worked leg, and simulated rides of a known leg."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from fitwright.linkage.leg import THETA_DEG, pitch_deg, pose_arrays
from fitwright.linkage.twin import LegTwin
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Measured

COORDINATES = ("hip_x", "hip_y", "knee_x", "knee_y", "malleolus_x", "malleolus_y", "axle_x", "axle_y")


@pytest.fixture(scope="session")
def worked_leg() -> Callable[[float], LegTwin]:
    """The worked leg at a saddle height: hip = saddle point along 73.5° + (10, 75) mm."""

    def make(saddle_mm: float) -> LegTwin:
        r = math.radians(73.5)
        return LegTwin(
            405, 420, 125, 105, 172.5, -saddle_mm * math.cos(r) + 10, saddle_mm * math.sin(r) + 75, 15.0,
            (-12 * math.cos(math.radians(300)), 0.0), (-12 * math.sin(math.radians(300)), 0.0),
        )  # fmt: skip

    return make


@pytest.fixture(scope="session")
def simulated_ride() -> Callable[..., RideResult]:
    """A simulated side ride of a known leg, with a little hip movement and noise."""

    def make(leg: LegTwin, side: str = "right", noise_mm: float = 0.4, seed: int = 1) -> RideResult:
        rng = np.random.default_rng(seed)
        t = np.deg2rad(THETA_DEG)
        pose = pose_arrays(
            thigh=leg.thigh_mm, shank=leg.shank_mm, a=leg.axle_to_malleolus_x_mm, b=leg.axle_to_malleolus_y_mm,
            crank=leg.crank_mm, hip_x=leg.hip_x_mm + 3 * np.cos(t), hip_y=leg.hip_y_mm + 5 * np.sin(2 * t),
            beta_deg=pitch_deg(leg.pitch_mean_deg, leg.pitch_cos_deg, leg.pitch_sin_deg, THETA_DEG),
            theta_deg=THETA_DEG,
        )  # fmt: skip

        def curve(name: str, unit: str, values: np.ndarray, noise: float) -> CycleCurve:
            noisy = values + rng.normal(0, noise, 360)
            return CycleCurve(name, unit, noisy, np.full(360, 1.5), np.full(360, 4.0), 20)

        curves = {n: curve(n, "mm", getattr(pose, n), noise_mm) for n in COORDINATES}
        curves["sole_pitch"] = curve("sole_pitch", "deg", pose.pitch_deg, 0.2)
        curves["knee_flexion"] = curve("knee_flexion", "deg", pose.knee_flexion_deg, 0.1)
        return RideResult(
            "side", Measured(87, 0.3, "rpm"), {side: 20}, {side: {}}, {side: curves},
            {"dimension": "2-D", "state": "dynamic"},
        )  # fmt: skip

    return make
