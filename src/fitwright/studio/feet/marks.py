"""M1 and M5 of one foot in the sole frame, whichever way they were measured."""

from __future__ import annotations

from dataclasses import dataclass

from fitwright.foot.sole import SolePoint
from fitwright.records.models import Visit
from fitwright.studio.feet.soles import reading_of


@dataclass(frozen=True)
class Marks:
    """Both heads in the sole frame; `sources` and `conflicts` in words; `from_prior` when none was measured."""

    m1: SolePoint
    m5: SolePoint
    sources: tuple[str, ...]
    conflicts: tuple[str, ...] = ()
    from_prior: bool = False


def marks_of(visit: Visit, side: str) -> Marks | None:
    """The best estimate of M1 and M5 of this foot on the shoes that are on the bench; None when nothing is known."""
    for when in ("before", "after"):
        reading = reading_of(visit, side, when)
        if reading is not None and {"m1", "m5"} <= set(reading.landmarks):
            return Marks(reading.landmarks["m1"], reading.landmarks["m5"], ("sole photograph",))
    return None
