"""A wish that the bolts do not allow: what to keep of it.

Three ways: keep the rotation as near as the slots allow and take the nearest place; keep the place and give up some
rotation; or keep the axle under the wished point P and let fore-aft follow (x_c = x_P + (z_c − z_P) tan φ). With the
cleat turned by the foot's own yaw that line runs along the region's sides, so a sideways shortfall alone keeps the
axle anyway; where the rotation falls short, the ways part.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.foot.convex import nearest_in_polygon, nearest_on_line
from fitwright.foot.frame import to_bike
from fitwright.foot.hardware import (
    CleatSystem,
    Reachable,
    check_pose,
    feasible_polygon,
    nearest_turn_deg,
    reach,
    reachable,
)
from fitwright.quantity import Floats

KEEPS = {
    "wish": "the whole wish", "rotation": "the rotation, then the nearest place", "place": "the place",
    "axle": "the axle under the wished point",
}  # fmt: skip
SAME_MM = 0.05


@dataclass(frozen=True)
class TradeOff:
    """One way to come near a wish: what it `keeps` (see `KEEPS`), the pose, and how far the axle then runs ahead of
    the wished point of the foot (X(P) < 0: the point lies behind the axle), mm."""

    keeps: str
    pose: Reachable
    axle_ahead_mm: float

    @property
    def words(self) -> str:
        """What is kept, what is missing, and where the axle runs."""
        off = self.axle_ahead_mm
        axle = "the axle runs under the wished point"
        if abs(off) >= SAME_MM:
            axle = f"the axle runs {abs(off):.1f} mm {'ahead of' if off > 0 else 'behind'} the wished point"
        near = self.keeps == "axle" and abs(off) >= SAME_MM
        kept = "the axle as near to the wished point as it gets" if near else KEEPS[self.keeps]
        return f"keeps {kept}: {self.pose.words}; {axle}"

    def to_json(self) -> dict[str, Any]:
        """Plain numbers and words."""
        return {
            "keeps": self.keeps, "pose": self.pose.to_json(), "axle_ahead_mm": self.axle_ahead_mm,
            "words": self.words,
        }  # fmt: skip


def trade_offs(
    cleat: CleatSystem, pattern_xz: Sequence[float], wish: Sequence[float], point_xz: Sequence[float],
    pattern_turn_deg: float = 0.0,
) -> tuple[TradeOff, ...]:  # fmt: skip
    """Ways to come near a wish, the recommended one first; a single one, keeping the wish, when it can be bolted.

    The axle under the wished point P is what a first setting is about: the way that misses P least stands first.

    Args: wish: (x mm, z mm, ψ deg). point_xz: P in the sole frame. Raises InputError for a wish that is no pose.
    """
    x, z, psi = check_pose(wish)
    point = np.asarray(point_xz, dtype=np.float64)

    def judged(keeps: str, pose: Reachable) -> TradeOff:
        yaw = _own_yaw(cleat, psi, pose.psi_deg)
        ahead = -float(to_bike(point[None], np.array([pose.x_mm, pose.z_mm]), yaw)[0, 0])
        return TradeOff(keeps, pose, ahead)

    first = reach(cleat, pattern_xz, (x, z, psi), pattern_turn_deg)
    if first.exact:
        return (judged("wish", first),)
    found = [judged("axle", _hold_axle(cleat, pattern_xz, (x, z, psi), point, pattern_turn_deg))]
    if not np.allclose(first.missing, found[0].pose.missing, atol=SAME_MM):
        found.append(judged("rotation", first))
    if (placed := _hold_place(cleat, pattern_xz, (x, z, psi), pattern_turn_deg)) is not None:
        found.append(judged("place", placed))
    return tuple(sorted(found, key=lambda t: (max(abs(t.axle_ahead_mm), SAME_MM), t.keeps != "axle")))


def _own_yaw(cleat: CleatSystem, wished_deg: float, psi_deg: float) -> float:
    """The yaw that the foot takes: the wished one as far as the float lets it."""
    return min(max(wished_deg, psi_deg - cleat.float_in_deg), psi_deg + cleat.float_out_deg)


def _hold_axle(
    cleat: CleatSystem, pattern_xz: Sequence[float], wish: tuple[float, float, float], point: Floats,
    pattern_turn_deg: float,
) -> Reachable:  # fmt: skip
    """Slide along the line of centres that keep the axle under P; where it misses the region, its nearest corner."""
    turned = nearest_turn_deg(cleat, wish[2], pattern_turn_deg)
    polygon = feasible_polygon(cleat, pattern_xz, turned, pattern_turn_deg)
    slope = math.tan(math.radians(_own_yaw(cleat, wish[2], turned)))
    place = nearest_on_line(polygon, point, np.array([slope, 1.0]), np.array(wish[:2]))
    if place is None:
        miss = np.abs(polygon[:, 0] - point[0] - (polygon[:, 1] - point[1]) * slope)
        place = polygon[int(np.argmin(miss))]
    return reachable(place, turned, polygon, wish)


def _hold_place(
    cleat: CleatSystem, pattern_xz: Sequence[float], wish: tuple[float, float, float], pattern_turn_deg: float
) -> Reachable | None:
    """The wished place at the rotation nearest to the wish at which it can be bolted; None when it never can."""
    place = np.array(wish[:2])

    def held(psi: float) -> bool:
        polygon = feasible_polygon(cleat, pattern_xz, psi, pattern_turn_deg)
        return len(polygon) > 2 and math.dist(nearest_in_polygon(polygon, place), place) < 1e-6

    most = cleat.turn_limit_deg
    grid = pattern_turn_deg + np.linspace(-most, most, 81)
    inside = [float(psi) for psi in grid if held(float(psi))]
    if not inside:
        return None
    good = min(inside, key=lambda psi: abs(psi - wish[2]))
    bad = nearest_turn_deg(cleat, wish[2], pattern_turn_deg)
    for _ in range(30):
        middle = (good + bad) / 2
        good, bad = (middle, bad) if held(middle) else (good, middle)
    return reachable(place, good, feasible_polygon(cleat, pattern_xz, good, pattern_turn_deg), wish)
