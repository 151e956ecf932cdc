"""A cleat after tightening: how far it is off the wish, photograph after photograph, until it is near enough."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime

from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.quantity import Floats
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.studio.feet.restore import keep_remount, recorded_of, try_compared
from fitwright.studio.feet.setting import target_of
from fitwright.studio.feet.soles import label, reading_of, save_picks
from fitwright.studio.feet.verdict import Check, check_motion, check_pose
from fitwright.studio.point_origins import Origin


def check_of(visit: Visit, side: str) -> Check | None:
    """The newest photograph after fitting against the wish; None while one of them is missing."""
    after, wish = reading_of(visit, side, "after"), target_of(visit, side)
    return held_to(wish, reading_of(visit, side, "before"), after) if wish and after else None


def held_to(wish: CleatPose, before: SoleReading | None, after: SoleReading) -> Check | None:
    """By the motion since the photograph before where that can be told, else by the pose in the sole's frame."""
    if after.cleat is None:
        return None
    by_motion = check_motion(wish, before, after) if before is not None else None
    return by_motion or check_pose(wish, after.cleat)


@dataclass(frozen=True)
class Shot:
    """One photograph of a chain: when it was measured, what it showed; `newest` counts."""

    at: datetime
    medium: Medium | None
    reading: SoleReading
    check: Check | None
    newest: bool


def shots(visit: Visit, side: str, when: str) -> tuple[Shot, ...]:
    """Every photograph ever measured at this place, oldest first: none is overwritten.

    Points that were picked again in the same photograph count once, as picked last. After fitting each is held to the
    wish as it is now, later to the position that was chosen to go back to.
    """
    rows = Analysis.objects.filter(visit=visit, kind="sole", label=label(visit, f"{side} {when}"))
    last = {row.medium_id: row for row in rows.select_related("medium").order_by("created_at", "pk")}
    ordered = sorted(last.values(), key=lambda row: (row.created_at, row.pk))
    readings = [SoleReading.from_json(row.result) for row in ordered]
    held = _held(visit, side, when, readings)
    return tuple(
        Shot(row.created_at, row.medium, reading, check, row is ordered[-1])
        for row, reading, check in zip(ordered, readings, held, strict=True)
    )


def _held(visit: Visit, side: str, when: str, readings: list[SoleReading]) -> list[Check | None]:
    """Each reading against what it is held to; None where that is unknown or cannot be."""
    if not readings or when == "before":
        return [None] * len(readings)
    if when == "after":
        wish, before = target_of(visit, side), reading_of(visit, side, "before")
        return [held_to(wish, before, r) if wish else None for r in readings]
    recorded = recorded_of(visit, side)
    return [try_compared(visit, side, recorded, r) if recorded else None for r in readings]


def save_sole(
    visit: Visit, medium: Medium, foot: str, when: str, points: Mapping[str, tuple[float, float]],
    origins: Mapping[str, Origin] | None = None, outline_px: Floats | None = None,
) -> SoleReading:  # fmt: skip
    """Measure a sole, keep it, and for a cleat found later keep how far it is off.

    Raises:
        InputError: when the points cannot be, or a cleat found later cannot be compared; photograph and points are
            kept also then.
    """
    reading = save_picks(visit, medium, foot, when, points, origins, outline_px)
    if when == "remount":
        keep_remount(visit, foot, reading)
    return reading
