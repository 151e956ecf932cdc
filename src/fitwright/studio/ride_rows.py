"""What the Ride page tells in figures: before and now, left against right, and each quantity at its events."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from fitwright.motion.ride import RideResult
from fitwright.quantity import Z95, Measured, difference
from fitwright.records.models import Visit
from fitwright.sheets.curve import Chart
from fitwright.sheets.strip import strip_svg
from fitwright.studio import drawings
from fitwright.studio.drawings import SIDES, Pair
from fitwright.studio.ride_bands import value_band

# quantity, event, words: as in `drawings`, in the order in which a fitter reads a ride
MORE_SIDE = (
    ("sole_pitch_deg", "bdc", "sole to horizontal at the bottom, heel up positive"),
    ("shoulder_flexion_deg", "mean", "upper arm to trunk"),
)
MORE_FRONT = (
    ("knee_path_mm", "bdc", "knee outward of the pedal, bottom"),
    ("knee_to_line_mm", "q90", "knee outward of the line from hip to foot, loaded"),
    ("knee_loop_mm2", "mean", "area of the knee's loop"),
)
QUANTITIES = (
    ("knee_flexion_deg", "knee flexion"), ("hip_flexion_deg", "hip flexion"),
    ("ankle_plantarflexion_deg", "ankle, toes down positive"), ("sole_pitch_deg", "sole, heel up positive"),
    ("trunk_inclination_deg", "trunk to horizontal"), ("shoulder_flexion_deg", "upper arm to trunk"),
    ("elbow_flexion_deg", "elbow flexion"), ("foot_yaw_deg", "foot turned out"),
    ("knee_path_mm", "knee outward of the pedal"), ("knee_to_line_mm", "knee outward of the line from hip to foot"),
)  # fmt: skip
EVENTS = (
    ("min", "least"), ("tdc", "top"), ("q90", "90°"), ("bdc", "bottom"), ("max", "greatest"), ("range", "range"),
)  # fmt: skip
MORE_CURVES = (
    ("sole_pitch", "Sole to horizontal", "heel up", "heel down"),
    ("trunk_inclination", "Trunk to horizontal", "more upright", "flatter"),
    ("shoulder_flexion", "Upper arm to trunk", "further forward", "further back"),
    ("elbow_flexion", "Elbow flexion", "more bent", "straighter"),
    ("knee_to_line", "Knee outward of hip-foot line", "outward", "inward"),
    ("foot_yaw", "Foot turned out", "outward", "inward"),
)


@dataclass(frozen=True)
class Legs:
    """Left − right at one moment, their errors taken as independent (two films, two sets of stickers).

    In one recording of both legs part of the error is common, so that the ± is then too wide rather than too narrow.
    `clear` says whether the difference exceeds its 95 % interval.
    """

    difference: Measured
    clear: bool


@dataclass(frozen=True)
class Row:
    """One quantity at one event: both legs before and now, left − right of each moment, drawn as a strip."""

    label: str
    pairs: tuple[Pair, ...]
    before: Legs | None
    now: Legs | None
    svg: str


@dataclass(frozen=True)
class Turn:
    """One quantity of one leg in one ride over the whole turn.

    Attributes: values: as in `EVENTS`, None where there is none. sd: root mean square over the turn of the SD
    between turns; nan when too few turns. cycles: turns that went in.
    """

    label: str
    side: str
    when: str
    values: tuple[Measured | None, ...]
    sd: Measured | None
    cycles: int


def rows(visit: Visit) -> tuple[Row, ...]:
    """The rows of the page in the order of reading; a quantity that was not measured has none."""
    side = [r[:3] for r in drawings.SIDE_ROWS]
    front = [r[:3] for r in drawings.FRONT_ROWS]
    found = []
    for quantity, event, label in (*side, *MORE_SIDE, *front, *MORE_FRONT):
        band, words = value_band(visit, quantity, event, drawings.rides(visit).values())
        strip = drawings.strip_of(visit, quantity, event, label, band)
        if strip is None:
            continue
        strip = replace(strip, note=words)
        pairs = drawings.pairs(drawings.values(visit, quantity, event))
        by_side = {p.side: p for p in pairs}
        left, right = by_side.get("left"), by_side.get("right")
        before = legs(left.before, right.before) if left and right else None
        now = legs(left.now, right.now) if left and right else None
        found.append(Row(label, pairs, before, now, strip_svg(strip)))
    return tuple(found)


def legs(left: Measured | None, right: Measured | None) -> Legs | None:
    """Left − right with the u of both; None when one is missing."""
    if left is None or right is None:
        return None
    gap = replace(difference(left, right), method=f"left − right; {left.method}")
    return Legs(gap, abs(gap.value) > Z95 * gap.u and not gap.estimate)


def turns(visit: Visit) -> tuple[Turn, ...]:
    """Every quantity at every event, both legs, before and now."""
    rides = drawings.rides(visit)
    later = any(when == "after" for _, when in rides)
    return tuple(
        turn
        for quantity, label in QUANTITIES
        for side in (*SIDES, "both")
        for (_, when), ride in rides.items()
        if (turn := _turn(ride, side, quantity, label, "now" if when == "after" or not later else "before"))
    )


def _turn(ride: RideResult, side: str, quantity: str, label: str, when: str) -> Turn | None:
    values = tuple(_told(ride.value(side, quantity, event)) for event, _ in EVENTS)
    if all(v is None for v in values):
        return None
    curve = ride.curves.get(side, {}).get(quantity.rsplit("_", 1)[0])
    sd = math.nan
    if curve is not None and np.isfinite(curve.sd).any():
        sd = float(np.sqrt(np.nanmean(curve.sd**2)))
    shown = Measured(sd, 0.0, curve.unit, "SD between turns") if curve and math.isfinite(sd) else None
    return Turn(label, side, when, values, shown, curve.cycles if curve else 0)


def _told(value: Measured | None) -> Measured | None:
    return value if value is not None and math.isfinite(value.value) else None


def charts(visit: Visit) -> tuple[Chart, ...]:
    """The curves that the page keeps folded: sole, trunk, arm, knee against the line from hip to foot, yaw."""
    return drawings.charts(visit, MORE_CURVES)
