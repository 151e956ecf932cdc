"""What the page of M1 and M5 shows of each foot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fitwright.foot.marks import COORDINATES, CombinedMarks
from fitwright.quantity import Measured
from fitwright.records.models import Medium, Visit
from fitwright.studio.feet.marks import (
    KIND,
    Marks,
    Way,
    combined_of,
    foot_length_of,
    guessed_words,
    marks_of,
    ways_of,
)
from fitwright.studio.feet.marks_entry import Pair, other_pairs, side_photos, typed_ruler
from fitwright.studio.feet.soles import FEET

COLUMNS = {
    "m1_x": "M1 from the heel", "m1_z": "M1 inward", "m5_x": "M5 from the heel", "m5_z": "M5 outward",
}  # fmt: skip


@dataclass(frozen=True)
class Line:
    """One way of measuring as a line of the table: values by column, from the mid-line always positive."""

    way: Way
    values: Mapping[str, Measured]
    medium: Medium | None
    place: str  # where its picture was taken from: "inner", "outer", "before", "after", or ""

    @property
    def guess(self) -> bool:
        """Whether nobody measured it."""
        return self.way.observation.guess


@dataclass(frozen=True)
class FootMarks:
    """One foot.

    `unpicked`: side photographs in which nothing was picked yet, by edge. `guessed`: in words.
    """

    side: str
    lines: tuple[Line, ...]
    found: CombinedMarks
    values: Mapping[str, Measured]
    marks: Marks | None
    guessed: tuple[str, ...]
    foot_length: Measured | None
    unpicked: Mapping[str, Medium]
    pairs: tuple[Pair, ...]
    typed: Mapping[str, str]

    @property
    def measured(self) -> bool:
        """Whether anything at all was measured."""
        return any(not line.guess for line in self.lines)


def page(visit: Visit) -> tuple[FootMarks, ...]:
    """Both feet on the shoes that are on the bench."""
    ways = {side: ways_of(visit, side) for side in FEET}
    wanted = {w.row.medium_id for found in ways.values() for w in found if w.row is not None}
    media = Medium.objects.in_bulk(wanted - {None})
    return tuple(_foot(visit, side, ways[side], media) for side in FEET)


def _foot(visit: Visit, side: str, ways: tuple[Way, ...], media: Mapping[int, Medium]) -> FootMarks:
    found = combined_of(visit, side)
    lines = tuple(_line(w, media) for w in ways)
    laid = {line.medium.pk for line in lines if line.medium}
    return FootMarks(
        side, lines, found, outward(found.measured), marks_of(visit, side), guessed_words(found),
        foot_length_of(visit, side),
        {edge: m for edge, m in side_photos(visit, side).items() if m.pk not in laid},
        other_pairs(visit, side), typed_ruler(visit, side),
    )  # fmt: skip


def _line(way: Way, media: Mapping[int, Medium]) -> Line:
    row = way.row
    medium = media.get(row.medium_id) if row is not None else None
    place = row.label.split()[1] if row is not None and (medium or row.kind != KIND) else ""
    return Line(way, outward(way.observation.measured), medium, place)


def outward(measured: Mapping[str, Measured]) -> dict[str, Measured]:
    """By column, with M1's place counted inward, so that a ruler's number is the page's number."""
    shown = {n: measured[n] for n in COORDINATES if n in measured}
    if (m := shown.get("m1_z")) is not None:
        shown["m1_z"] = Measured(-m.value, m.u, m.unit, m.method)
    return shown
