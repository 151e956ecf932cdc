"""A simulated front film: knees on known paths outward of pedals that turn, and the side film of that leg."""

from __future__ import annotations

import numpy as np

from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Measured
from simulated_side import leg_at, theta_of

KNEE_OUT = {"right": (-8.0, 4.0), "left": (-3.0, -10.0)}
"""Mean and cosine of the knee's place outward of the pedal, mm."""


def front_place(name: str, times: np.ndarray, ahead_mm: float) -> np.ndarray:
    """(T, 3) mm of a pedal, or of a patella that lies `ahead_mm` ahead of its knee."""
    side = name.split("_")[1]
    sign, angle = (1.0, theta_of(times)) if side == "right" else (-1.0, theta_of(times) + np.pi)
    leg = leg_at(angle)
    if name.startswith("pedal"):
        return np.column_stack([leg["pedal_axle"], np.full(len(times), sign * 128.0)])
    along = leg["greater_trochanter"] - leg["lateral_malleolus"]
    ahead = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.linalg.norm(along, axis=1, keepdims=True)
    mean, cosine = KNEE_OUT[side]
    return np.column_stack([leg["lateral_femoral_condyle"] + ahead_mm * ahead,
                            sign * (128.0 + mean + cosine * np.cos(angle))])  # fmt: skip


def side_twin() -> RideResult:
    """What the side film tells of this leg, without error."""
    pose = leg_at(np.radians(np.arange(360.0)))
    short = {"greater_trochanter": "hip", "lateral_femoral_condyle": "knee", "lateral_malleolus": "malleolus"}
    zero = np.zeros(360)
    curves = {f"{s}_{a}": CycleCurve(f"{s}_{a}", "mm", pose[n][:, i], zero, zero, 20)
              for n, s in short.items() for i, a in enumerate("xy")}  # fmt: skip
    return RideResult("side", Measured(88, 0.01, "rpm"), {"right": 20}, {"right": {}}, {"right": curves}, {})
