"""One foot at the Feet station: everything known about it, and what follows from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from fitwright.foot.float_window import check_float
from fitwright.foot.frame import axle_under_foot
from fitwright.foot.sole import SoleReading
from fitwright.foot.start import StartSetting
from fitwright.quantity import Measured
from fitwright.records.models import Medium, Visit
from fitwright.studio import body
from fitwright.studio.feet.check import check_of
from fitwright.studio.feet.hardware import float_window
from fitwright.studio.feet.marks import Marks, marks_of
from fitwright.studio.feet.restore import restored
from fitwright.studio.feet.setting import start_of, to_do
from fitwright.studio.feet.soles import MOMENTS, photos_of, reading_of
from fitwright.studio.feet.verdict import Check
from fitwright.studio.visits import once


@dataclass(frozen=True)
class Foot:
    """One foot at this station; what is not known yet is None.

    `start` is the first setting for the wished λ at the hanging foot's yaw, `to_do` how to get there from the
    cleat as found; `lambda_now` where the axle runs with the newest pose; `check` the newest pose against the
    wish; `remount` the cleat found later against the record; `float_words` whether the hanging foot's yaw lies
    inside the float.
    """

    side: str
    hanging_yaw: Measured | None
    readings: Mapping[str, SoleReading]
    photos: Mapping[str, Medium]
    start: StartSetting | None
    to_do: str
    lambda_now: Measured | None
    check: Check | None
    remount: Check | None
    float_words: str


def foot_of(visit: Visit, side: str) -> Foot:
    """Everything known about one foot, with what follows from it."""
    return once(visit, f"foot {side}", lambda: _foot_of(visit, side))


def _foot_of(visit: Visit, side: str) -> Foot:
    hanging = body.hanging(visit).get(side)
    yaw = hanging.yaw_deg if hanging else None
    readings = {w: r for w in MOMENTS if (r := reading_of(visit, side, w)) is not None}
    found, after, later = (readings.get(w) for w in MOMENTS)
    start = start_of(visit, side)
    newest = after or found
    return Foot(
        side, yaw, readings, photos_of(visit, side), start,
        to_do(found, start), lambda_of(newest, marks_of(visit, side)) if newest else None,
        check_of(visit, side),
        restored(visit, side).check if later else None,
        _float_words(visit, newest, yaw),
    )  # fmt: skip


def lambda_of(reading: SoleReading, marks: Marks | None = None) -> Measured | None:
    """λ with the foot at mid-float; None while marks or cleat are missing.

    With `marks`, measured in several ways, those are used instead of the reading's own; a guess never is.
    """
    sources = "sole photograph"
    if marks is not None and not marks.from_prior:
        both = {**reading.landmarks, "m1": marks.m1, "m5": marks.m5}
        reading, sources = replace(reading, landmarks=both), "; ".join(marks.sources)
    if reading.cleat is None or not {"m1", "m5"} <= set(reading.landmarks):
        return None
    return replace(axle_under_foot(reading), method=sources)


def _float_words(visit: Visit, reading: SoleReading | None, yaw: Measured | None) -> str:
    """Whether the foot as it hangs lies inside the float of the cleat as it is set."""
    window = float_window(visit)
    if window is None or reading is None or reading.cleat is None or yaw is None:
        return ""
    found = check_float(reading.cleat.measured()["psi_c_deg"], *window, yaw, yaw)
    return f"at the angle at which this foot hangs, {found.words}"
