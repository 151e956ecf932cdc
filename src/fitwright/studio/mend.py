"""Points that a hand put right in a film: kept with its analysis, and laid again over points followed anew."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.vision.repair import repair
from fitwright.vision.tracks import SELDOM, Tracks, seldom_seen
from fitwright.vision.video import to_sensor

Correction = Mapping[str, Any]
"""One of them: "name" of the point, "time_s" of the frame, "uv_px" (upright)."""
DONE, WAITING = "corrections", "corrections_waiting"
"""Entries of an analysis's inputs: those that went into it, and those whose point was not marked."""


@dataclass(frozen=True)
class Mended:
    """Tracks with corrections in them. `tracks` after each one, the first without any; `done` the same without the
    first; `waiting`: those that could not be laid again."""

    tracks: tuple[Tracks, ...]
    done: tuple[Correction, ...]
    waiting: tuple[Correction, ...]


def of(row: Analysis | None) -> list[Correction]:
    """The corrections that went into an analysis, oldest first."""
    return list((row.inputs if row else {}).get(DONE, []))


def known_of(visit: Visit, label: str, medium: Medium) -> list[Correction]:
    """All corrections of a film at its place, as of its newest analysis, whichever film lies there now."""
    rows = Analysis.objects.filter(visit=visit, kind="ride", label=label, medium=medium)
    row = rows.order_by("created_at", "pk").defer("result").last()
    return [*of(row), *(row.inputs if row else {}).get(WAITING, [])]


def put_right(
    path: Path, tracks: Tracks, correction: Correction, tell: Callable[[float], None] | None = None
) -> Tracks:
    """The tracks with one point put right; the last note says what changed. Raises as `repair`."""
    place = to_sensor(np.array(correction["uv_px"], dtype=np.float64), tracks.info)
    new = repair(path, tracks, correction["name"], correction["time_s"], place, tell)
    lasting = (n for n in new.notes if SELDOM not in n)
    return replace(new, notes=(*seldom_seen(new.quality), *lasting))


def lay_again(path: Path, tracks: Tracks, wanted: Sequence[Correction]) -> Mended:
    """Corrections from before over points that were followed anew in the same film; none is dropped silently."""
    versions, done, waiting = [tracks], [], []
    for correction in wanted:
        try:
            versions.append(put_right(path, versions[-1], correction))
            done.append(correction)
        except InputError:
            waiting.append(correction)
    told = tuple(
        f"{c['name']}: was put right by hand at {c['time_s']:.2f} s and is not marked now; "
        "that is kept, and laid again once the point is marked." for c in waiting
    )  # fmt: skip
    noted = tuple(replace(t, notes=(*t.notes, *told)) for t in versions)
    return Mended(noted, tuple(done), tuple(waiting))
