"""What a cleat can be bolted to: systems by measures, the region they allow, and the nearest reachable pose.

A bolt sits at b in the sole frame; the cleat has a slot around q in its own frame that lets the bolt lie within
± (sx, sz). With R(ψ) the cleat's axes in the sole frame and c its centre, every bolt asks
|Rᵀ (b − c) − q| ≤ s, so the allowed centres are one rectangle along the cleat's axes: it shrinks as the cleat is
turned against the bolts. Where the bolts themselves slide in the sole, the rectangle is drawn out along x.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import cleat_axis
from fitwright.foot.words import shortfall_words
from fitwright.quantity import Floats


@dataclass(frozen=True)
class CleatSystem:
    """A cleat with its bolts and pedal, by measures (mm, deg).

    Attributes:
        key, label: plain words. bolt_pattern: "three-bolt triangle" or "two-bolt slots".
        bolts_mm: bolts around the pattern's centre, (x, z) in the sole frame when nothing is turned.
        slot_half_x_mm, slot_half_z_mm: play of each bolt in its slot. sole_slide_half_mm: how far the bolts
            slide fore-aft in the sole. turn_limit_deg: largest |ψ| that the slots allow anyway.
        float_in_deg, float_out_deg: free rotation of the foot to toe-in and toe-out from the middle.
        stack_mm: axle to sole, plate included. plate_mm: adapter plate. source: where the measures come from.
    """

    key: str
    label: str
    bolt_pattern: str
    bolts_mm: tuple[tuple[float, float], ...]
    slot_half_x_mm: float
    slot_half_z_mm: float
    sole_slide_half_mm: float
    turn_limit_deg: float
    float_in_deg: float
    float_out_deg: float
    stack_mm: float
    plate_mm: float = 0.0
    source: str = "common practice, no source: measure your own"

    def __post_init__(self) -> None:
        if len(self.bolts_mm) < 2:
            raise InputError("bolts_mm", "too few bolts", value=len(self.bolts_mm), allowed="at least 2")
        for name, high in (("slot_half_x_mm", 30), ("slot_half_z_mm", 20), ("sole_slide_half_mm", 40)):
            check_range(name, getattr(self, name), 0, high, "mm")
        for name in ("turn_limit_deg", "float_in_deg", "float_out_deg"):
            check_range(name, getattr(self, name), 0, 30, "deg")
        check_range("stack_mm", self.stack_mm, 0, 60, "mm")
        check_range("plate_mm", self.plate_mm, 0, 30, "mm")

    def to_json(self) -> dict[str, Any]:
        """Plain numbers by field name."""
        return asdict(self)


TRIANGLE = ((25.0, 0.0), (-15.0, -16.0), (-15.0, 16.0))
PAIR = ((0.0, -7.0), (0.0, 7.0))
CATALOGUE: tuple[CleatSystem, ...] = (
    CleatSystem(
        "three_bolt_fixed", "three bolts, no float", "three-bolt triangle", TRIANGLE, 5, 2.5, 0, 10, 0, 0, 18
    ),
    CleatSystem(
        "three_bolt_narrow", "three bolts, ± 2°", "three-bolt triangle", TRIANGLE, 5, 2.5, 0, 10, 2, 2, 18
    ),
    CleatSystem(
        "three_bolt_wide", "three bolts, ± 4.5°", "three-bolt triangle", TRIANGLE, 5, 2.5, 0, 10, 4.5, 4.5, 18
    ),
    CleatSystem("two_bolt", "two bolts in slots, ± 5°", "two-bolt slots", PAIR, 2, 2.5, 12, 10, 5, 5, 16),
)


def system(key: str) -> CleatSystem:
    """The catalogue's system of this key; InputError lists the keys."""
    for s in CATALOGUE:
        if s.key == key:
            return s
    raise InputError("cleat system", "unknown", value=key, allowed=", ".join(s.key for s in CATALOGUE))


def feasible_polygon(cleat: CleatSystem, pattern_xz: Sequence[float], psi_deg: float) -> Floats:
    """(n, 2) corners, in order round, of the cleat centres that can be bolted at rotation ψ; (0, 2) when none can.

    `pattern_xz` is the centre of the shoe's bolt pattern in the sole frame, mm.
    """
    if abs(psi_deg) > cleat.turn_limit_deg:
        return np.empty((0, 2))
    ahead = cleat_axis(psi_deg)
    axes = np.array([ahead, [-ahead[1], ahead[0]]])  # rows: the cleat's x and z in the sole frame
    bolts = np.array(cleat.bolts_mm)
    shift = (bolts + np.asarray(pattern_xz, dtype=np.float64)) @ axes.T - bolts
    slot = np.array([cleat.slot_half_x_mm, cleat.slot_half_z_mm])
    low, high = (shift - slot).max(axis=0), (shift + slot).min(axis=0)
    if np.any(low > high + 1e-9):
        return np.empty((0, 2))
    box = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]]) @ axes
    if cleat.sole_slide_half_mm == 0:
        return np.asarray(box, dtype=np.float64)
    slide = np.array([cleat.sole_slide_half_mm, 0.0])
    return convex_hull(np.concatenate([box - slide, box + slide]))


def convex_hull(points: Floats) -> Floats:
    """Corners of the convex hull, in order round (Andrew 1979, monotone chain)."""
    ordered = sorted({(round(float(x), 9), round(float(z), 9)) for x, z in points})
    if len(ordered) < 3:
        return np.array(ordered)

    def chain(line: list[tuple[float, float]]) -> list[tuple[float, float]]:
        hull: list[tuple[float, float]] = []
        for p in line:
            while len(hull) > 1:
                (ax, az), (bx, bz) = hull[-2], hull[-1]
                if (bx - ax) * (p[1] - az) - (bz - az) * (p[0] - ax) > 0:
                    break
                hull.pop()
            hull.append(p)
        return hull[:-1]

    return np.array(chain(ordered) + chain(ordered[::-1]))


def _area(polygon: Floats) -> float:
    x, z = polygon.T
    return float(abs(np.sum(x * np.roll(z, -1) - z * np.roll(x, -1))) / 2)


def nearest_in_polygon(polygon: Floats, point: Floats) -> Floats:
    """The point of a convex polygon (corners in order) that is nearest to `point` (itself when inside)."""
    start, edge = polygon, np.roll(polygon, -1, axis=0) - polygon
    to = point - start
    side = edge[:, 0] * to[:, 1] - edge[:, 1] * to[:, 0]
    if np.any(side != 0) and (np.all(side >= 0) or np.all(side <= 0)) and _area(polygon) > 1e-12:
        return np.asarray(point, dtype=np.float64)
    share = np.clip(np.sum(to * edge, axis=1) / np.maximum(np.sum(edge**2, axis=1), 1e-18), 0, 1)
    feet = start + share[:, None] * edge
    return np.asarray(feet[np.argmin(np.sum((feet - point) ** 2, axis=1))], dtype=np.float64)


@dataclass(frozen=True)
class Reachable:
    """The nearest pose that the hardware allows.

    Attributes: x_mm, z_mm, psi_deg of the reachable pose; missing (3,) wish minus reachable; words, "reachable"
    or what is missing; polygon at that rotation.
    """

    x_mm: float
    z_mm: float
    psi_deg: float
    missing: Floats
    words: str
    polygon_mm: Floats

    @property
    def exact(self) -> bool:
        """Whether the wish itself can be bolted."""
        return bool(np.all(np.abs(self.missing) < 1e-6))

    def to_json(self) -> dict[str, Any]:
        """Plain numbers and words."""
        return {
            "x_c_mm": self.x_mm, "z_c_mm": self.z_mm, "psi_c_deg": self.psi_deg, "exact": self.exact,
            "missing": dict(zip(("x_mm", "z_mm", "psi_deg"), self.missing.tolist(), strict=True)),
            "words": self.words, "polygon_mm": self.polygon_mm.tolist(),
        }  # fmt: skip


def reach(cleat: CleatSystem, pattern_xz: Sequence[float], wish: Sequence[float]) -> Reachable:
    """Project a wished pose (x mm, z mm, ψ deg) to the nearest one that can be bolted: rotation first, then place.

    Raises:
        InputError: the wish is no finite pose.
    """
    x, z, psi = (check_range(n, v, -400, 400, u) for n, v, u in zip(
        ("x_c_mm", "z_c_mm", "psi_c_deg"), wish, ("mm", "mm", "deg"), strict=True))  # fmt: skip
    turned = math.copysign(min(abs(psi), largest_turn_deg(cleat)), psi)
    polygon = feasible_polygon(cleat, pattern_xz, turned)
    place = nearest_in_polygon(polygon, np.array([x, z]))
    missing = np.array([x - place[0], z - place[1], psi - turned])
    return Reachable(
        float(place[0]), float(place[1]), turned, missing, shortfall_words(*missing.tolist()), polygon
    )


def largest_turn_deg(cleat: CleatSystem) -> float:
    """The largest |ψ| at which the cleat can still be bolted (the pattern's place does not matter)."""
    low, high = 0.0, cleat.turn_limit_deg
    if len(feasible_polygon(cleat, (0, 0), high)):
        return high
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if len(feasible_polygon(cleat, (0, 0), middle)) else (low, middle)
    return low * (1 - 1e-6)  # a hair inside, where rounding cannot empty the region
