"""Hip, shoulder and hand in the sagittal plane: the trunk angle that a bar position asks for.

Two circles close the chain: the trunk about the hip, the arm (upper arm and forearm at a chosen elbow flexion)
about the hand. Of the two meeting points the upper one is a rider's shoulder. Bike frame, mm, deg.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitwright.errors import InputError, check_range

Numbers = NDArray[Any]


@dataclass(frozen=True)
class UpperBody:
    """Lengths hip–acromion, acromion–elbow, elbow–hand contact, in mm."""

    trunk_mm: float
    upper_arm_mm: float
    forearm_mm: float

    def __post_init__(self) -> None:
        check_range("trunk_mm", self.trunk_mm, 250, 750, "mm")
        check_range("upper_arm_mm", self.upper_arm_mm, 180, 480, "mm")
        check_range("forearm_mm", self.forearm_mm, 150, 480, "mm")

    def arm_mm(self, elbow_flexion_deg: float) -> float:
        """Shoulder to hand at an elbow flexion (0 = straight), by the law of cosines."""
        bend = math.radians(check_range("elbow_flexion_deg", elbow_flexion_deg, 0, 150, "deg"))
        u, f = self.upper_arm_mm, self.forearm_mm
        return math.sqrt(u * u + f * f + 2 * u * f * math.cos(bend))


@dataclass(frozen=True)
class UpperPose:
    """Trunk above the horizontal; angle arm–trunk at the shoulder; elbow flexion; shoulder and elbow points."""

    trunk_inclination_deg: float
    shoulder_flexion_deg: float
    elbow_flexion_deg: float
    shoulder_xy_mm: tuple[float, float]
    elbow_xy_mm: tuple[float, float]


def trunk_arrays(trunk: ArrayLike, arm: ArrayLike, dx: ArrayLike, dy: ArrayLike) -> tuple[Numbers, Numbers]:
    """Shoulder from the hip (x, y in mm), for arrays of riders and hands that broadcast; NaN where nothing closes.

    Args: trunk, arm: hip–shoulder, shoulder–hand. dx, dy: hand from the hip. All mm; complex numbers pass through.
    """
    t, a, x, y = (np.asarray(v) for v in (trunk, arm, dx, dy))
    d2 = x * x + y * y
    along = 0.5 + (t * t - a * a) / (2 * d2)
    with np.errstate(invalid="ignore"):
        across = np.sqrt(t * t / d2 - along * along)
    return along * x - across * y, along * y + across * x


def inclination_deg(trunk: ArrayLike, tx: Numbers, ty: Numbers) -> Numbers:
    """Trunk above the horizontal from the shoulder's place (the tangent of the half angle, so complex passes too)."""
    return np.asarray((360 / np.pi) * np.arctan(ty / (np.asarray(trunk) + tx)))


def close_upper(
    body: UpperBody, hip_xy_mm: tuple[float, float], hand_xy_mm: tuple[float, float], elbow_flexion_deg: float
) -> UpperPose:
    """The pose for a hip, a hand contact and an elbow flexion.

    Raises:
        InputError: the hands cannot reach the bar (or it is too near) with this elbow; says by how much.
    """
    arm = body.arm_mm(elbow_flexion_deg)
    dx, dy = hand_xy_mm[0] - hip_xy_mm[0], hand_xy_mm[1] - hip_xy_mm[1]
    d = math.hypot(dx, dy)
    if d > body.trunk_mm + arm:
        raise InputError("hands", f"cannot reach the bar: {d - body.trunk_mm - arm:.0f} mm short at "
                         f"{elbow_flexion_deg:.0f}° of elbow flexion")  # fmt: skip
    if d < abs(body.trunk_mm - arm):
        raise InputError("hands", f"the bar is {abs(body.trunk_mm - arm) - d:.0f} mm too near at "
                         f"{elbow_flexion_deg:.0f}° of elbow flexion")  # fmt: skip
    tx, ty = trunk_arrays(body.trunk_mm, arm, dx, dy)
    shoulder = (hip_xy_mm[0] + float(tx), hip_xy_mm[1] + float(ty))
    elbow = _elbow(body, shoulder, hand_xy_mm, arm)
    to_hip = math.atan2(hip_xy_mm[1] - shoulder[1], hip_xy_mm[0] - shoulder[0])
    to_elbow = math.atan2(elbow[1] - shoulder[1], elbow[0] - shoulder[0])
    opening = abs((math.degrees(to_elbow - to_hip) + 180) % 360 - 180)
    return UpperPose(
        float(inclination_deg(body.trunk_mm, tx, ty)), opening, elbow_flexion_deg, shoulder, elbow
    )


def _elbow(
    body: UpperBody, shoulder: tuple[float, float], hand: tuple[float, float], arm: float
) -> tuple[float, float]:
    """The elbow below and behind the line shoulder–hand (it bends down on a bicycle)."""
    dx, dy = (hand[0] - shoulder[0]) / arm, (hand[1] - shoulder[1]) / arm
    along = (body.upper_arm_mm**2 - body.forearm_mm**2 + arm * arm) / (2 * arm)
    across = math.sqrt(max(body.upper_arm_mm**2 - along**2, 0.0))
    return shoulder[0] + along * dx + across * dy, shoulder[1] + along * dy - across * dx


def elbow_for_trunk(
    body: UpperBody, hip_xy_mm: tuple[float, float], hand_xy_mm: tuple[float, float], trunk_deg: float
) -> float:
    """Elbow flexion (deg) that goes with a measured trunk inclination; InputError when no elbow fits."""
    angle = math.radians(trunk_deg)
    sx = hip_xy_mm[0] + body.trunk_mm * math.cos(angle)
    sy = hip_xy_mm[1] + body.trunk_mm * math.sin(angle)
    arm = math.hypot(hand_xy_mm[0] - sx, hand_xy_mm[1] - sy)
    u, f = body.upper_arm_mm, body.forearm_mm
    if not abs(u - f) <= arm <= u + f:
        raise InputError("trunk_deg", f"no elbow joins this trunk to this bar: the arm would be {arm:.0f} mm",
                         value=trunk_deg, allowed=f"an arm of {abs(u - f):.0f} to {u + f:.0f} mm")  # fmt: skip
    return math.degrees(math.acos((arm * arm - u * u - f * f) / (2 * u * f)))
