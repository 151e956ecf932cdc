"""What is found in one frame of a film as the points to be marked: proposals, never taken by themselves."""

from __future__ import annotations

from typing import Any

import numpy as np

from fitwright.records.models import Medium
from fitwright.studio import ride
from fitwright.studio.feet.photo import picture_of
from fitwright.studio.remembered import remembered
from fitwright.studio.stills import frame_at
from fitwright.vision.find_markers import find_discs, name_discs
from fitwright.vision.level_edges import ProposedEdge, propose_edges
from fitwright.vision.propose import GUESS, LIKELY, Proposed
from fitwright.vision.video import turned_upright

U_DISC_PX = 0.15
EDGE_WORDS = "a long upright edge; take it only when it is a door frame or hangs plumb"


def proposals_at(medium: Medium, view: str, at_s: float) -> dict[str, Any]:
    """`{"points": {name: proposal}, "outline_px": [], "notes": []}` for the frame shown at `at_s`.

    Raises:
        InputError: an unknown view, no film, or a time after its end.
    """
    ride.check_place(view, "before")
    clip, frame = frame_at(medium, at_s)
    kind, side = ride.VIEWS[view]

    def made() -> dict[str, Any]:
        return _found(turned_upright(frame.to_ndarray(format="gray"), clip), kind, side)

    return remembered(("film proposals", medium.sha256, view, float(frame.time)), made)


def proposals_in(medium: Medium, side: str) -> dict[str, Any]:
    """The same for a photograph of the rider from one side."""
    ride.check_place(f"side {side}", "before")
    return remembered(
        ("photo proposals", medium.sha256, side), lambda: _found(picture_of(medium).grey, "side", side)
    )


def _found(grey: np.ndarray[Any, np.dtype[np.uint8]], kind: str, side: str | None) -> dict[str, Any]:
    discs = find_discs(grey)
    named = name_discs(discs, kind, side)
    points = {
        name: Proposed(
            (float(m.uv_px[0]), float(m.uv_px[1])), U_DISC_PX,
            f"a disc of {2 * m.radius_px:.0f} px where a rider has it", LIKELY,
        )
        for name, m in named.items()
    }  # fmt: skip
    if kind == "side":
        points |= _plumb(propose_edges(grey))
    return {
        "points": {n: p.to_json() for n, p in points.items()}, "outline_px": [],
        "notes": _notes(len(discs), len(named)),
    }  # fmt: skip


def _plumb(edges: tuple[ProposedEdge, ...]) -> dict[str, Proposed]:
    """The longest upright edge, as a guess that is taken one by one only."""
    upright = next((e for e in edges if e.upright), None)
    if upright is None:
        return {}
    return {name: Proposed(uv, 0.5, EDGE_WORDS, GUESS) for name, uv in upright.points.items()}


def _notes(discs: int, named: int) -> list[str]:
    if discs == 0:
        return [
            "No contrast disc is seen in this picture. Choose another moment, or mark the points by hand."
        ]
    if named == 0:
        return [
            f"{discs} discs are seen, but not in a rider’s order. Mark them by hand; each pick snaps to its disc."
        ]
    if named < discs:
        return [f"{discs - named} more disc{'s' if discs - named > 1 else ''} could not be named."]
    return []
