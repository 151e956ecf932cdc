"""First setting of each cleat: the wish (λ), what solves it on this foot, and how to get there."""

from __future__ import annotations

from fitwright.errors import InputError, check_range
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.foot.start import StartSetting, start_setting
from fitwright.foot.words import motion_words
from fitwright.records.models import Visit
from fitwright.studio import body
from fitwright.studio.feet.marks import marks_of
from fitwright.studio.feet.soles import FEET, STATION, reading_of
from fitwright.studio.visits import analysis, answer, answers

DEFAULT_LAMBDA = 0.5  # common practice, no source


def save_wish(visit: Visit, foot: str, wanted_lambda: float) -> None:
    """Where the axle should cross M1–M5 on this foot (0 under M1, 1 under M5)."""
    if foot not in FEET:
        raise InputError("foot", "unknown", value=foot, allowed="left, right")
    check_range("wanted_lambda", wanted_lambda, 0, 1, "(0 under M1, 1 under M5)")
    answer(visit, STATION, f"wanted_lambda {foot}", wanted_lambda)


def wanted_lambda(visit: Visit, foot: str) -> float:
    """The wish on record, or the usual one."""
    return float(answers(visit, STATION).get(f"wanted_lambda {foot}", DEFAULT_LAMBDA))


def start_of(visit: Visit, side: str) -> StartSetting | None:
    """The first setting of one foot; None while marks or the hanging foot are missing."""
    marks, hanging = marks_of(visit, side), body.hanging(visit).get(side)
    if marks is None or hanging is None:
        return None
    found = reading_of(visit, side, "before")
    lateral = found.cleat.z_mm if found and found.cleat else 0.0
    return start_setting(marks.m1, marks.m5, hanging.yaw_deg, lateral, wanted_lambda(visit, side))


def wished_pose(visit: Visit, side: str) -> CleatPose | None:
    """The cleat pose that the plan asks for, once there is one."""
    row = analysis(visit, "plan", "plan")
    data = row.result.get("wished_cleats", {}).get(side) if row else None
    return CleatPose.from_json(data) if data else None


def to_do(found: SoleReading | None, start: StartSetting | None) -> str:
    """How the hand gets from the cleat as found to the first setting; empty when either is unknown."""
    if found is None or found.cleat is None or start is None:
        return ""
    a, b = start.cleat, found.cleat
    return motion_words(a.x_mm - b.x_mm, a.z_mm - b.z_mm, a.psi_deg - b.psi_deg)
