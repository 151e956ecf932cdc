"""First setting of a cleat: fore-aft, lateral and rotation solved together.

The axle shall run under a point P of the sole at the foot's own yaw φ. With lateral setting z_c:
x_c = x_P + (z_c − z_P) tan φ. Mostly P = M1 + λ (M5 − M1); λ = 0.5 as a first setting is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import axle_fraction, check_across, to_bike
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.quantity import Floats, Measured, propagate

LAMBDA_RANGE = (-0.5, 1.5)
YAW_RANGE_DEG = (-30.0, 40.0)
LATERAL_RANGE_MM = (-40.0, 40.0)


@dataclass(frozen=True)
class Place:
    """Where on the sole the axle shall run: P = m1·M1 + m5·M5, then towards the heel by `back_mm` and by
    `back_share` of the foot's length."""

    m1: float
    m5: float
    back_mm: float = 0.0
    back_share: float = 0.0

    @staticmethod
    def between(fraction: float) -> Place:
        """On the line M1–M5: 0 under M1, 1 under M5."""
        return Place(1.0 - fraction, fraction)

    @property
    def fraction(self) -> float | None:
        """λ when it lies on the line M1–M5, else None."""
        return self.m5 if self == Place.between(self.m5) else None

    def point(self, m1: Floats, m5: Floats, length_mm: float = 0.0) -> Floats:
        """(2,) P in the sole frame, mm."""
        back = np.array([self.back_mm + self.back_share * length_mm, 0.0])
        return np.asarray(self.m1 * m1 + self.m5 * m5 - back, dtype=np.float64)


@dataclass(frozen=True)
class StartSetting:
    """A cleat pose to begin with.

    Attributes: cleat, with covariance; fraction λ where the axle then crosses M1–M5 at yaw φ; yaw φ used; point P
    under which the axle runs, sole frame mm; axle_x_mm, X(P) as a check (0); priors: what was not measured on this
    rider but taken from a population, in words.
    """

    cleat: CleatPose
    fraction: float
    yaw: Measured
    point_mm: tuple[float, float]
    axle_x_mm: float
    priors: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain numbers for the hand, `measured` with uncertainty."""
        return {
            "x_c_mm": self.cleat.x_mm, "z_c_mm": self.cleat.z_mm, "psi_c_deg": self.cleat.psi_deg,
            "measured": {k: m.to_json() for k, m in self.cleat.measured().items()},
            "lambda": self.fraction, "yaw_deg": self.yaw.to_json(), "point_mm": list(self.point_mm),
            "axle_x_mm": self.axle_x_mm, "priors": list(self.priors),
        }  # fmt: skip


def start_setting(
    m1: SolePoint, m5: SolePoint, yaw: Measured, lateral_mm: float, fraction: float = 0.5,
    u_setting_mm: float = 0.0,
) -> StartSetting:  # fmt: skip
    """x, z and ψ for wanted λ and yaw; see `start_at`."""
    check_range("lambda", fraction, *LAMBDA_RANGE, "(0 under M1, 1 under M5)")
    return start_at(m1, m5, yaw, lateral_mm, Place.between(fraction), u_setting_mm=u_setting_mm)


def start_at(
    m1: SolePoint, m5: SolePoint, yaw: Measured, lateral_mm: float, place: Place, *,
    length: Measured | None = None, u_setting_mm: float = 0.0,
) -> StartSetting:  # fmt: skip
    """x, z and ψ that bring the axle under a place of the sole.

    Args:
        m1, m5: in the sole frame. yaw: unloaded toe-out angle of the foot, deg; ψ is set to it.
        lateral_mm: wanted z of the cleat centre. length: of the foot, mm, where the place asks for a share of it.
        u_setting_mm: how exactly a hand sets it.

    Raises:
        InputError: outside the allowed ranges, M1 behind M5, marks swapped, or no foot length where it is needed.
    """
    _check(m1, m5, yaw, lateral_mm)
    if place.back_share and length is None:
        raise InputError("foot length", "is needed for a share of it", hint="Measure it at station Body")
    long = length or Measured(0.0, 0.0, "mm")

    def solve(v: Floats) -> Floats:
        point = place.point(v[:2], v[2:4], float(v[6]))
        return np.array([x_under(point, float(v[4]), float(v[5])), v[5], v[4]])

    mean = np.array([m1.x_mm, m1.z_mm, m5.x_mm, m5.z_mm, yaw.value, lateral_mm, long.value])
    covariance = np.zeros((7, 7))
    covariance[:2, :2], covariance[2:4, 2:4] = m1.covariance_mm2, m5.covariance_mm2
    covariance[4:, 4:] = np.diag([yaw.u**2, u_setting_mm**2, long.u**2])
    pose, cov = propagate(solve, mean, covariance)
    cleat = CleatPose(float(pose[0]), float(pose[1]), float(pose[2]), cov, "start setting")
    point = place.point(m1.xz, m5.xz, long.value)
    ahead = float(to_bike(point[None], pose[:2], yaw.value)[0, 0])
    fraction = place.fraction
    if fraction is None:
        fraction = axle_fraction(m1.xz, m5.xz, pose[:2], yaw.value)
    return StartSetting(cleat, fraction, yaw, (float(point[0]), float(point[1])), ahead)


def x_under(point: Floats, yaw_deg: float, lateral_mm: float) -> float:
    """x_c that brings the axle under a point of the sole at this yaw and lateral setting, mm."""
    return float(point[0] + (lateral_mm - point[1]) * math.tan(math.radians(yaw_deg)))


def _check(m1: SolePoint, m5: SolePoint, yaw: Measured, lateral_mm: float) -> None:
    for name, p in (("m1", m1), ("m5", m5)):
        check_range(f"{name} x", p.x_mm, 80, 350, "mm from the heel")
        check_range(f"{name} z", p.z_mm, -90, 90, "mm, outward positive")
    check_range("yaw", yaw.value, *YAW_RANGE_DEG, "deg, toe-out positive")
    check_range("lateral", lateral_mm, *LATERAL_RANGE_MM, "mm, outward positive")
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
    check_across(m1.z_mm, m5.z_mm)


def axle_given(cleat: CleatPose, m1: SolePoint, m5: SolePoint, yaw_deg: float) -> Measured:
    """λ of a cleat whose place is known exactly, at a yaw: how sure it is comes from the marks alone."""
    covariance = np.zeros((4, 4))
    covariance[:2, :2], covariance[2:, 2:] = m1.covariance_mm2, m5.covariance_mm2
    value, cov = propagate(
        lambda v: axle_fraction(v[:2], v[2:], cleat.vector[:2], yaw_deg), [*m1.xz, *m5.xz], covariance
    )
    return Measured(float(value[0]), math.sqrt(float(cov[0, 0])), "1", "marks on the shoe")
