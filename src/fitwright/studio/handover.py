"""Handover: what the page shows, the follow-up day and the notes that the rider takes home."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.utils import timezone

from fitwright.errors import InputError
from fitwright.records.models import Position, Visit
from fitwright.sheets import cautions
from fitwright.sheets.faces import without_face
from fitwright.studio import bike, drawings, followups, papers
from fitwright.studio.edits import record
from fitwright.studio.entry import lowered
from fitwright.studio.feet.foot import foot_of
from fitwright.studio.feet.soles import FEET
from fitwright.studio.papers import STATION, Document
from fitwright.studio.visits import answer, answers, last_position, touch


@dataclass(frozen=True)
class HandoverPage:
    """The Handover station. `no_face`: letters of names and notes that no typeface of this computer can print;
    `missing`: the fields of Bike without which there is no position to print."""

    documents: tuple[Document, ...]
    position: Position | None
    datums: Mapping[str, tuple[tuple[str, float, float], ...]]
    checks: Mapping[str, Any]
    follow_up: str
    proposed: str
    notes: str
    cautions: tuple[str, ...]
    soles_svg: str
    no_face: str
    missing: tuple[str, ...]


def page(visit: Visit) -> HandoverPage:
    """What the Handover page shows."""
    said = answers(visit, STATION)
    name, notes = visit.bike.name if visit.bike else "", str(said.get("notes") or "")
    written = "".join((visit.rider.name, name, papers.studio_name(), notes))
    return HandoverPage(
        papers.available(visit), last_position(visit),
        {s: tuple((n, p.x_mm, p.z_mm) for n, p in r.datums.items()) for s, r in papers.soles(visit).items()},
        {s: f for s in FEET for f in [foot_of(visit, s)] if f.check or f.remount},
        str(said.get("follow_up") or ""), followups.proposed_day(visit).isoformat(), notes,
        cautions.ALL, drawings.soles_drawing(visit), without_face(written),
        () if last_position(visit) else tuple(lowered(f.label) for f in bike.missing(visit)),
    )  # fmt: skip


def save_follow_up(visit: Visit, day: str) -> None:
    """The day to meet again (ISO date, empty for none); InputError for something else or a day gone by."""
    if not day.strip():
        followups.set_day(visit, None)
        return
    try:
        when = date.fromisoformat(day)
    except ValueError:
        raise InputError("follow_up", "is not a date", value=day, allowed="YYYY-MM-DD") from None
    if when < timezone.localdate():
        raise InputError("follow_up", "lies in the past", value=day, allowed="today or later")
    followups.set_day(visit, when)


def save_notes(visit: Visit, notes: str) -> None:
    """Free text for the rider (exercises, what to watch)."""
    if len(notes) > 10_000:
        raise InputError("notes", "too long", value=len(notes), allowed="up to 10 000 characters")
    if (answers(visit, STATION).get("notes") or "") != notes:
        touch(visit)
        record(visit, STATION, "typed", [("notes for the rider", answer(visit, STATION, "notes", notes))])
