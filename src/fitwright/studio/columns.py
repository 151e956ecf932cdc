"""The mapping of a table's columns at the bench: a first guess, what was chosen, and what is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from fitwright.errors import InputError
from fitwright.studio.entry import Field, read_number
from fitwright.studio.markers import LANDMARK_NAMES, lacking, landmark_of
from fitwright.studio.recording import known_columns
from fitwright.vision.csv_motion import AXES, ColumnMap, TableLayout

RATE = Field("rate_hz", "Pictures per second", unit="1/s", low=5, high=10_000)
PIXEL = Field("mm_per_px", "Millimetres of one pixel", unit="mm", low=0.01, high=50)
CHOSEN = ("time", "time_unit", "unit", "forward", "up", "right")
COORDINATE = re.compile(
    r"^(?P<stem>.*?)[\s_.:\-\[(/]*(?P<axis>[xyz])[\])]*(?:[\s_.\[(]*(?P<unit>mm|cm|m|px)[\])]*)?$",
    re.IGNORECASE,
)
TIME = re.compile(r"^(time|t|zeit|seconds|timestamp)\b", re.IGNORECASE)
MILLISECONDS = re.compile(r"(^|[\s_(\[])ms[)\]]?$", re.IGNORECASE)
SIDES = ("right", "left")


def first_map(layout: TableLayout) -> tuple[ColumnMap, bool]:
    """What was used for a table with the same columns last time (and True), else a guess from their names."""
    known = known_columns(layout.key)
    if known is not None:
        return replace(known, separator=layout.separator, decimal=layout.decimal), True
    return guess(layout), False


def guess(layout: TableLayout) -> ColumnMap:
    """Time, unit and landmarks as the names of the columns suggest."""
    time = next((n for n in layout.names if TIME.match(n.replace("_", " "))), "")
    found: dict[str, dict[str, str]] = {}
    unit = "mm"
    for name in layout.names:
        match = COORDINATE.match(name)
        landmark = landmark_of(match["stem"]) if match else None
        if match and landmark:
            found.setdefault(landmark, {}).setdefault(match["axis"].lower(), name)
            unit = (match["unit"] or unit).lower()
    points = {p: (c.get("x", ""), c.get("y", ""), c.get("z", "")) for p, c in found.items()}
    flat = bool(points) and not any(z for _, _, z in points.values())
    return ColumnMap(
        layout.separator, layout.decimal, time, "ms" if MILLISECONDS.search(time) else "s", unit=unit,
        right="" if flat else "+z", points=points,
    )  # fmt: skip


def read_map(typed: Mapping[str, str], layout: TableLayout) -> ColumnMap:
    """The map as chosen on the page, checked against the table.

    Raises:
        InputError: its field is the name of the input on the page.
    """
    numbers: dict[str, Any] = {f.name: _number(f, typed.get(f.name, "")) for f in (RATE, PIXEL)}
    points = {}
    for point in offered():
        x, y, z = (typed.get(f"{point}.{axis}", "").strip() for axis in AXES)
        if x or y or z:
            points[point] = (x, y, z)
    chosen: dict[str, Any] = {name: typed.get(name, "").strip() for name in CHOSEN}
    columns = ColumnMap(layout.separator, layout.decimal, **chosen, **numbers, points=points)
    columns.check(layout.names)
    missing = lacking(points)
    if all(missing.values()):
        side = min(missing, key=lambda s: len(missing[s]))
        words = ", ".join(n.replace("_", " ") for n in missing[side])
        raise InputError("points", f"no side is whole yet; the {side} one lacks {words}",
                         hint="A pedal axle may stand for heel, fifth metatarsal and toe")  # fmt: skip
    if columns.flat and not any(p.startswith("pedal_axle") for p in points):
        raise InputError("points", "without a third axis the pedal axle is needed")
    return columns


def _number(field: Field, text: str) -> float | None:
    if not text.strip():
        return None
    try:
        return read_number(field, text)
    except InputError as error:
        raise InputError(field.name, error.problem, value=error.value, allowed=error.allowed) from error


def offered() -> tuple[str, ...]:
    """Names of all points that can have columns, the right side first."""
    return tuple(f"{landmark}_{side}" for side in SIDES for landmark in LANDMARK_NAMES)


def typed_of_map(columns: ColumnMap) -> dict[str, str]:
    """What stands in the boxes of the page for this map."""
    out = {name: str(getattr(columns, name)) for name in CHOSEN}
    out |= {n: "" if (v := getattr(columns, n)) is None else f"{v:g}" for n in ("rate_hz", "mm_per_px")}
    for point, names in columns.points.items():
        out |= {f"{point}.{axis}": name for axis, name in zip(AXES, names, strict=True)}
    return out
