"""How the demo picks points in a sole photograph: it takes what the finder is sure of and picks the rest by hand."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from fitwright.quantity import Floats
from fitwright.records.models import Medium, Visit
from fitwright.studio.feet.proposals import proposals_of
from fitwright.studio.point_origins import PROPOSED, Origin
from fitwright.vision.propose import GUESS

EXTRA = ("heel_inner", "heel_outer")  # found in the outline; nobody picks them by hand


def taken_or_picked(
    visit: Visit, medium: Medium, side: str, by_hand: Mapping[str, Sequence[float]]
) -> tuple[dict[str, tuple[float, float]], dict[str, Origin], Floats | None]:
    """Points (px) by name, how each came about, and the sole's edge in the picture where it was found.

    What is only guessed is picked by hand, as a fitter would. Bolts are numbered by their place among the others:
    they are taken when all of them were found.
    """
    found = proposals_of(visit, medium, side)
    bolts = {n for n in by_hand if n.startswith("bolt_")}
    known = {n for n in (*by_hand, *EXTRA) if n in found.points and found.points[n].sure != GUESS}
    if not bolts <= known:
        known -= bolts
    points = {n: (float(uv[0]), float(uv[1])) for n, uv in by_hand.items()}
    points |= {n: found.points[n].uv_px for n in known}
    origins = {n: Origin(PROPOSED, found.points[n].u_px) if n in known else Origin() for n in points}
    return points, origins, found.outline_px if len(found.outline_px) else None
