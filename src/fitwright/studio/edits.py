"""What each save of typed fields wrote, kept so that it can be undone; see `fitwright.studio.undo`."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from fitwright.records.models import Answer, Edit, Measurement, Rating, Visit
from fitwright.studio.visits import let_go, once

Row = Answer | Measurement | Rating


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
        Edit.objects.create(visit=visit, kind=kind, station=station, rows=rows)
        let_go(visit)


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
