"""What a cleat can be bolted to: systems by measures, the region they allow, and the nearest reachable pose.

A bolt sits at b in the sole frame; the cleat has a slot around q in its own frame that lets the bolt lie within
± (sx, sz). With R(ψ) the cleat's axes in the sole frame and c its centre, every bolt asks
|Rᵀ (b − c) − q| ≤ s, so the allowed centres are one rectangle along the cleat's axes: it shrinks as the cleat is
turned against the bolts. Where the bolts themselves slide in the sole, the rectangle is drawn out along x.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.foot.convex import convex_hull, nearest_in_polygon
from fitwright.foot.frame import turned_axes
from fitwright.foot.words import shortfall_words
from fitwright.quantity import Floats

LIMITS: dict[str, tuple[float, float, str]] = {
    "slot_half_x_mm": (0, 30, "mm"), "slot_half_z_mm": (0, 20, "mm"), "sole_slide_half_mm": (0, 40, "mm"),
    "turn_limit_deg": (0, 30, "deg"), "float_in_deg": (0, 15, "deg"), "float_out_deg": (0, 15, "deg"),
    "stack_mm": (5, 60, "mm"), "plate_mm": (0, 30, "mm"), "cleat_height_mm": (0, 25, "mm"),
    "nose_mm": (5, 80, "mm"), "tail_mm": (5, 80, "mm"), "nose_width_mm": (2, 100, "mm"),
    "width_mm": (5, 100, "mm"), "tail_width_mm": (2, 100, "mm"),
}  # fmt: skip


@dataclass(frozen=True)
class CleatSystem:
    """A cleat with its bolts and pedal, by measures (mm, deg).

    Attributes:
        key, label: plain words. bolt_pattern: "three-bolt triangle" or "two-bolt slots".
        bolts_mm: bolts around the pattern's centre, (x, z) in the sole frame when nothing is turned: the centre is
            where the cleat's own centre lies with every bolt in the middle of its slot. Three bolts: front, rear
            inner, rear outer; two: inner, outer.
        slot_half_x_mm, slot_half_z_mm: play of each bolt in its slot. sole_slide_half_mm: how far the bolts
            slide fore-aft in the sole. turn_limit_deg: largest |ψ| that the slots allow anyway.
        float_in_deg, float_out_deg: free rotation of the foot to toe-in and toe-out from the middle.
        stack_mm: axle to sole, plate included. plate_mm: adapter plate.
        nose_mm, tail_mm: the cleat's ends from the axle line. nose_width_mm, width_mm, tail_width_mm: its breadth
            at the nose, at the axle line and at the tail. source: where the measures come from.
        cleat_height_mm: sole to the cleat's face, where its marks are seen in a photograph; None: not measured.
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
    nose_mm: float = 34.0
    tail_mm: float = 34.0
    nose_width_mm: float = 30.0
    width_mm: float = 62.0
    tail_width_mm: float = 42.0
    source: str = "common practice, no source: measure your own"
    cleat_height_mm: float | None = None

    def __post_init__(self) -> None:
        if len(self.bolts_mm) < 2:
            raise InputError("bolts_mm", "too few bolts", value=len(self.bolts_mm), allowed="at least 2")
        for name, (low, high, unit) in LIMITS.items():
            if (value := getattr(self, name)) is not None:
                check_range(name, value, low, high, unit)

    def to_json(self) -> dict[str, Any]:
        """Plain numbers by field name."""
        return asdict(self)

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> CleatSystem:
        """The inverse of `to_json`; names that a system does not have are passed over."""
        own = {f.name for f in fields(CleatSystem)}
        given = {k: v for k, v in data.items() if k in own}
        return CleatSystem(**given | {"bolts_mm": tuple((float(x), float(z)) for x, z in data["bolts_mm"])})


def cleat_outline(cleat: CleatSystem) -> Floats:
    """(6, 2) corners of the cleat in its own frame (x ahead of the axle line, z outward), in order round, mm."""
    nose, waist, tail = cleat.nose_width_mm / 2, cleat.width_mm / 2, cleat.tail_width_mm / 2
    ahead, behind = cleat.nose_mm, -cleat.tail_mm
    return np.array(
        [[ahead, -nose], [ahead, nose], [0, waist], [behind, tail], [behind, -tail], [0, -waist]],
        dtype=np.float64,
    )


TRIANGLE = ((25.0, 0.0), (-15.0, -16.0), (-15.0, 16.0))
PAIR = ((0.0, -7.0), (0.0, 7.0))
CATALOGUE: tuple[CleatSystem, ...] = (
    CleatSystem(
        "three_bolt_fixed",
        "three bolts, no float",
        "three-bolt triangle",
        TRIANGLE,
        7.5,
        3.5,
        0,
        10,
        0,
        0,
        18,
    ),
    CleatSystem(
        "three_bolt_narrow", "three bolts, ± 2°", "three-bolt triangle", TRIANGLE, 7.5, 3.5, 0, 10, 2, 2, 18
    ),
    CleatSystem(
        "three_bolt_wide",
        "three bolts, ± 4.5°",
        "three-bolt triangle",
        TRIANGLE,
        7.5,
        3.5,
        0,
        10,
        4.5,
        4.5,
        18,
    ),
    CleatSystem(
        "two_bolt",
        "two bolts in slots, ± 5°",
        "two-bolt slots",
        PAIR,
        2,
        2.5,
        12,
        10,
        5,
        5,
        16,
        nose_mm=23,
        tail_mm=23,
        nose_width_mm=18,
        width_mm=32,
        tail_width_mm=22,
    ),
)


def system(key: str) -> CleatSystem:
    """The catalogue's system of this key; InputError lists the keys."""
    for s in CATALOGUE:
        if s.key == key:
            return s
    raise InputError("cleat system", "unknown", value=key, allowed=", ".join(s.key for s in CATALOGUE))


def feasible_polygon(
    cleat: CleatSystem, pattern_xz: Sequence[float], psi_deg: float, pattern_turn_deg: float = 0.0
) -> Floats:
    """(n, 2) corners, in order round, of the cleat centres that can be bolted at rotation ψ; (0, 2) when none can.

    `pattern_xz` is the centre of the shoe's bolt pattern in the sole frame, mm; `pattern_turn_deg` how far the
    pattern itself is turned in the sole (sign as ψ).
    """
    region = _region(cleat, psi_deg - pattern_turn_deg) @ turned_axes(pattern_turn_deg)
    return np.asarray(np.asarray(pattern_xz, dtype=np.float64) + region, dtype=np.float64)


def _region(cleat: CleatSystem, turn_deg: float) -> Floats:
    """(n, 2) cleat centres in the bolt pattern's own frame, the cleat turned by `turn_deg` against it."""
    if abs(turn_deg) > cleat.turn_limit_deg + 1e-9:
        return np.empty((0, 2))
    axes = turned_axes(turn_deg)  # rows: the cleat's x and z in the pattern's frame
    bolts = np.array(cleat.bolts_mm)
    shift = bolts @ axes.T - bolts
    slot = np.array([cleat.slot_half_x_mm, cleat.slot_half_z_mm])
    low, high = (shift - slot).max(axis=0), (shift + slot).min(axis=0)
    if np.any(low > high + 1e-9):
        return np.empty((0, 2))
    box = np.array([[low[0], low[1]], [high[0], low[1]], [high[0], high[1]], [low[0], high[1]]]) @ axes
    if cleat.sole_slide_half_mm == 0:
        return np.asarray(box, dtype=np.float64)
    slide = np.array([cleat.sole_slide_half_mm, 0.0])
    return convex_hull(np.concatenate([box - slide, box + slide]))


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


def reach(
    cleat: CleatSystem, pattern_xz: Sequence[float], wish: Sequence[float], pattern_turn_deg: float = 0.0
) -> Reachable:
    """Project a wished pose (x mm, z mm, ψ deg) to the nearest one that can be bolted: rotation first, then place.

    Another order can lie nearer to what was wanted: see `fitwright.foot.reach`.

    Raises:
        InputError: the wish is no finite pose.
    """
    x, z, psi = check_pose(wish)
    turned = nearest_turn_deg(cleat, psi, pattern_turn_deg)
    polygon = feasible_polygon(cleat, pattern_xz, turned, pattern_turn_deg)
    place = nearest_in_polygon(polygon, np.array([x, z]))
    return reachable(place, turned, polygon, (x, z, psi))


def check_pose(wish: Sequence[float]) -> tuple[float, float, float]:
    """A finite (x mm, z mm, ψ deg), or InputError."""
    limits = (("x_c_mm", 400, "mm"), ("z_c_mm", 400, "mm"), ("psi_c_deg", 180, "deg"))
    x, z, psi = (check_range(n, v, -most, most, u) for v, (n, most, u) in zip(wish, limits, strict=True))
    return x, z, psi


def reachable(place: Floats, psi_deg: float, polygon: Floats, wish: Sequence[float]) -> Reachable:
    """A pose inside the region, with what is missing to the wish in words."""
    missing = np.array([wish[0] - place[0], wish[1] - place[1], wish[2] - psi_deg])
    words = shortfall_words(*missing.tolist())
    return Reachable(float(place[0]), float(place[1]), psi_deg, missing, words, polygon)


def nearest_turn_deg(cleat: CleatSystem, psi_deg: float, pattern_turn_deg: float = 0.0) -> float:
    """The rotation nearest to ψ that the slots allow."""
    most = largest_turn_deg(cleat)
    return pattern_turn_deg + min(max(psi_deg - pattern_turn_deg, -most), most)


def largest_turn_deg(cleat: CleatSystem) -> float:
    """The largest turn against the bolt pattern at which the cleat can still be bolted, deg."""
    low, high = 0.0, cleat.turn_limit_deg
    if len(_region(cleat, high)):
        return high
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if len(_region(cleat, middle)) else (low, middle)
    return low * (1 - 1e-6)  # a hair inside, where rounding cannot empty the region
