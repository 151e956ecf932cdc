"""First setting of a cleat: fore-aft, lateral and rotation solved together.

The axle shall cross the segment M1–M5 at the fraction λ at the foot's own yaw φ. With P = M1 + λ (M5 − M1) and
lateral setting z_c: x_c = x_P + (z_c − z_P) tan φ. λ = 0.5 as a first setting is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import axle_fraction, to_bike
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.quantity import Floats, Measured, propagate

LAMBDA_RANGE = (-0.5, 1.5)
YAW_RANGE_DEG = (-30.0, 40.0)
RULES = (
    (0.0, "axle under M1 (common practice, no source)"),
    (0.5, "axle midway between M1 and M5 (common practice, no source)"),
    (1.0, "axle under M5 (common practice, no source)"),
)


@dataclass(frozen=True)
class StartSetting:
    """A cleat pose to begin with.

    Attributes: cleat, with covariance; fraction λ; yaw φ used; point P under which the axle runs, sole frame mm;
    axle_x_mm, X(P) as a check (0); others: what other common rules would give on this foot.
    """

    cleat: CleatPose
    fraction: float
    yaw: Measured
    point_mm: tuple[float, float]
    axle_x_mm: float
    others: tuple[tuple[str, float], ...]

    def to_json(self) -> dict[str, Any]:
        """Plain numbers for the hand, `measured` with uncertainty."""
        return {
            "x_c_mm": self.cleat.x_mm, "z_c_mm": self.cleat.z_mm, "psi_c_deg": self.cleat.psi_deg,
            "measured": {k: m.to_json() for k, m in self.cleat.measured().items()},
            "lambda": self.fraction, "yaw_deg": self.yaw.to_json(), "point_mm": list(self.point_mm),
            "axle_x_mm": self.axle_x_mm, "others": [{"rule": r, "x_c_mm": x} for r, x in self.others],
        }  # fmt: skip


def start_setting(
    m1: SolePoint, m5: SolePoint, yaw: Measured, lateral_mm: float, fraction: float = 0.5,
    u_setting_mm: float = 0.0,
) -> StartSetting:  # fmt: skip
    """x, z and ψ for wanted λ and yaw.

    Args:
        m1, m5: in the sole frame. yaw: unloaded toe-out angle of the foot, deg; ψ is set to it.
        lateral_mm: wanted z of the cleat centre. u_setting_mm: how exactly a hand sets it.

    Raises:
        InputError: outside the allowed ranges, or M1 behind M5, or marks swapped.
    """
    _check(m1, m5, yaw, lateral_mm, fraction)

    def solve(v: Floats) -> Floats:
        return np.array([_solve_x(v[:2], v[2:4], float(v[4]), float(v[5]), fraction), v[5], v[4]])

    mean = np.array([m1.x_mm, m1.z_mm, m5.x_mm, m5.z_mm, yaw.value, lateral_mm])
    covariance = np.zeros((6, 6))
    covariance[:2, :2], covariance[2:4, 2:4] = m1.covariance_mm2, m5.covariance_mm2
    covariance[4, 4], covariance[5, 5] = yaw.u**2, u_setting_mm**2
    pose, cov = propagate(solve, mean, covariance)
    cleat = CleatPose(float(pose[0]), float(pose[1]), float(pose[2]), cov, "start setting")
    point = m1.xz + fraction * (m5.xz - m1.xz)
    ahead = float(to_bike(point[None], pose[:2], yaw.value)[0, 0])
    others = tuple(
        (rule, _solve_x(m1.xz, m5.xz, yaw.value, lateral_mm, lam)) for lam, rule in RULES if lam != fraction
    )
    return StartSetting(cleat, fraction, yaw, (float(point[0]), float(point[1])), ahead, others)


def _solve_x(m1: Floats, m5: Floats, yaw_deg: float, lateral_mm: float, fraction: float) -> float:
    p = m1 + fraction * (m5 - m1)
    return float(p[0] + (lateral_mm - p[1]) * math.tan(math.radians(yaw_deg)))


def _check(m1: SolePoint, m5: SolePoint, yaw: Measured, lateral_mm: float, fraction: float) -> None:
    for name, p in (("m1", m1), ("m5", m5)):
        check_range(f"{name} x", p.x_mm, 80, 350, "mm from the heel")
        check_range(f"{name} z", p.z_mm, -90, 90, "mm, outward positive")
    check_range("lambda", fraction, *LAMBDA_RANGE, "(0 under M1, 1 under M5)")
    check_range("yaw", yaw.value, *YAW_RANGE_DEG, "deg, toe-out positive")
    check_range("lateral", lateral_mm, -40, 40, "mm, outward positive")
    if m1.z_mm >= m5.z_mm:
        raise InputError(
            "m1, m5", "M1 must lie further inward than M5", value=f"z {m1.z_mm:g} and {m5.z_mm:g}",
            allowed="z of M1 less than z of M5", hint="z grows outward on both feet; are the marks swapped?",
        )  # fmt: skip
    if m1.x_mm <= m5.x_mm:
        raise InputError(
            "m1, m5", "M1 lies behind M5", value=f"x {m1.x_mm:g} and {m5.x_mm:g}",
            allowed="x of M1 greater than x of M5", hint="x is measured from the heel; are the marks swapped?",
        )  # fmt: skip


def fraction_of(setting: CleatPose, m1: SolePoint, m5: SolePoint, yaw_deg: float | None = None) -> float:
    """λ that a cleat pose gives at a yaw (default: the middle of its float)."""
    return axle_fraction(m1.xz, m5.xz, setting.vector[:2], setting.psi_deg if yaw_deg is None else yaw_deg)
