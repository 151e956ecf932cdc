"""The mapping of a table's columns at the bench: a first guess, what was chosen, and what is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
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


def read_map(typed: Mapping[str, str], layout: TableLayout) -> tuple[ColumnMap, dict[str, InputError]]:
    """The map as chosen on the page, and all that is wrong with it for this table, by the name of its input; what no
    one input can mend stands under "points"."""
    wrong: dict[str, InputError] = {}
    numbers: dict[str, Any] = {f.name: _number(f, typed.get(f.name, ""), wrong) for f in (RATE, PIXEL)}
    points = {}
    for point in offered():
        x, y, z = (typed.get(f"{point}.{axis}", "").strip() for axis in AXES)
        if x or y or z:
            points[point] = (x, y, z)
    chosen: dict[str, Any] = {name: typed.get(name, "").strip() for name in CHOSEN}
    columns = ColumnMap(layout.separator, layout.decimal, **chosen, **numbers, points=points)
    given = {"time": RATE.name in wrong, **dict.fromkeys(wrong, True)}  # typed, though not a number
    for fault in (*columns.faults(layout.names), *_too_few(columns)):
        if not given.get(fault.field):
            wrong.setdefault(fault.field, fault)
    return columns, wrong


def _too_few(columns: ColumnMap) -> Iterator[InputError]:
    """Landmarks that a ride cannot be read without."""
    missing = lacking(columns.points)
    if all(missing.values()):
        side = min(missing, key=lambda s: len(missing[s]))
        words = ", ".join(n.replace("_", " ") for n in missing[side])
        yield InputError("points", f"no side is whole yet; the {side} one lacks {words}",
                         hint="A pedal axle may stand for heel, fifth metatarsal and toe")  # fmt: skip
    elif columns.flat and not any(p.startswith("pedal_axle") for p in columns.points):
        yield InputError("points", "without a third axis the pedal axle is needed")


def _number(field: Field, text: str, wrong: dict[str, InputError]) -> float | None:
    """The number of an input that may be left empty; what is wrong with it goes into `wrong`."""
    try:
        return read_number(field, text) if text.strip() else None
    except InputError as error:
        wrong[field.name] = InputError(field.name, error.problem, value=error.value, allowed=error.allowed)
        return None


def laid_again(typed: Mapping[str, str], first: ColumnMap, layout: TableLayout) -> dict[str, str]:
    """What stands in the boxes when the table was read another way: what was typed, where it still names a column or
    is none, else the guess."""
    columns = {"time", *(f"{p}.{axis}" for p in offered() for axis in AXES)}
    kept = {k: v for k, v in typed.items() if k not in columns or v in layout.names}
    return typed_of_map(first) | kept


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
