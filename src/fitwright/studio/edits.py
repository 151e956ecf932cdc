"""What each save of typed fields wrote, kept so that it can be undone; see `fitwright.studio.undo`."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from fitwright.records.models import Answer, Edit, Measurement, Rating, Shoes, Visit
from fitwright.studio.visits import let_go, once

Row = Answer | Measurement | Rating
About = tuple[str, str, str, str]
"""What a row speaks of: its table, then station, key and side, or of a rating its moment, kind and site."""
TABLES: Mapping[str, type[Row]] = {"Answer": Answer, "Measurement": Measurement, "Rating": Rating}

PAIR = "Shoes"
"""The table of an edit that is not of typed fields: a pair of shoes as a template filled it in."""


@dataclass(frozen=True)
class Tops:
    """The save that an undo would take back next, and the one that a redo would write again."""

    undo: Edit | None
    redo: Edit | None


def record(visit: Visit, station: str, kind: str, written: Iterable[tuple[str, Row]]) -> None:
    """Keep that these rows were written together: (label of the field, the new row)."""
    rows = [
        {
            "table": type(new).__name__, "label": label, "new": new.pk,
            "old": None if new.replaces is None or empty(new.replaces) else new.replaces_id,
        }
        for label, new in written
    ]  # fmt: skip
    if rows:
        Edit.objects.create(visit=visit, kind=kind, station=station, rows=rows, version=visit.version)
        let_go(visit)


def record_pair(visit: Visit, kind: str, old: Shoes | None, new: Shoes) -> None:
    """Keep that this row of a pair took the place of the other on the bench."""
    row = {
        "table": PAIR, "label": "shoes from a template", "new": new.pk, "old": old.pk if old else None,
    }  # fmt: skip
    Edit.objects.create(visit=visit, kind=kind, station="feet", rows=[row], version=visit.version)
    let_go(visit)


def changed_since(visit: Visit, version: int) -> Mapping[About, str] | None:
    """What was typed, undone or redone since the visit had this version, and by whom (an empty text: nobody said).

    None when something else was saved too, so that one cannot tell.
    """
    now = Visit.objects.values_list("version", flat=True).get(pk=visit.pk)
    later = list(Edit.objects.filter(visit=visit, version__gt=version))
    if len(later) != now - version:
        return None
    by = {(told["table"], told["new"]): edit.by for edit in later for told in edit.rows}
    found: dict[About, str] = {}
    for name, table in TABLES.items():
        keys = [key for of, key in by if of == name]
        found |= {about(row): by[name, row.pk] for row in table.objects.filter(pk__in=keys).order_by("pk")}
    return found


def about(row: Row) -> About:
    """What the row speaks of."""
    if isinstance(row, Rating):
        return ("Rating", row.moment, row.kind, row.site)
    return (type(row).__name__, row.station, row.key, row.side if isinstance(row, Measurement) else "")


def empty(row: Row) -> bool:
    """Whether the row says that nothing stands there."""
    return row.value is None if isinstance(row, Answer) else row.withdrawn


def tops(visit: Visit) -> Tops:
    """What stands on top of the two stacks that the saves of the visit make, the earlier undone ones included."""
    return once(visit, "edits", lambda: _tops(list(Edit.objects.filter(visit=visit))))


def _tops(edits: Sequence[Edit]) -> Tops:
    done: list[Edit] = []
    undone: list[Edit] = []
    for edit in edits:
        if edit.kind == "undo":
            undone.append(done.pop())
        elif edit.kind == "redo":
            done.append(undone.pop())
        else:
            done.append(edit)
            undone.clear()
    return Tops(done[-1] if done else None, undone[-1] if undone else None)


def words(edit: Edit) -> str:
    """`saddle height`, or `saddle height and 3 more`: the fields of a save."""
    labels = [r["label"] for r in edit.rows]
    return labels[0] if len(labels) == 1 else f"{labels[0]} and {len(labels) - 1} more"
