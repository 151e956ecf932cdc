"""What is found in one frame of a film as the points to be marked: proposals, never taken by themselves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from fitwright.records.media import path_of
from fitwright.records.models import Medium, Visit
from fitwright.studio import bike, landmark_file, ride, rider_box
from fitwright.studio.feet.photo import picture_of
from fitwright.studio.film_guess import LegGuess, guess_leg
from fitwright.studio.film_weak import LABELS
from fitwright.studio.point_origins import GUESSED
from fitwright.studio.remembered import remembered
from fitwright.studio.stills import as_pixels, frame_at, frame_time
from fitwright.vision.find_markers import find_discs, name_discs
from fitwright.vision.leg_guess import Surround
from fitwright.vision.level_edges import ProposedEdge, propose_edges
from fitwright.vision.propose import GUESS, LIKELY, Proposed
from fitwright.vision.video import turned_upright

U_DISC_PX = 0.15
SAME_S = 0.002
ON_DISC = "a disc where the network sees it"
GUESS_WORDS = "seen by the network; nobody has confirmed it"
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
        return _found(turned_upright(as_pixels(frame, "gray"), clip), kind, side)

    return remembered(("film proposals", medium.sha256, view, float(frame.time)), made)


def proposals_in(medium: Medium, side: str) -> dict[str, Any]:
    """The same for a photograph of the rider from one side."""
    ride.check_place(f"side {side}", "before")
    return remembered(
        ("photo proposals", medium.sha256, side), lambda: _found(picture_of(medium).grey, "side", side)
    )


def guesses_at(visit: Visit, medium: Medium, view: str, when: str, at_s: float) -> dict[str, Any]:
    """What the studio's network says of the near leg in that frame: `{"points": {name: proposal}, "notes": []}`.

    It begins in the rider's box where one was drawn. A point on a disc is proposed as the disc. Any other has
    `"origin": "guessed"` and stays a guess until a hand confirms it. Nothing without a network or in a front film.

    Raises:
        InputError: an unknown view, a time after the film's end, or a network's file that changed.
    """
    ride.check_place(view, when)
    kind, side = ride.VIEWS[view]
    net = landmark_file.network()
    if net is None or kind != "side" or side is None:
        return {"points": {}, "notes": []}
    time_s = frame_time(medium, at_s)
    marks = ride.marks_in(visit, view, when, medium.sha256) or {}
    around = _around(visit, marks if abs(marks.get("time_s", -1) - time_s) < SAME_S else {})
    box = rider_box.box_of(visit, view, when, medium.sha256)
    key = ("leg guess", medium.sha256, view, time_s, str(landmark_file.given()), str(around), str(box))
    return remembered(key, lambda: _in_words(guess_leg(path_of(medium), net, side, time_s, around, box)))


def _around(visit: Visit, marks: Mapping[str, Any]) -> Surround:
    """What gives the scale: the crank and a wheel, where they are known."""
    crank = bike.contact_measured(visit).get("crank_mm")
    places = {
        n: np.array(uv, dtype=np.float64) for n, uv in marks.get("points", {}).items()
        if n not in marks.get("guessed", ())
    }  # fmt: skip
    return Surround(places, crank.value if crank else None, marks.get("around", {}).get("wheel_mm"))


def _in_words(told: LegGuess) -> dict[str, Any]:
    if told.rejected:
        better = ", ".join(f"{t:.2f}" for t in told.better_s[:4])
        more = f" Try the picture at {better} s." if better else " Try another moment."
        return {"points": {}, "notes": [f"Nothing is guessed in this picture: {told.rejected}.{more}"]}
    points = {}
    for name, guess in told.points.items():
        if name in told.on_disc:
            u, v = told.on_disc[name].uv_px
            points[name] = Proposed((float(u), float(v)), U_DISC_PX, ON_DISC, LIKELY).to_json()
        else:
            points[name] = Proposed(guess.uv_px, guess.u_px, GUESS_WORDS, GUESS).to_json() | {
                "origin": GUESSED
            }
    free = len(points) - len(told.on_disc)
    notes = [
        f"{free} points are guessed: dotted, as wide as their doubt. Put each right or say that it sits right."
    ]
    notes += [
        f"{LABELS.get(n, n)}: the disc lies far from where the network sees the point. Look."
        for n in told.doubted
    ]
    return {"points": points, "notes": notes if free else notes[1:]}


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
        more = discs - named
        return ["1 more disc could not be named." if more == 1 else f"{more} more discs could not be named."]
    return []
