"""Where the points that a film follows sit on the shoe: by ruler, once for each foot of a pair of shoes."""

from __future__ import annotations

from collections.abc import Mapping

from fitwright.errors import InputError
from fitwright.motion.under_load import BY_RULER, LIFT, M5_AHEAD, SHOE_LINE, ShoePoints
from fitwright.quantity import Measured, combine
from fitwright.records.models import Visit
from fitwright.studio.entry import Field, read_number
from fitwright.studio.feet.soles import FEET, STATION, label
from fitwright.studio.visits import answer, answers

U_RULER_MM = 1.0
PLACES = {
    f.name: f
    for f in (
        Field("m5_ahead_mm", "Ball point ahead of the M5 mark", unit="mm", low=-30, high=30, hint="behind it: minus"),
        Field("m5_above_mm", "Ball point above the sole", unit="mm", low=0, high=80),
        Field("heel_above_mm", "Heel point above the sole", unit="mm", low=0, high=100),
        Field("shoe_line_mm", "Front film: the two shoe points apart", unit="mm", low=30, high=250),
    )
}  # fmt: skip


def save_places(visit: Visit, side: str, typed: Mapping[str, str]) -> None:
    """Keep what was measured on this shoe; an empty box says that it was not.

    Raises:
        InputError: the first number that is none or lies outside its range; nothing is written then.
    """
    if side not in FEET:
        raise InputError("foot", "unknown", value=side[:20], allowed="left, right")
    read = {name: read_number(f, typed[name]) for name, f in PLACES.items() if typed.get(name, "").strip()}
    answer(visit, STATION, label(visit, f"film points {side}"), read)


def places_of(visit: Visit, side: str) -> dict[str, float]:
    """What was measured on this shoe, mm."""
    return dict(answers(visit, STATION).get(label(visit, f"film points {side}")) or {})


def shoe_points(visit: Visit, side: str) -> ShoePoints:
    """For the side film: as measured, what was not measured as put on by eye."""
    at = places_of(visit, side)
    heel, m5 = at.get("heel_above_mm"), at.get("m5_above_mm")
    lift = LIFT
    if heel is not None and m5 is not None:
        lift = Measured(heel - m5, combine(U_RULER_MM, U_RULER_MM), "mm", BY_RULER)
    ahead = at.get("m5_ahead_mm")
    return ShoePoints(
        m5_ahead=M5_AHEAD if ahead is None else Measured(ahead, U_RULER_MM, "mm", BY_RULER), lift=lift
    )


def shoe_line(visit: Visit) -> dict[str, Measured]:
    """side → distance of the front film's two shoe points; as put on by eye where nobody measured it."""
    typed = {side: places_of(visit, side).get("shoe_line_mm") for side in FEET}
    return {
        side: SHOE_LINE if mm is None else Measured(mm, U_RULER_MM, "mm", BY_RULER)
        for side, mm in typed.items()
    }  # fmt: skip
