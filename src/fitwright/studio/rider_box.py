"""Where the rider is in a film's picture: a box that a first guess begins in, kept with the film it was drawn in.

Each change of it is one that the visit's undo takes back, as of every typed field.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from fitwright.errors import InputError
from fitwright.records.media import path_of
from fitwright.records.models import Medium, Visit
from fitwright.studio import ride
from fitwright.studio.edits import record
from fitwright.studio.entry import Field, plain, read_number
from fitwright.studio.visits import answer, answers, touch
from fitwright.vision.leg_guess import whole
from fitwright.vision.video import probe

Box = tuple[float, float, float, float]
"""Left, top, right, bottom, px of the upright picture."""
EDGES = {"left": "Left edge", "top": "Upper edge", "right": "Right edge", "bottom": "Lower edge"}


@dataclass(frozen=True)
class Edge:
    """One of the four edges as the page shows it; `text` is empty where there is no box."""

    name: str
    label: str
    text: str = ""


def box_of(visit: Visit, view: str, when: str, sha256: str) -> Box | None:
    """The box that was drawn in this film; None: the rider may be anywhere in the picture."""
    said = answers(visit, ride.STATION).get(f"box {view} {when}")
    if not said or said.get("sha256") != sha256:
        return None
    left, top, right, bottom = said["box_px"]
    return left, top, right, bottom


def edges(box: Box | None, typed: Mapping[str, str] | None = None) -> tuple[Edge, ...]:
    """The four edges with what is on record, or with what was `typed` just now."""
    texts = [plain(x) for x in box] if box else [""] * 4
    if typed is not None:
        texts = [typed.get(f"box.{n}", "") for n in EDGES]
    return tuple(Edge(n, label, t) for (n, label), t in zip(EDGES.items(), texts, strict=True))


def read(typed: Mapping[str, str], size_px: tuple[int, int]) -> Box | None:
    """What was typed or drawn as `box.left`, ...; None when all four are empty.

    Raises:
        InputError: one is missing or outside the picture, or the box is too small or inside out.
    """
    texts = {n: typed.get(f"box.{n}", "").strip() for n in EDGES}
    if not any(texts.values()):
        return None
    most = {"left": size_px[0], "right": size_px[0], "top": size_px[1], "bottom": size_px[1]}
    left, top, right, bottom = (
        read_number(Field(n, EDGES[n], unit="px", low=0, high=most[n]), text) for n, text in texts.items()
    )
    whole(size_px, (left, top, right, bottom))  # says what is wrong with it
    return left, top, right, bottom


def save(visit: Visit, medium: Medium, view: str, when: str, typed: Mapping[str, str]) -> Box | None:
    """Keep the box of a film from the side, or that there is none any longer.

    Raises:
        InputError: an unknown place, a film from the front, or a box that is none.
    """
    ride.check_place(view, when)
    if ride.VIEWS[view][0] != "side":
        raise InputError("view", "nothing is guessed from there", value=view, allowed="side right, side left")
    some = any(typed.get(f"box.{n}", "").strip() for n in EDGES)
    box = read(typed, probe(path_of(medium)).upright_size_px) if some else None
    if box != box_of(visit, view, when, medium.sha256):
        kept = {"sha256": medium.sha256, "box_px": list(box)} if box else None
        label = f"rider’s box ({ride.VIEW_WORDS[view]}, {ride.WHEN_WORDS[when]})"
        with transaction.atomic():
            touch(visit)
            row = answer(visit, ride.STATION, f"box {view} {when}", kept)
            record(visit, ride.STATION, "typed", [(label, row)])
    return box


def words(kept: Mapping[str, Any]) -> str:
    """`40 to 260 px across, 30 to 220 px down` of a box on record."""
    left, top, right, bottom = (plain(x) for x in kept["box_px"])
    return f"{left} to {right} px across, {top} to {bottom} px down"
