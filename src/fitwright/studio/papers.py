"""The papers of a visit: what can be printed, as PDF, as pictures of the same pages, as files in a folder."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from django.utils import timezone
from django.utils.translation import get_language

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.foot.sole import SoleReading
from fitwright.plan import red_flags
from fitwright.quantity import Measured
from fitwright.records.models import Position, Rating, Studio, Visit
from fitwright.sheets.cleat_card import CardFoot, CleatCard
from fitwright.sheets.cleat_card import cleat_card as lay_card
from fitwright.sheets.felt_form import FeltForm
from fitwright.sheets.felt_form import felt_form as lay_form
from fitwright.sheets.fitting_aid import fitting_aid
from fitwright.sheets.position_sheet import (
    PositionSheet,
    SheetFoot,
    SheetLine,
    contact_lines,
    sheet_drawings,
)
from fitwright.sheets.position_sheet import position_sheet as lay_sheet
from fitwright.sheets.print_scale import PrintScale
from fitwright.sheets.report import report_laid
from fitwright.sheets.tape_list import tape_list
from fitwright.sheets.typeset import Laid, Paper
from fitwright.studio import care, drawings, takeaway, tape
from fitwright.studio.entry import day_words, plain
from fitwright.studio.feet import aid
from fitwright.studio.feet.hardware import cleat_shape, wedge_of
from fitwright.studio.feet.setting import target_of
from fitwright.studio.feet.soles import FEET, newest_reading
from fitwright.studio.intake import COMFORT_SITES, PAIN_SITES
from fitwright.studio.report import visit_report
from fitwright.studio.visits import analysis, answers, hold, last_position
from fitwright.told import speaking

STATION = "handover"
PAPERS: tuple[Paper, ...] = ("a4", "us-letter")


@dataclass(frozen=True)
class Document:
    """One thing to print or take home. `exact`: it is laid on a shoe, and so depends on the printer."""

    name: str
    title: str
    about: str
    exact: bool = False


DOCUMENTS = (
    Document("position-sheet", "Position sheet", "One page: every contact point and cleat with ± and how measured."),
    Document("tape-list", "Tape list", "One page for whoever holds the tools: what to set, from where to where."),
    Document("cleat-card", "Cleat card, 1:1", "One page for each foot, to put the cleat back without a photograph.",
             True),
    Document("fitting-aid", "Fitting aid, 1:1", "One page for each foot: the cleat now, its place to be, the steps.",
             True),
    Document("report", "Before and after", "What was found, changed, predicted and measured."),
    Document("felt-form", "How it feels", "One page to fill in with a pen: pain and comfort by body site, 0 to 10."),
)  # fmt: skip


def available(visit: Visit) -> tuple[Document, ...]:
    """The papers for which enough is known."""
    have = {
        "position-sheet": last_position(visit) is not None,
        "tape-list": last_position(visit) is not None or any(r.cleat for r in soles(visit).values()),
        "report": analysis(visit, "plan", "plan") is not None,
        "fitting-aid": any(target_of(visit, s) for s in FEET),
        "cleat-card": any(r.cleat for r in soles(visit).values()),
        "felt-form": True,
    }
    return tuple(d for d in DOCUMENTS if have[d.name])


def laid(visit: Visit, name: str, paper: Paper = "a4", scale: PrintScale | None = None) -> Laid:
    """One paper, ready to be set. InputError for an unknown name or paper, or when nothing was measured for it."""
    if paper not in PAPERS:
        raise InputError("paper", "unknown", value=paper, allowed=", ".join(PAPERS))
    makers: dict[str, Callable[[], Laid]] = {
        "position-sheet": lambda: position_sheet(visit, paper),
        "tape-list": lambda: tape_list(tape.tape_of(visit, studio_name(), day_of(visit), address(visit)), paper),
        "cleat-card": lambda: cleat_card(visit, paper, scale),
        "report": lambda: report_laid(replace(visit_report(visit), qr_text=address(visit)), paper),
        "fitting-aid": lambda: fitting_aid(aid.paper_of(visit, scale, address(visit)), paper),
        "felt-form": lambda: felt_form(visit, paper),
    }  # fmt: skip
    if name not in makers:
        raise InputError("document", "unknown", value=name, allowed=", ".join(makers))
    hold(visit)  # each kind of row is read once for the whole document, and anew for the next
    with speaking(get_language() or ""):
        made = makers[name]()
    if name not in CARRY_DATA:
        return made
    text = takeaway.as_json(takeaway.position_record(visit), for_people=False)
    return made.with_file("position.json", text, "application/json", "The position as data")


CARRY_DATA = ("position-sheet", "tape-list", "cleat-card")


def document(visit: Visit, name: str, paper: Paper = "a4", scale: PrintScale | None = None) -> bytes:
    """One paper as PDF; see `laid`."""
    return laid(visit, name, paper, scale).pdf()


def pictures(
    visit: Visit, name: str, paper: Paper = "a4", scale: PrintScale | None = None
) -> tuple[bytes, ...]:
    """The same pages as PNG."""
    return laid(visit, name, paper, scale).pictures()


def write_documents(visit: Visit, folder: Path, paper: Paper = "a4") -> tuple[Path, ...]:
    """Every paper that can be made, the position record and the table of all measures (each file appears whole)."""
    folder.mkdir(parents=True, exist_ok=True)
    written = [_write(folder / f"{d.name}.pdf", document(visit, d.name, paper)) for d in available(visit)]
    files = {
        "position.json": takeaway.as_json(takeaway.position_record(visit)),
        "measures.json": takeaway.as_json(takeaway.measures_record(visit)),
        "measures.csv": takeaway.as_csv(visit),
    }
    return (*written, *(_write(folder / name, text.encode()) for name, text in files.items()))


def position_sheet(visit: Visit, paper: Paper) -> Laid:
    """The one-page position sheet."""
    position = last_position(visit)
    contact, measured = contact_of(position)
    figures = [f for s in FEET if (f := drawings.sole_figure(visit, s, links=False)) is not None]
    side_svg, soles_svg = sheet_drawings(drawings.side_figure(visit, links=False), figures)
    sheet = PositionSheet(
        studio=studio_name(), rider=visit.rider.name, date=day_of(visit), simulated=visit.simulated,
        bike=visit.bike.name if visit.bike else "", contact=contact_lines(contact, measured) if contact else (),
        feet={s: _sheet_foot(r) for s, r in soles(visit).items()},
        side_svg=side_svg,
        soles_svg=soles_svg, parts=hardware_lines(visit),
        notes=str(answers(visit, STATION).get("notes") or ""), qr_text=address(visit), record=record_of(visit),
        cautions=care.all_sentences(),
    )  # fmt: skip
    return lay_sheet(sheet, paper)


def cleat_card(visit: Visit, paper: Paper, scale: PrintScale | None = None) -> Laid:
    """The 1:1 card of both feet."""
    card = CleatCard(
        studio=studio_name(), rider=visit.rider.name, date=day_of(visit), simulated=visit.simulated,
        feet={s: _card_foot(visit, r) for s, r in soles(visit).items() if r.cleat is not None},
        hardware=hardware_lines(visit), record=record_of(visit), qr_text=address(visit), scale=scale,
    )  # fmt: skip
    return lay_card(card, paper)


def felt_form(visit: Visit, paper: Paper) -> Laid:
    """The form for pain and comfort, blank."""
    last = Rating.objects.current().filter(visit__rider=visit.rider_id).order_by("created_at").last()
    form = FeltForm(
        studio_name(), visit.rider.name, tuple(w for _, w in PAIN_SITES),
        ("Comfort overall", *(w for _, w in COMFORT_SITES)), tuple(q.question for q in red_flags.QUESTIONS),
        day_words(timezone.localtime(last.created_at)) if last else "", f"visit {visit.pk}", address(visit),
        visit.simulated, care.own_sentences(),
    )  # fmt: skip
    return lay_form(form, paper)


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


def contact_of(position: Position | None) -> tuple[ContactPoints | None, Mapping[str, Measured]]:
    """The contact points of a position, and those of them that were measured with their uncertainty."""
    data = position.data if position else {}
    if "contact_points" not in data:
        return None, {}
    measured = {k: Measured.from_json(m) for k, m in data.get("contact_measured", {}).items()}
    return ContactPoints.from_json(data["contact_points"]), measured


def soles(visit: Visit) -> dict[str, SoleReading]:
    """The newest reading of each sole."""
    return {side: reading for side in FEET if (reading := newest_reading(visit, side)) is not None}


def studio_name() -> str:
    """As it stands at the head of a paper."""
    studio = Studio.objects.filter(pk=1).first()
    return studio.name if studio else ""


def day_of(visit: Visit) -> str:
    """The day of the position, or today while there is none."""
    position = last_position(visit)
    return day_words(timezone.localtime(position.created_at if position else timezone.now()))


def record_of(visit: Visit) -> str:
    """What names the record at the foot of a paper."""
    position = last_position(visit)
    return f"position {position.pk}" if position else f"visit {visit.pk}"


def address(visit: Visit) -> str:
    """What the code on a paper says: a number of this studio's records, which opens nothing anywhere else."""
    position = last_position(visit)
    return f"fitwright:position/{position.pk}" if position else f"fitwright:visit/{visit.pk}"


def _text(value: object) -> str:
    return value if isinstance(value, str) else plain(float(value))  # type: ignore[arg-type]


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


def _write(path: Path, data: bytes) -> Path:
    part = path.with_name("." + path.name + ".part")
    part.write_bytes(data)
    part.replace(path)
    return path
