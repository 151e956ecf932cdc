"""Points that a hand put right in a film: kept with its analysis, and laid again over points followed anew.

A point that a network guessed is confirmed by that: what was followed from the guess is forgotten, and from where the
hand put it the point is followed through the whole film.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.studio.point_origins import CONFIRMED, Origin
from fitwright.vision.repair import CORRECTED, repair
from fitwright.vision.tracks import SELDOM, Tracks, seldom_seen
from fitwright.vision.video import to_sensor

Correction = Mapping[str, Any]
"""One of them: "name" of the point, "time_s" of the frame, "uv_px" (upright)."""
DONE, WAITING, TAKEN_BACK = "corrections", "corrections_waiting", "taken_back"
"""Entries of an analysis's inputs: those that went into it, those whose point was not marked, and the keys of the
results that were taken back, the next to be done again last."""


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
    path: Path, tracks: Tracks, correction: Correction, tell: Callable[[float], None] | None = None,
    guessed: Collection[str] = (),
) -> Tracks:  # fmt: skip
    """The tracks with one point put right; the last note says what changed. Raises as `repair`.

    guessed: points whose marks are guesses; the first correction of such a one confirms it.
    """
    place, name = to_sensor(np.array(correction["uv_px"], dtype=np.float64), tracks.info), correction["name"]
    anew = name in guessed and not tracks.quality.get(name, {}).get(CORRECTED)
    new = repair(path, tracks, name, correction["time_s"], place, tell, anew=anew)
    lasting = (n for n in new.notes if SELDOM not in n)
    return replace(new, notes=(*seldom_seen(new.quality), *lasting))


def confirmed(marks: Mapping[str, Any], row: Analysis | None) -> Mapping[str, Any]:
    """A film's marks as they are shown where points are marked: a guess that was put right in the film since stands
    where it was followed to in the marked frame, confirmed by hand. One that is not seen there stays a guess."""
    guessed = [c["name"] for c in of(row) if c["name"] in marks.get("guessed", ())]
    if row is None or not guessed or row.inputs.get("marks", {}).get("time_s") != marks["time_s"]:
        return marks
    tracks = Tracks.from_json(row.result["tracks"])
    at = tracks.upright_px[int(np.argmin(np.abs(tracks.time_s - marks["time_s"])))]
    there = {n: at[tracks.names.index(n)] for n in guessed if n in tracks.names}
    found = {n: [round(float(x), 2) for x in uv] for n, uv in there.items() if np.isfinite(uv).all()}
    return {
        **marks, "points": {**marks["points"], **found},
        "guessed": {n: g for n, g in marks["guessed"].items() if n not in found},
        "confirmed": sorted({*marks.get("confirmed", ()), *found}),
        "origin": {**marks.get("origin", {}), **{n: Origin(CONFIRMED).to_json() for n in found}},
    }  # fmt: skip


def lay_again(
    path: Path, tracks: Tracks, wanted: Sequence[Correction], guessed: Collection[str] = ()
) -> Mended:
    """Corrections from before over points that were followed anew in the same film; none is dropped silently."""
    versions, done, waiting = [tracks], [], []
    for correction in wanted:
        try:
            versions.append(put_right(path, versions[-1], correction, guessed=guessed))
            done.append(correction)
        except InputError:
            waiting.append(correction)
    told = tuple(
        f"{c['name']}: was put right by hand at {c['time_s']:.2f} s and is not marked now; "
        "that is kept, and laid again once the point is marked." for c in waiting
    )  # fmt: skip
    noted = tuple(replace(t, notes=(*t.notes, *told)) for t in versions)
    return Mended(noted, tuple(done), tuple(waiting))
