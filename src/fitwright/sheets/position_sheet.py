"""The position sheet: one page with everything needed to set the bike and the cleats again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from fitwright.bike.contact import ContactPoints
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.inches import MM, lengths_in
from fitwright.quantity import Measured
from fitwright.sheets import cautions
from fitwright.sheets.drawn import drawn
from fitwright.sheets.ink import cut, shorten
from fitwright.sheets.rider_drawing import RiderFigure, rider_svg
from fitwright.sheets.sole_drawing import SoleFigure, soles_svg
from fitwright.sheets.sole_shapes import axle_crossing
from fitwright.sheets.typeset import Laid, Paper, qr_svg
from fitwright.sheets.words import capital, place_words, value_words
from fitwright.told import told

MOST_CONTACT, MOST_PARTS, MOST_DATUMS, MOST_NOTES = 11, 6, 6, 2400

CONTACT_WORDS = {
    "saddle_height_mm": "saddle height, along the line", "saddle_setback_mm": "saddle setback",
    "saddle_tilt_deg": "saddle tilt, nose up +", "hood_x_mm": "hood reach",
    "hood_y_mm": "hood height", "crank_mm": "crank length",
    "q_factor_mm": "Q factor", "pedal_offset_mm": "crank face to cleat centre",
    "spacer_left_mm": "pedal spacer left", "spacer_right_mm": "pedal spacer right",
    "shim_left_mm": "shim left", "shim_right_mm": "shim right",
}  # fmt: skip


@dataclass(frozen=True)
class SheetLine:
    """One row of a table: words, value, how it was measured."""

    label: str
    value: str
    how: str = ""

    @staticmethod
    def of(label: str, m: Measured, how: str = "") -> SheetLine:
        """The row of a measured value, ± 95 %."""
        return SheetLine(label, value_words(m), how or m.method)

    def row(self, label_letters: int = 34, value_letters: int = 40, how_letters: int = 34) -> dict[str, str]:
        """The row as the template reads it, short enough for one line."""
        return {
            "label": shorten(self.label, label_letters).replace(" +", "\u00a0+"),
            "value": shorten(self.value, value_letters), "how": shorten(self.how, how_letters),
        }  # fmt: skip


def contact_lines(
    contact: ContactPoints,
    measured: Mapping[str, Measured] | None = None,
    how: Mapping[str, str] | None = None,
) -> tuple[SheetLine, ...]:
    """The contact points as rows; `measured` gives values with u and method by field name where they exist.

    Spacers and shims of 0 mm (there are none) are left out, and a tilt of 0° that nobody measured.
    """
    known, ways = measured or {}, how or {}
    rows = []
    for name, words in CONTACT_WORDS.items():
        value = getattr(contact, name)
        if value == 0 and (name not in known or name.startswith(("spacer", "shim"))):
            continue
        m = known.get(name, Measured(value, 0.0, "deg" if name.endswith("_deg") else "mm"))
        rows.append(SheetLine.of(words, m, ways.get(name, "")))
    return tuple(rows)


@dataclass(frozen=True)
class SheetFoot:
    """One foot on the sheet: cleat pose, marks, datum marks; all optional."""

    cleat: CleatPose | None = None
    m1: SolePoint | None = None
    m5: SolePoint | None = None
    datums: Mapping[str, SolePoint] = field(default_factory=dict)

    def values(self) -> dict[str, str]:
        """Words → value of the cleat's pose."""
        if self.cleat is None:
            return {}
        m = self.cleat.measured()
        values = {
            "from heel": value_words(m["x_c_mm"]), "outward of mid-line": value_words(m["z_c_mm"]),
            "toe-out at mid-float": value_words(m["psi_c_deg"]),
        }  # fmt: skip
        if (
            self.m1 is not None
            and self.m5 is not None
            and (cross := axle_crossing(self.cleat, self.m1, self.m5))
        ):
            values["axle along M1–M5"] = f"{cross[0]:.2f}"
        return values


@dataclass(frozen=True)
class PositionSheet:
    """Everything on the sheet.

    Attributes:
        studio, rider, date, bike: as they shall be read. simulated: said beside the name.
        contact: rows, see `contact_lines`. feet: "left"/"right" → foot.
        side_svg, soles_svg: drawings with theme "paper" (see `sheet_drawings`), or "". parts: what is mounted.
        notes: free text, as much as fits. cautions: paragraphs. qr_text: address of the studio's own record.
        record: what names the record in the footer, e.g. "position 14".
    """

    studio: str
    rider: str
    date: str
    simulated: bool = False
    bike: str = ""
    contact: tuple[SheetLine, ...] = ()
    feet: Mapping[str, SheetFoot] = field(default_factory=dict)
    side_svg: str = ""
    soles_svg: str = ""
    parts: tuple[SheetLine, ...] = ()
    notes: str = ""
    cautions: tuple[str, ...] = cautions.ALL
    qr_text: str = ""
    record: str = ""


@lengths_in(MM)  # its numbers stand in the tables too, there in both
def sheet_drawings(side: RiderFigure | None, soles: Sequence[SoleFigure]) -> tuple[str, str]:
    """Both drawings of the sheet at the size where their words stay legible; "" for what is not there."""
    bare = [replace(s, values=()) for s in soles]  # their numbers stand in the table
    return (
        drawn(rider_svg, side, "paper", 640, 470) if side else "",
        drawn(soles_svg, bare, "paper", width=340, height=410) if bare else "",
    )


def position_sheet_pdf(sheet: PositionSheet, paper: Paper = "a4") -> bytes:
    """The sheet as PDF."""
    return position_sheet(sheet, paper).pdf()


def position_sheet(sheet: PositionSheet, paper: Paper = "a4") -> Laid:
    """The sheet, one page on "a4" or "us-letter"."""
    how = "; ".join(
        dict.fromkeys(told(f.cleat.method) for f in sheet.feet.values() if f.cleat and f.cleat.method)
    )
    datums = _datum_rows(sheet.feet)
    data = {
        "title": f"{told('Position sheet')}, {cut(sheet.rider, 80)}", "studio": cut(sheet.studio, 50),
        "rider": cut(sheet.rider, 80), "date": cut(sheet.date, 30), "bike": cut(sheet.bike, 40),
        "simulated": sheet.simulated, "qr": qr_svg(sheet.qr_text),
        "side_svg": sheet.side_svg, "soles_svg": sheet.soles_svg,
        "contact": [x.row() for x in sheet.contact[:MOST_CONTACT]],
        "contact_more": more(sheet.contact, MOST_CONTACT),
        "parts": [x.row(30, 40, 26) for x in sheet.parts[:MOST_PARTS]],
        "parts_more": more(sheet.parts, MOST_PARTS),
        "feet": _foot_rows(sheet.feet), "feet_how": cut(how, 110),
        "datums": datums[:MOST_DATUMS], "datums_more": more(datums, MOST_DATUMS),
        "notes": sheet.notes.strip()[:MOST_NOTES],
        "cautions": [cut(c, 300) for c in cautions.told_all(sheet.cautions[:8])],
        "torque": capital(told(cautions.TORQUE)) + ".", "foot": _footing(sheet),
        "one_page": True,
    }  # fmt: skip
    return Laid("position_sheet", data, paper)


def more(rows: Sequence[object], most: int) -> str:
    """`and 4 more in the record`, or ""."""
    return told(f"and {len(rows) - most} more in the record") if len(rows) > most else ""


def _foot_rows(feet: Mapping[str, SheetFoot]) -> list[dict[str, str]]:
    """One row per quantity, left and right beside each other."""
    values = {side: feet[side].values() if side in feet else {} for side in ("left", "right")}
    labels = list(dict.fromkeys([*values["left"], *values["right"]]))
    return [{"label": told(w), **{side: told(values[side].get(w, "–")) for side in values}} for w in labels]


def _datum_rows(feet: Mapping[str, SheetFoot]) -> list[dict[str, str]]:
    names = sorted({n for f in feet.values() for n in f.datums})

    def place(side: str, name: str) -> str:
        mark = feet[side].datums.get(name) if side in feet else None
        return "–" if mark is None else told(place_words(mark.x_mm, mark.z_mm))

    return [
        {"label": shorten(n.replace("_", " "), 20), "left": place("left", n), "right": place("right", n)}
        for n in names
    ]


def _footing(sheet: PositionSheet) -> str:
    parts = [
        told("± is the 95 % interval; a number without it was entered, its uncertainty not stated"),
        told("bottom bracket is the origin; saddle point where the saddle is 80 mm wide"),
        shorten(sheet.record, 40), told(cautions.SIMULATED) if sheet.simulated else "",
    ]  # fmt: skip
    return " · ".join(p for p in parts if p) + "."
