"""The tape list of a visit: the position it ends with, line by line, as it is set with tape and ruler."""

from __future__ import annotations

from collections.abc import Mapping

from fitwright.foot.sole import CleatPose
from fitwright.quantity import Measured
from fitwright.records.models import Position, Visit
from fitwright.sheets.tape_list import TapeLine, TapeList
from fitwright.studio import care, doing
from fitwright.studio.feet.soles import FEET, newest_reading, reading_of
from fitwright.studio.visits import positions

SEAT = "the saddle where it is 80 mm wide"
BIKE: tuple[tuple[str, tuple[tuple[str, str, str], ...]], ...] = (
    ("Saddle", (
        ("saddle_tilt_deg", "saddle tilt, nose up +", "a level along the middle of the saddle"),
        ("saddle_setback_mm", "saddle setback", f"level, from a plumb line through {SEAT}, forward to the "
         "bottom-bracket axle"),
        ("saddle_height_mm", "saddle height", f"a straight line from the bottom-bracket axle to the top of {SEAT}"),
    )),
    ("Hands", (
        ("hood_x_mm", "hoods forward", "level, from the bottom-bracket axle to where the hand rests on the hood"),
        ("hood_y_mm", "hoods up", "plumb, from the bottom-bracket axle to where the hand rests on the hood"),
    )),
    ("Pedals", (
        ("crank_mm", "crank length", "from the crank's axle to the pedal's axle; it stands on the inside of the arm"),
        ("q_factor_mm", "Q factor", "outer face to outer face of the crank arms, at the pedals"),
        ("spacer_left_mm", "pedal spacer, left", "thickness between crank and pedal"),
        ("spacer_right_mm", "pedal spacer, right", "thickness between crank and pedal"),
        ("shim_left_mm", "shim, left", "thickness under the cleat"),
        ("shim_right_mm", "shim, right", "thickness under the cleat"),
    )),
)  # fmt: skip
CLEAT = (
    (
        "x_c_mm",
        "cleat forward",
        "along the sole's middle line, from the heel's end to the middle of the cleat",
    ),
    ("z_c_mm", "cleat outward", "from the sole's middle line to the middle of the cleat, outward +"),
    (
        "psi_c_deg",
        "cleat turned, toe out +",
        "its long axis against the sole's middle line, at mid-float",
    ),
)


def tape_of(visit: Visit, studio: str, day: str, address: str) -> TapeList:
    """The list for the last position that was kept, and the cleats as they were measured last."""
    kept = positions(visit)
    first, last = (kept[0], kept[-1]) if kept else (None, None)
    groups = [(words, _bike(lines, first, last)) for words, lines in BIKE]
    groups.append(("Cleats", tuple(line for side in FEET for line in _cleat(visit, side))))
    return TapeList(
        studio, visit.rider.name, day, visit.bike.name if visit.bike else "", visit.simulated,
        tuple((w, lines) for w, lines in groups if lines),
        tuple(c.planned["words"] for c in doing.changes_of(visit) if c.state == "planned"),
        f"position {last.pk}" if last else f"visit {visit.pk}", address, care.own_sentences(),
    )  # fmt: skip


def _bike(
    lines: tuple[tuple[str, str, str], ...], first: Position | None, last: Position | None
) -> tuple[TapeLine, ...]:
    """The lines whose value is known; spacers, shims and a tilt of nothing are left out while they stayed so."""
    found = []
    for name, what, way in lines:
        now, was = _value(last, name), _value(first, name)
        if now is None or (now.value == 0 and (was is None or was.value == 0) and now.u == 0):
            continue
        if now.value == 0 and name.startswith(("spacer", "shim")) and (was is None or was.value == 0):
            continue
        found.append(TapeLine(what, way, now, was))
    return tuple(found)


def _value(position: Position | None, name: str) -> Measured | None:
    data: Mapping[str, object] = position.data if position else {}
    points, measured = data.get("contact_points"), data.get("contact_measured")
    value = points.get(name) if isinstance(points, Mapping) else None
    if not isinstance(value, int | float):
        return None
    own = measured.get(name) if isinstance(measured, Mapping) else None
    m = Measured.from_json(own) if isinstance(own, Mapping) else None
    if m is not None and abs(m.value - value) < 0.05:
        return m
    return Measured(float(value), m.u if m else 0.0, "deg" if name.endswith("_deg") else "mm")


def _cleat(visit: Visit, side: str) -> tuple[TapeLine, ...]:
    now, before = newest_reading(visit, side), reading_of(visit, side, "before")
    if now is None or now.cleat is None:
        return ()
    values, was = now.cleat.measured(), _pose(before.cleat if before else None)
    return tuple(TapeLine(what, way, values[key], was.get(key), side) for key, what, way in CLEAT)


def _pose(pose: CleatPose | None) -> Mapping[str, Measured]:
    return pose.measured() if pose else {}
