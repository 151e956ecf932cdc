"""Toe against front wheel on each side, with its uncertainty and in words."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fitwright.foot.frame import to_bike
from fitwright.foot.heel import thinned
from fitwright.foot.toe_overlap import FrontEnd, ToeOverlap, moved, straight_clearance, toe_cap, toe_overlap
from fitwright.quantity import Floats, Measured, propagate
from fitwright.records.models import Visit
from fitwright.studio.entry import lowered
from fitwright.studio.feet.clearance import (
    Pitch,
    Placed,
    numbers,
    out_of,
    pitch_of,
    placed_of,
)
from fitwright.studio.feet.clearance_fields import FRONT, STEER, USUAL_STEER_DEG
from fitwright.studio.feet.marks import marks_of
from fitwright.studio.feet.soles import newest_reading
from fitwright.studio.remembered import remembered

LEVELS_MM = (12.0, 35.0)  # of the shoe's toe above the pedal axle (common practice, no source)
EDGE_MM = 7.0  # a shoe's edge outside M1 and M5 (common practice, no source)
U_TOE_MM = 3.0  # a shoe's upper may stand out over its sole (common practice, no source)


@dataclass(frozen=True)
class Toe:
    """One side: gap is the smallest with the wheel turned; straight that of the side view, the crank level."""

    gap: Measured | None = None
    straight: Measured | None = None
    found: ToeOverlap | None = None
    words: str = ""
    missing: tuple[str, ...] = ()


def toe_of(
    visit: Visit, side: str, placed: Placed | None = None, known: Mapping[str, Measured] | None = None
) -> Toe:
    """Toe overlap of one foot; `missing` names what is needed. `placed` and `known` as for `clearance.beside_of`."""
    known, placed = known or numbers(visit), placed or placed_of(visit, side)
    out = out_of(visit, side, known)
    missing = [lowered(f.label) for f in FRONT if f.name not in known]
    missing += [] if out is not None else ["Q factor and pedal offset"]
    missing += [] if "crank_mm" in known else ["crank length"]
    missing += [] if placed is not None else [f"the {side} cleat"]
    shoe = shoe_front(visit, side)
    missing += [] if shoe is not None else [f"the {side} sole’s length, from a photograph"]
    if missing or placed is None or out is None or shoe is None:
        return Toe(missing=tuple(missing))
    steer = known[STEER.name].value if STEER.name in known else USUAL_STEER_DEG
    front, pitch = [known[f.name] for f in FRONT], pitch_of(visit, side)
    key = (known["crank_mm"], *front, *placed.cleat.vector, placed.cleat.covariance.tobytes(), out, shoe.tobytes(),
           pitch.curve.tobytes(), pitch.u_deg, steer)  # fmt: skip
    return remembered(
        ("toe", *key), lambda: _worked(known["crank_mm"], front, placed, out, shoe, pitch, steer)
    )


def shoe_front(visit: Visit, side: str) -> Floats | None:
    """(n, 2) front of the shoe in the sole frame: the edge found in the photograph, else a usual toe."""
    reading = newest_reading(visit, side)
    if reading is None:
        return None
    length = reading.length_mm.value
    if len(reading.outline_mm) > 4:
        edge = np.array(reading.outline_mm)
        front = edge[edge[:, 0] > 0.7 * length]
        if len(front) > 2:
            return thinned(front, 1, 13)
    marks = marks_of(visit, side)
    if marks is None:
        return toe_cap(length)
    return toe_cap(length, marks.m1.z_mm - EDGE_MM, marks.m5.z_mm + EDGE_MM)


def _worked(
    crank: Measured, front: Sequence[Measured], placed: Placed, out: Measured, shoe: Floats, pitch: Pitch,
    steer_deg: float,
) -> Toe:  # fmt: skip
    """Inputs: crank, six numbers of the front end, cleat (x, z, ψ), S_c, how far the toe stands out, sole pitch."""
    whole = FrontEnd(*(m.value for m in front))
    forward = float(pitch.curve[90])
    cleat = placed.cleat
    mean = np.array([crank.value, *[0.0] * 6, *cleat.vector, out.value, 0.0, forward])
    covariance = np.diag([crank.u, *[m.u for m in front], 0, 0, 0, out.u, U_TOE_MM, pitch.u_deg]) ** 2
    covariance[7:10, 7:10] = cleat.covariance

    def one(v: Floats, step_deg: float = 2.0) -> ToeOverlap:
        placed_shoe = to_bike(shoe, v[7:9], float(v[9]), float(v[10]))
        ahead = np.add(placed_shoe, (float(v[11]), 0.0))
        return toe_overlap(moved(whole, v[1:7].tolist()), float(v[0]), ahead, LEVELS_MM, steer_deg=steer_deg,
                           pitch_deg=float(v[12]), step_deg=step_deg)  # fmt: skip

    def both(v: Floats) -> list[float]:
        reach = float(to_bike(shoe, v[7:9], float(v[9]))[:, 0].max()) + float(v[11])
        return [one(v).gap_mm, straight_clearance(moved(whole, v[1:7].tolist()), float(v[0]), reach)]

    value, cov = propagate(both, mean, covariance, step=1.0)
    gap, straight = (
        Measured(float(a), math.sqrt(u2), "mm", "shoe to tyre")
        for a, u2 in zip(value, np.diag(cov), strict=True)
    )
    found = one(mean, 1.0)
    return Toe(gap, straight, found, _words(gap, straight, found, steer_deg))


def _words(gap: Measured, straight: Measured, found: ToeOverlap, steer_deg: float) -> str:
    """Side view first, since it says whether they can meet at all; then the wheel turned."""
    reach = Measured(abs(straight.value), straight.u, "mm")
    way = "ends before" if straight.value >= 0 else "reaches into"
    said = f"seen from the side, with the crank level, the toe {way} the tyre’s circle by {reach}"
    if found.touches_deg is not None:
        return f"{said}; they meet once the wheel is turned about {found.touches_deg:.0f}°"
    low, _ = gap.interval95
    doubt = ", which may be a touch" if low <= 0 else ""
    return f"{said}; with the wheel turned up to {steer_deg:.0f}° the least gap is {gap}{doubt}"
