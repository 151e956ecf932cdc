"""What an earlier visit of the same rider measured, offered where this one has nothing yet; never taken by itself.

What is taken over stays what it was, with its ± and its method, and says from which day it is and that it was not
measured again. Bike measures come from a visit with the same bike.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from django.db import transaction
from django.utils import timezone

from fitwright.errors import InputError
from fitwright.quantity import format_pm
from fitwright.records.models import Measurement, Visit
from fitwright.studio import bike, body
from fitwright.studio.edits import Row, record
from fitwright.studio.entry import Field, lowered
from fitwright.studio.typed import TAKEN_OVER
from fitwright.studio.visits import answer, answers, let_go, measure, measured, once, touch
from fitwright.told import day_of_record

FIELDS: dict[str, Sequence[Field]] = {body.STATION: body.FIELDS, bike.STATION: bike.FIELDS}
MOST_VISITS = 12


@dataclass(frozen=True)
class Offered:
    """A field that is empty here, and what an earlier visit has in it."""

    field: Field
    row: Measurement

    @property
    def words(self) -> str:
        """`inseam 805 ± 8 mm`."""
        return f"{lowered(self.field.label)} {format_pm(self.row.measured)}"


@dataclass(frozen=True)
class Earlier:
    """The latest earlier visit that has something to offer, its day, and what."""

    visit: Visit
    day: date
    offered: tuple[Offered, ...]


def earlier_of(visit: Visit, station: str) -> Earlier | None:
    """What can be taken over at a typed station; None when every field is filled or nothing was measured before."""
    if station not in FIELDS:
        return None
    return once(visit, f"earlier {station}", lambda: _earlier_of(visit, station))


def _earlier_of(visit: Visit, station: str) -> Earlier | None:
    here = measured(visit, station)
    empty = [f for f in FIELDS[station] if f.kind in ("number", "readings") and f.record not in here]
    if not empty:
        return None
    before = Visit.objects.filter(rider=visit.rider_id, opened_at__lt=visit.opened_at)
    if station == bike.STATION:
        before = before.filter(bike=visit.bike_id) if visit.bike_id else before.none()
    for old in before.order_by("-opened_at")[:MOST_VISITS]:
        known = measured(old, station)
        if offered := tuple(Offered(f, known[f.record]) for f in empty if f.record in known):
            return Earlier(old, timezone.localdate(old.opened_at), offered)
    return None


def take_over(visit: Visit, station: str, version: int | None = None) -> tuple[str, ...]:
    """Write what the earlier visit has into the fields that are empty here; one undo takes all of it back.

    Raises:
        InputError: nothing to take over, or the visit was saved elsewhere since `version`.
    """
    with transaction.atomic():
        let_go(visit)
        earlier = earlier_of(visit, station)
        if earlier is None:
            raise InputError("visit before", "it has nothing that is empty here", hint="Reload the page")
        touch(visit, version)
        rows: list[tuple[str, Row]] = []
        for one in earlier.offered:
            # What an earlier visit had itself taken over keeps the day on which it was really measured.
            since = f"not measured again since {day_of_record(earlier.day)}"
            day = "" if TAKEN_OVER in one.row.method else f"; {since}"
            told = replace(one.row.measured, method=one.row.method[: 200 - len(day)] + day)
            row = measure(visit, station, one.field.key or one.field.name, told, side=one.field.side,
                          readings=one.row.readings)  # fmt: skip
            rows.append((lowered(one.field.label), row))
        rows += _choices(visit, station, earlier)
        record(visit, station, "typed", rows)
    if station == bike.STATION:  # the hanging feet were reckoned with the line that comes along
        bike.settle(visit, [o.field.name for o in earlier.offered])
    return tuple(o.words for o in earlier.offered)


def _choices(visit: Visit, station: str, earlier: Earlier) -> list[tuple[str, Row]]:
    """How it was measured then, where nothing else is said here."""
    here, there = answers(visit, station), answers(earlier.visit, station)
    fields = [
        f for f in FIELDS[station] if f.kind == "choice" and f.record[0] in there and f.record[0] not in here
    ]
    return [(lowered(f.label), answer(visit, station, f.record[0], there[f.record[0]])) for f in fields]
