"""Handover: the position on paper and as data, the follow-up, and how a cleat is put back later."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from django.utils import timezone

from fitwright import __version__
from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.foot.sole import SoleReading
from fitwright.quantity import Measured
from fitwright.records.models import Position, Studio, Visit
from fitwright.sheets import cautions
from fitwright.sheets.cleat_card import CardFoot, CleatCard, cleat_card_pdf
from fitwright.sheets.position_sheet import (
    PositionSheet,
    SheetFoot,
    SheetLine,
    contact_lines,
    position_sheet_pdf,
    sheet_drawings,
)
from fitwright.sheets.typeset import Paper
from fitwright.studio import drawings, followups
from fitwright.studio.edits import record
from fitwright.studio.entry import plain
from fitwright.studio.feet import aid
from fitwright.studio.feet.foot import foot_of
from fitwright.studio.feet.hardware import cleat_shape, wedge_of
from fitwright.studio.feet.setting import target_of
from fitwright.studio.feet.soles import FEET, newest_reading
from fitwright.studio.report import visit_report_pdf
from fitwright.studio.visits import analysis, answer, answers, hold, last_position, touch

STATION = "handover"
PAPERS: tuple[Paper, ...] = ("a4", "us-letter")


@dataclass(frozen=True)
class Document:
    """One thing to print or take home."""

    name: str
    title: str
    about: str


@dataclass(frozen=True)
class HandoverPage:
    """The Handover station."""

    documents: tuple[Document, ...]
    position: Position | None
    record: Mapping[str, Any]
    datums: Mapping[str, tuple[tuple[str, float, float], ...]]
    checks: Mapping[str, Any]
    follow_up: str
    proposed: str
    notes: str
    cautions: tuple[str, ...]
    soles_svg: str


DOCUMENTS = (
    Document("position-sheet", "Position sheet", "One page: every contact point and cleat with ± and how measured."),
    Document("cleat-card", "Cleat card, 1:1", "One page for each foot, to put the cleat back without a photograph."),
    Document("fitting-aid", "Fitting aid, 1:1", "One page for each foot: the cleat now, its place to be, the steps."),
    Document("report", "Before and after", "What was found, changed, predicted and measured."),
)  # fmt: skip


def page(visit: Visit) -> HandoverPage:
    """What the Handover page shows."""
    soles = _soles(visit)
    said = answers(visit, STATION)
    return HandoverPage(
        _available(visit), last_position(visit), position_record(visit),
        {s: tuple((n, p.x_mm, p.z_mm) for n, p in r.datums.items()) for s, r in soles.items()},
        {s: f for s in FEET for f in [foot_of(visit, s)] if f.check or f.remount},
        str(said.get("follow_up") or ""), followups.proposed_day(visit).isoformat(), str(said.get("notes") or ""),
        cautions.ALL,
        drawings.soles_drawing(visit),
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


def position_record(visit: Visit) -> dict[str, Any]:
    """The position as data: contact points and cleats with uncertainty, method and where they came from."""
    position = last_position(visit)
    data = dict(position.data) if position else {}
    return {
        "format": "fitwright position", "version": 1, "program": __version__, "simulated": visit.simulated,
        "rider": visit.rider.name, "visit": visit.pk, "position": position.pk if position else None,
        "label": position.label if position else None,
        "taken_at": position.created_at.isoformat() if position else None,
        "units": {"length": "mm", "angle": "deg"}, "frames": "bike: X forward, Y up, origin bottom bracket; "
        "sole: x forward from the heel, z outward", "bike": data.get("contact_points"),
        "bike_measured": data.get("contact_measured"), "system": visit.shoes.cleat_system if visit.shoes else None,
        "shoes": {"letter": visit.shoes.letter, "name": visit.shoes.name} if visit.shoes else None,
        "wedges_deg": {s: w.tilt.to_json() for s in FEET if (w := wedge_of(visit, s))},
        "feet": {s: r.to_json() for s, r in _soles(visit).items()},
    }  # fmt: skip


def document(visit: Visit, name: str, paper: Paper = "a4") -> bytes:
    """One document as PDF. InputError for an unknown name or paper, or when nothing was measured for it."""
    if paper not in PAPERS:
        raise InputError("paper", "unknown", value=paper, allowed=", ".join(PAPERS))
    makers: dict[str, Callable[[Visit, Paper], bytes]] = {
        "position-sheet": position_sheet, "cleat-card": cleat_card, "report": visit_report_pdf,
        "fitting-aid": aid.document,
    }  # fmt: skip
    if name not in makers:
        raise InputError("document", "unknown", value=name, allowed=", ".join(makers))
    hold(visit)  # each kind of row is read once for the whole document, and anew for the next
    return makers[name](visit, paper)


def write_documents(visit: Visit, folder: Path, paper: Paper = "a4") -> tuple[Path, ...]:
    """Every document that can be made, and the position record, as files (each appears whole)."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for one in _available(visit):
        written.append(_write(folder / f"{one.name}.pdf", document(visit, one.name, paper)))
    record = json.dumps(position_record(visit), ensure_ascii=False, indent=2).encode()
    written.append(_write(folder / "position.json", record))
    return tuple(written)


def position_sheet(visit: Visit, paper: Paper) -> bytes:
    """The one-page position sheet."""
    position = last_position(visit)
    contact, measured = _contact_of(position)
    soles = _soles(visit)
    figures = [f for s in FEET if (f := drawings.sole_figure(visit, s, links=False)) is not None]
    side_svg, soles_svg = sheet_drawings(drawings.side_figure(visit, links=False), figures)
    sheet = PositionSheet(
        studio=_studio(), rider=visit.rider.name, date=_day(position), simulated=visit.simulated,
        bike=visit.bike.name if visit.bike else "", contact=contact_lines(contact, measured) if contact else (),
        feet={s: _sheet_foot(r) for s, r in soles.items()},
        side_svg=side_svg,
        soles_svg=soles_svg, parts=hardware_lines(visit),
        notes=str(answers(visit, STATION).get("notes") or ""), qr_text=_address(position),
        record=f"position {position.pk}" if position else "",
    )  # fmt: skip
    return position_sheet_pdf(sheet, paper)


def cleat_card(visit: Visit, paper: Paper) -> bytes:
    """The 1:1 card of both feet."""
    position = last_position(visit)
    card = CleatCard(
        studio=_studio(), rider=visit.rider.name, date=_day(position), simulated=visit.simulated,
        feet={s: _card_foot(visit, r) for s, r in _soles(visit).items() if r.cleat is not None},
        hardware=hardware_lines(visit), record=f"position {position.pk}" if position else "",
    )  # fmt: skip
    return cleat_card_pdf(card, paper)


def hardware_lines(visit: Visit) -> tuple[SheetLine, ...]:
    """The pair of shoes, its cleat system by measures, and wedges where there are any."""
    system = visit.shoes.cleat_system if visit.shoes else {}
    words = (
        ("label", "cleat system", ""), ("bolts", "cleat bolts", ""), ("float_in_deg", "float, inward", "°"),
        ("float_out_deg", "float, outward", "°"), ("stack_mm", "axle to sole", " mm"),
    )  # fmt: skip
    pair = [SheetLine(f"shoes, pair {visit.shoes.letter}", visit.shoes.name)] if visit.shoes else []
    lines = [SheetLine(label, f"{_text(system[key])}{unit}") for key, label, unit in words if key in system]
    wedges = [SheetLine.of(f"wedge, {s}", w.tilt) for s in FEET if (w := wedge_of(visit, s)) and w.tilt.value]
    return (*pair, *lines, *wedges)


def _text(value: Any) -> str:
    return value if isinstance(value, str) else plain(float(value))


def _available(visit: Visit) -> tuple[Document, ...]:
    have = {
        "position-sheet": last_position(visit) is not None,
        "report": analysis(visit, "plan", "plan") is not None,
    }
    have["fitting-aid"] = any(target_of(visit, s) for s in FEET)
    have["cleat-card"] = any(r.cleat for r in _soles(visit).values())
    return tuple(d for d in DOCUMENTS if have[d.name])


def _soles(visit: Visit) -> dict[str, SoleReading]:
    return {side: reading for side in FEET if (reading := newest_reading(visit, side)) is not None}


def _sheet_foot(reading: SoleReading) -> SheetFoot:
    marks = reading.landmarks
    return SheetFoot(reading.cleat, marks.get("m1"), marks.get("m5"), reading.datums)


def _card_foot(visit: Visit, reading: SoleReading) -> CardFoot:
    marks = reading.landmarks
    assert reading.cleat is not None
    return CardFoot(
        reading.cleat, reading.length_mm.value, m1=marks.get("m1"), m5=marks.get("m5"), datums=reading.datums,
        bolt_pattern=drawings.bolts(visit), cleat_outline_mm=cleat_shape(visit),
    )  # fmt: skip


def _contact_of(position: Position | None) -> tuple[ContactPoints | None, dict[str, Measured]]:
    data = position.data if position else {}
    if "contact_points" not in data:
        return None, {}
    measured = {k: Measured.from_json(m) for k, m in data.get("contact_measured", {}).items()}
    return ContactPoints.from_json(data["contact_points"]), measured


def _studio() -> str:
    studio = Studio.objects.filter(pk=1).first()
    return studio.name if studio else ""


def _day(position: Position | None) -> str:
    when = position.created_at if position else timezone.now()
    local = timezone.localtime(when)
    return f"{local.day} {local:%B %Y}"


def _address(position: Position | None) -> str:
    return f"fitwright:position/{position.pk}" if position else ""


def _write(path: Path, data: bytes) -> Path:
    part = path.with_name("." + path.name + ".part")
    part.write_bytes(data)
    part.replace(path)
    return path
