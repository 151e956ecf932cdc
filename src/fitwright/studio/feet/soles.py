"""Sole photographs of a visit: laid at their place, points picked in them, and the reading that follows.

A place is a foot, a moment and a pair of shoes. The first pair (A) is the silent one: its labels carry no letter.
"""

from __future__ import annotations

from collections.abc import Mapping

from fitwright.errors import InputError
from fitwright.foot.sole import SoleReading
from fitwright.quantity import Floats, Measured
from fitwright.records.models import Medium, Visit
from fitwright.studio.cameras import card_of_studio
from fitwright.studio.feet.measure import HEIGHT_UNKNOWN, U_TOLD_MM, measure_sole
from fitwright.studio.feet.photo import picture_of, plane_of
from fitwright.studio.point_origins import Origin
from fitwright.studio.visits import analyse, analysis, answer, answers, once

STATION = "feet"
FEET = ("left", "right")
MOMENTS = ("before", "after", "remount")
MOMENT_WORDS = {"before": "as it came", "after": "after fitting", "remount": "put back later"}


def letter_of(visit: Visit) -> str:
    """The letter of the pair of shoes that is on the bench."""
    return visit.shoes.letter if visit.shoes else "A"


def label(visit: Visit, words: str) -> str:
    """The label under which the pair on the bench keeps `words` ("left before", "left before B")."""
    return label_of(letter_of(visit), words)


def label_of(letter: str, words: str) -> str:
    """The same for the pair with this letter."""
    return words if letter == "A" else f"{words} {letter}"


def letter_in(labelled: str) -> str:
    """The letter of the pair that a label of `label_of` speaks of."""
    last = labelled.split()[-1]
    return last if last.isupper() else "A"


def save_photo(visit: Visit, medium: Medium, foot: str, when: str) -> None:
    """Lay a sole photograph at its place."""
    check_place(foot, when)
    answer(visit, STATION, label(visit, f"photo {foot} {when}"), {"sha256": medium.sha256})


def save_picks(
    visit: Visit, medium: Medium, foot: str, when: str, points: Mapping[str, tuple[float, float]],
    origins: Mapping[str, Origin] | None = None, outline_px: Floats | None = None,
) -> SoleReading:  # fmt: skip
    """Measure a sole photograph from the points picked in it and keep photograph, picks and reading.

    `origins`: how each point came about (left out: by hand), with its own uncertainty; `outline_px`: the sole's edge
    as it was found and accepted.
    """
    check_place(foot, when)
    origins = {name: (origins or {}).get(name, Origin()) for name in points}
    sure = {name: o.u_px for name, o in origins.items() if o.u_px is not None}
    reading = measure_sole(
        picture_of(medium), foot, points, card=card_of_studio(), plane=plane_of(medium), u_pick_px=sure,
        outline_px=outline_px, cleat_height=cleat_height(visit),
    )  # fmt: skip
    save_photo(visit, medium, foot, when)
    analyse(
        visit, "sole", label(visit, f"{foot} {when}"), reading.to_json(), medium=medium,
        inputs={
            "points": {k: list(v) for k, v in points.items()},
            "origins": {k: o.to_json() for k, o in origins.items()}, "outline": outline_px is not None,
        },
    )  # fmt: skip
    return reading


def cleat_height(visit: Visit) -> Measured:
    """How high the face of the cleat stands above the sole, by the pair on the bench."""
    told = visit.shoes.cleat_system.get("cleat_height_mm") if visit.shoes else None
    return HEIGHT_UNKNOWN if told is None else Measured(float(told), U_TOLD_MM, "mm", "depth gauge")


def reading_of(visit: Visit, foot: str, when: str) -> SoleReading | None:
    """The measured sole of one foot and moment."""

    def read() -> SoleReading | None:
        row = analysis(visit, "sole", label(visit, f"{foot} {when}"))
        return SoleReading.from_json(row.result) if row else None

    return once(visit, f"sole {foot} {when}", read)


def newest_reading(visit: Visit, foot: str) -> SoleReading | None:
    """The foot's sole as fitted, else as it came."""
    return reading_of(visit, foot, "after") or reading_of(visit, foot, "before")


def photos_of(visit: Visit, foot: str) -> dict[str, Medium]:
    """The sole photographs of one foot by moment."""
    return once(visit, "sole photographs", lambda: _photos(visit))[foot]


def _photos(visit: Visit) -> dict[str, dict[str, Medium]]:
    said = answers(visit, STATION)
    laid = {
        (foot, when): photo["sha256"]
        for foot in FEET
        for when in MOMENTS
        if (photo := said.get(label(visit, f"photo {foot} {when}")))
    }
    media = Medium.objects.in_bulk(laid.values(), field_name="sha256") if laid else {}
    return {
        foot: {when: media[digest] for (side, when), digest in laid.items() if side == foot} for foot in FEET
    }


def check_place(foot: str, when: str) -> None:
    """InputError for a foot or a moment that is none."""
    if foot not in FEET:
        raise InputError("foot", "unknown", value=foot, allowed="left, right")
    if when not in MOMENTS:
        raise InputError("when", "unknown", value=when, allowed=", ".join(MOMENTS))
