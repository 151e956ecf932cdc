"""Undo and redo of what was typed in a visit. Nothing is erased: the former value is written again as a new row."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from typing import Any

from django.db import transaction

from fitwright.errors import InputError
from fitwright.quantity import format_pm
from fitwright.records.models import Answer, Edit, Measurement, Rating, Shoes, Visit
from fitwright.sheets.ink import shorten
from fitwright.studio import bike, body, followups, intake, rider_box
from fitwright.studio.edits import PAIR, TABLES, Row, empty, record, record_pair, tops
from fitwright.studio.feet.hardware import FROM_TEMPLATE, put_on_bench
from fitwright.studio.visits import touch

SETTLE: Mapping[str, Callable[[Visit, Collection[str]], None]] = {
    intake.STATION: intake.settle, body.STATION: body.settle, bike.STATION: bike.settle,
    followups.STATION: followups.settle,
}  # fmt: skip
"""What else follows from the fields of a station: the bike's position, the visit's use, the day to meet again."""


def undo(visit: Visit, expected: int) -> str:
    """Write what stood before the last save; says what. `expected`: key of the save that the page showed."""
    return _again(visit, "undo", expected)


def redo(visit: Visit, expected: int) -> str:
    """Write what the last undone save had written; says what."""
    return _again(visit, "redo", expected)


@transaction.atomic
def _again(visit: Visit, way: str, expected: int) -> str:
    touch(visit)  # first: who writes waits here for the other window
    edit: Edit | None = getattr(tops(visit), way)
    if edit is None:
        raise InputError(way, f"there is nothing to {way}")
    if edit.pk != expected:
        raise InputError(
            way, "something else was saved since this page was shown",
            hint="Nothing was changed. Look at it now, and ask again if you still wish",
        )  # fmt: skip
    if edit.rows and edit.rows[0]["table"] == PAIR:
        return _pair_again(visit, way, edit)
    said, written = [], []
    for told in edit.rows:
        model, label = TABLES[told["table"]], told["label"]
        rows: Mapping[int, Row] = model.objects.in_bulk([k for k in (told["old"], told["new"]) if k])
        new, old = rows[told["new"]], rows.get(told["old"] or 0)
        here, there = (new, old) if way == "undo" else (old, new)
        now = _standing(new)
        if not _same(now, here):
            said.append(f"{label} was changed by something else since and stays {_words(now)}")
            continue
        written.append((label, _written_again(now or new, there)))
        said.append(f"{label} is {_words(there)} again (was {_words(here)})")
    record(visit, edit.station, way, written)
    if not written:
        # So that the one below comes next.
        Edit.objects.create(visit=visit, kind=way, station=edit.station, version=visit.version)
    if settle := SETTLE.get(edit.station):
        settle(visit, {_key(row) for _, row in written})
    return f"{'Undone' if way == 'undo' else 'Done again'}, {edit.station.capitalize()}: {'; '.join(said)}."


def _pair_again(visit: Visit, way: str, edit: Edit) -> str:
    """The pair on the bench as it was before a template filled it in, or after; a row more, unless it was changed."""
    told = edit.rows[0]
    rows = Shoes.objects.in_bulk([k for k in (told["old"], told["new"]) if k])
    filled, before = rows[told["new"]], rows.get(told["old"] or 0)
    bare = before or Shoes(name=f"pair {filled.letter}", letter=filled.letter)
    here, there = (filled, bare) if way == "undo" else (bare, filled)
    now = visit.shoes
    if now is None or _of_pair(now) != _of_pair(here):
        # So that the one below comes next.
        Edit.objects.create(visit=visit, kind=way, station=edit.station, version=visit.version)
        return "The pair was changed by something else since and stays as it is."
    name, size, system, letter = _of_pair(there)
    made = Shoes.objects.create(
        rider=visit.rider, letter=letter, name=name, size_eu=size, cleat_system=system
    )
    record_pair(visit, way, now, put_on_bench(visit, made))
    label = filled.cleat_system[FROM_TEMPLATE]["label"]
    if way == "undo":
        return f"Undone, Feet: what “{label}” had filled in is taken back."
    return f"Done again, Feet: what “{label}” says is filled in again."


def _of_pair(shoes: Shoes) -> tuple[str, Any, Mapping[str, Any], str]:
    return shoes.name, shoes.size_eu, shoes.cleat_system, shoes.letter


def _standing(row: Row) -> Row | None:
    """The last word on what the row speaks of; None when nothing ever was said."""
    same: dict[str, Any] = {f: getattr(row, f) for f in _about(row)}
    return type(row).objects.last_words().filter(visit=row.visit_id, **same).last()


def _about(row: Row) -> tuple[str, ...]:
    """The names that tell what a row speaks of."""
    return {
        "Answer": ("station", "key"), "Measurement": ("station", "key", "side"), "Rating": ("kind", "site", "moment"),
    }[type(row).__name__]  # fmt: skip


def _key(row: Row) -> str:
    return row.site if isinstance(row, Rating) else row.key


def _same(now: Row | None, then: Row | None) -> bool:
    """Whether what stands now is what stood then; how sure it is may have been reckoned anew."""
    if now is None or empty(now):
        return then is None or empty(then)
    return then is not None and not empty(then) and now.value == then.value


def _written_again(now: Row, then: Row | None) -> Row:
    """A new row in the place of `now` with the value of `then`, or one that says that nothing stands there."""
    model, source = type(now), then or now
    skip = {"id", "replaces", "created_at", "withdrawn", "value", "author"}  # who undoes is who writes
    fields = {
        f.attname: getattr(source, f.attname) for f in model._meta.concrete_fields if f.name not in skip
    }
    gone = then is None or empty(then)
    value = None if gone and isinstance(now, Answer) else source.value
    flag = {} if isinstance(now, Answer) else {"withdrawn": gone}
    return model.objects.create(**fields, value=value, replaces=now, **flag)


def _words(row: Row | None) -> str:
    """The value for a sentence; of all that is typed only a box is more than one word or number."""
    if row is None or empty(row) or row.value == "":
        return "empty"
    if isinstance(row, Measurement):
        return format_pm(row.measured)
    if isinstance(row, Rating):
        return f"{row.value} of 10"
    if isinstance(row.value, bool):
        return "yes" if row.value else "no"
    if isinstance(row.value, Mapping):
        return rider_box.words(row.value)
    return f"“{shorten(str(row.value), 60)}”"
