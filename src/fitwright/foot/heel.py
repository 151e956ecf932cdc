"""The heel's room beside crank arm, chainstay and whatever else stands there, with its uncertainty.

The narrowest gap over the whole turn and the whole float (`fitwright.foot.clearance`) is worked out again with each
input moved by its standard uncertainty either way (JCGM 100, 5.1.3, note 2). Q factor and pedal offset are shared: a
wider Q moves foot and crank face alike, so it leaves the gap to the arm alone and widens the one to the stay.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.foot.clearance import WANTED_GAP_MM, Bar, Clearance, crank_arm, heel_clearance
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.quantity import Z95, Floats, Measured, propagate

HEEL_SHARE = 0.36  # of the sole's length: what lies behind it is the heel
SHOE_WALL = Measured(4.0, 2.0, "mm", "a shoe's wall beside the heel (common practice, no source)")
ARMS_FLARE = Measured(10.0, 6.0, "mm", "narrower at the axle than at the pedals (common practice, no source)")
HEIGHTS_MM = (15.0, 35.0, 60.0)
STEP_DEG = 4.0


@dataclass(frozen=True)
class HeelOutline:
    """Inner edge of the heel: (n, 2) in the sole frame, how sure it is (mm, sideways) and where it comes from."""

    points_mm: Floats
    u_mm: float
    source: str


def heel_outline(reading: SoleReading | None, breadth: Measured) -> HeelOutline:
    """The best there is: the sole's edge as found, picked heel points, else a round heel of the given breadth.

    `breadth`: of the shoe at the heel, used when nothing was found.
    """
    if reading is not None and len(reading.outline_mm) > 4:
        edge = np.array(reading.outline_mm)
        inner = edge[(edge[:, 0] < HEEL_SHARE * reading.length_mm.value) & (edge[:, 1] < 0)]
        if len(inner) > 2:
            return HeelOutline(thinned(inner, 0, 14), 1.5, "the sole’s edge in the photograph")
    if reading is not None and "heel_inner" in reading.landmarks:
        mark = reading.landmarks["heel_inner"]
        u = math.sqrt(float(mark.covariance_mm2[1, 1]))
        points = _round_heel(max(mark.x_mm, 15.0), -mark.z_mm)
        return HeelOutline(points, math.hypot(u, 1.0), "the heel’s inner edge as picked, round behind it")
    points = _round_heel(40.0, breadth.value / 2)
    return HeelOutline(points, breadth.u / 2, f"not measured: {breadth.method}")


def _round_heel(widest_x: float, half_mm: float) -> Floats:
    t = np.radians(np.arange(0.0, 151.0, 15.0))
    return np.column_stack([widest_x * (1 - np.cos(t)), -half_mm * np.sin(np.minimum(t, math.pi / 2))])


def thinned(points: Floats, along: int, most: int) -> Floats:
    """At most so many (n, 2) points, spread over all of them, in the order of one coordinate."""
    ordered = points[np.argsort(points[:, along])]
    return np.asarray(
        ordered[np.unique(np.linspace(0, len(ordered) - 1, most).astype(int))], dtype=np.float64
    )


@dataclass(frozen=True)
class Stay:
    """A chainstay: length to the rear axle, how much higher that lies than the bottom bracket, and the breadth over
    both stays (with what sticks out) behind the bracket, half-way and at the rear end; mm."""

    length: Measured
    rise: Measured
    front: Measured
    middle: Measured
    rear: Measured


@dataclass(frozen=True)
class HeelBike:
    """What stands beside a heel.

    Attributes: arms_at_axle: breadth over both crank arms at the bottom-bracket axle; None guesses it from the Q
    factor (`ARMS_FLARE`). other: one more fixed bar, such as a carrier.
    """

    crank: Measured
    q_factor: Measured
    pedal_offset: Measured
    spacer: Measured
    arms_at_axle: Measured | None = None
    stay: Stay | None = None
    other: Bar | None = None
    u_other_mm: float = 2.0

    def numbers(self) -> tuple[Measured, ...]:
        """Everything that may be moved by its u."""
        stay, arms = self.stay, self.arms_at_axle
        more = () if stay is None else (stay.length, stay.rise, stay.front, stay.middle, stay.rear)
        return (self.crank, self.q_factor, self.pedal_offset, self.spacer, arms or ARMS_FLARE, *more)

    def parts(self, v: Floats) -> tuple[float, float, list[tuple[str, list[Bar]]]]:
        """(S_c, crank, (name, its bars) …) at the values `v`, in the order of `numbers`."""
        crank, q, offset, spacer, arms, *more = (float(x) for x in v)
        arms = q - arms if self.arms_at_axle is None else arms
        found = [("crank arm", [crank_arm(crank, q, arms / 2)])]
        if self.stay is not None:
            found.append(("chainstay", _stay_bars(*more)))
        if self.other is not None:
            found.append((self.other.name, [self.other]))
        return q / 2 + offset + spacer, crank, found


def _stay_bars(length: float, rise: float, front: float, middle: float, rear: float) -> list[Bar]:
    half = (-length / 2, rise / 2)
    return [
        Bar("chainstay", (0.0, 0.0), half, 12.0, front / 2, middle / 2),
        Bar("chainstay", half, (-length, rise), 12.0, middle / 2, rear / 2),
    ]


@dataclass(frozen=True)
class Room:
    """The narrowest gap to one part: gap (None when heel and part never lie beside each other), where, in words;
    turn_deg: the toe-out up to which the wanted 5 mm are left, None where the float's end does not use them up."""

    part: str
    gap: Measured | None
    tightest: Clearance
    words: str
    turn_deg: float | None = None

    @property
    def state(self) -> str:
        """ "free", "enough", "too near to be sure" or "too little", against the usual 5 mm."""
        if self.gap is None:
            return "free"
        low, high = self.gap.interval95
        if low >= WANTED_GAP_MM:
            return "enough"
        return "too little" if high < WANTED_GAP_MM else "too near to be sure"

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "part": self.part, "gap": self.gap.to_json() if self.gap else None, "state": self.state,
            "tightest": self.tightest.to_json(), "words": self.words,
            "turn_deg": self.turn_deg,
        }  # fmt: skip


def heel_room(
    heel: HeelOutline, cleat: CleatPose, float_deg: tuple[float, float], bike: HeelBike, pitch_deg: Floats,
    u_pitch_deg: float,
) -> tuple[Room, ...]:  # fmt: skip
    """Narrowest gap to each part over the turn and the float.

    Args: float_deg: (inward, outward). pitch_deg: (360,) sole pitch by crank angle, heel up.
    """
    numbers = bike.numbers()
    mean = np.concatenate([[0.0, 0.0], cleat.vector, [m.value for m in numbers]])
    covariance = np.zeros((len(mean), len(mean)))
    covariance[0, 0], covariance[1, 1] = heel.u_mm**2, u_pitch_deg**2
    covariance[2:5, 2:5] = cleat.covariance
    covariance[5:, 5:] = np.diag([m.u**2 for m in numbers])
    found = _tightest(heel, float_deg, bike, pitch_deg, mean, 5)
    base = np.array([c.gap_mm for _, c in found])

    def gaps(v: Floats) -> Floats:
        moved = np.array([c.gap_mm for _, c in _tightest(heel, float_deg, bike, pitch_deg, v, 2)])
        return np.where(np.isfinite(moved) & np.isfinite(base), moved, np.where(np.isfinite(base), base, 0.0))

    _, cov = propagate(gaps, mean, covariance, step=1.0)
    u = np.sqrt(np.diag(cov))
    if bike.other is not None:
        u[-1] = math.hypot(float(u[-1]), bike.u_other_mm)
    rooms = [_room(part, c, float(s), float_deg, cleat) for (part, c), s in zip(found, u, strict=True)]
    turns = _free_turns(heel, bike, pitch_deg, mean, base, float_deg[1])
    return tuple(replace(r, turn_deg=t) for r, t in zip(rooms, turns, strict=True))


def _free_turns(
    heel: HeelOutline, bike: HeelBike, pitch_deg: Floats, mean: Floats, base: Floats, float_out_deg: float
) -> list[float | None]:
    """For each part the toe-out at which 5 mm are left, by halving (the gap shrinks as the heel turns in)."""
    tight = base < WANTED_GAP_MM
    low = np.full(len(base), float(mean[4]) - 30.0)
    high = np.full(len(base), float(mean[4]) + float_out_deg)
    for _ in range(9 if tight.any() else 0):
        for k in np.flatnonzero(tight):
            middle = (low[k] + high[k]) / 2
            turned = mean.copy()
            turned[4] = middle
            ((_, there),) = _tightest(heel, (0.0, 0.0), bike, pitch_deg, turned, 1, slice(k, k + 1))
            free = there.gap_mm >= WANTED_GAP_MM
            low[k], high[k] = (middle, high[k]) if free else (low[k], middle)
    return [float(a) if t else None for a, t in zip(low, tight, strict=True)]


def _tightest(
    heel: HeelOutline, float_deg: tuple[float, float], bike: HeelBike, pitch_deg: Floats, v: Floats, yaws: int,
    which: slice = slice(None),
) -> list[tuple[str, Clearance]]:  # fmt: skip
    """The narrowest place at each part (`which`: of these only)."""
    inward, pitch_shift, x, z, psi = (float(a) for a in v[:5])
    out, crank, parts = bike.parts(v[5:])
    pitch = np.asarray(pitch_deg)[np.arange(0, 360, int(STEP_DEG))] + pitch_shift
    turned = np.linspace(psi - float_deg[0], psi + float_deg[1], yaws).tolist()
    outline = heel.points_mm - [0.0, inward]
    return [
        (name, heel_clearance(outline, np.array([x, z]), out, turned, crank, bars, pitch_deg=pitch,
                              heights_mm=HEIGHTS_MM, step_deg=STEP_DEG))
        for name, bars in parts[which]
    ]  # fmt: skip


def _room(part: str, c: Clearance, u: float, float_deg: tuple[float, float], cleat: CleatPose) -> Room:
    if math.isinf(c.gap_mm):
        return Room(part, None, c, f"the heel never comes beside the {part}")
    gap = Measured(c.gap_mm, u, "mm", "heel through the turn and the float")
    place = f"{crank_words(c.crank_deg)}, {_turn_words(c.yaw_deg - cleat.psi_deg, float_deg)}"
    room = Room(
        part, gap, c, f"{gap.value:.0f} ± {Z95 * u:.0f} mm to the {part}, with {place}".replace("-", "−")
    )
    tail = {"too little": ": less than 5 mm", "too near to be sure": ": it may be less than 5 mm"}
    return replace(room, words=room.words + tail.get(room.state, ""))


def _turn_words(turn_deg: float, float_deg: tuple[float, float]) -> str:
    """Where in its float the foot is."""
    for end, at in (("out", float_deg[1]), ("in", -float_deg[0])):
        if at and abs(turn_deg - at) < 0.1:
            return f"the toes turned {end} to the end of the float"
    if abs(turn_deg) < 0.1:
        return "the foot at the middle of its float"
    return f"the toes turned {'out' if turn_deg > 0 else 'in'} by {abs(turn_deg):.0f}°"


def crank_words(crank_deg: float) -> str:
    """The crank angle with a place that one can see: "the crank at 264°, pointing back"."""
    places = (
        "up",
        "up and forward",
        "forward",
        "down and forward",
        "down",
        "down and back",
        "back",
        "up and back",
    )
    return f"the crank at {crank_deg:.0f}°, pointing {places[round(crank_deg / 45) % 8]}"


def tightest_of(rooms: Sequence[Room]) -> Room | None:
    """The room with the smallest gap."""
    measured = [r for r in rooms if r.gap is not None]
    return min(measured, key=lambda r: r.gap.value if r.gap else math.inf) if measured else None
