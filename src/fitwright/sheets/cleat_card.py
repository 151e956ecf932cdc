"""The cleat card: one page for each foot at 1:1, to set the cleat again without a photograph.

The sole is drawn as it lies in the hand (seen from below), so the card can be cut out and laid on it. Toe and
forefoot are always whole; on paper shorter than the sole the heel is cut off at a drawn break line and the scale
along the mid-line, which counts from the heel, goes on as if it were there.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import in_sole
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.inches import MM, in_both, lengths_in
from fitwright.quantity import Floats
from fitwright.sheets import cautions
from fitwright.sheets.exact import (
    BODY,
    FINE,
    FULL,
    HAIR,
    HEAD,
    TINY,
    check_bar,
    draw_qr,
    exact_laid,
    page_pen,
    paragraph,
    printer_words,
    wrapped,
)
from fitwright.sheets.ink import XY, Pen, cut, shorten, text_width
from fitwright.sheets.position_sheet import SheetFoot, SheetLine
from fitwright.sheets.print_scale import PrintScale
from fitwright.sheets.sole_drawing import Map, sole_map
from fitwright.sheets.sole_shapes import cleat_outline, sole_outline, width_for
from fitwright.sheets.typeset import Laid, Paper, paper_mm
from fitwright.sheets.words import number, place_words
from fitwright.told import told

SOLE_COLUMN_MM, TOE_MM, FOOT_MM = 128.0, 7.5, 6.5
COLUMN_MM = 6.0 + SOLE_COLUMN_MM + 6.0
"""Where the words beside the sole begin, from the left edge of the paper."""
HOW_TO = (
    "Cut out along the sole and cut the cleat's window. Lay the card face up on the sole, mid-line on mid-line, toe "
    "on toe. Move the cleat until it fills the window and the straight edge, laid along the dashed axle line, meets "
    "both arrows. Check the datum marks."
)

PLAIN = {
    "sole": "The sole’s outline is a plain one, not measured.",
    "cleat": "The cleat’s outline is a plain one, not measured.",
}


@dataclass(frozen=True)
class CardFoot:
    """One foot of the card.

    Attributes: length_mm, width_mm, outline_mm as in `SoleFigure`; pose: the cleat; m1, m5, datums: marks;
    bolt_pattern, cleat_outline_mm: the cleat's shape, a plain one where it was not measured.
    """

    pose: CleatPose
    length_mm: float
    width_mm: float | None = None
    outline_mm: Floats | None = None
    m1: SolePoint | None = None
    m5: SolePoint | None = None
    datums: Mapping[str, SolePoint] = field(default_factory=dict)
    bolt_pattern: str = "three-bolt"
    cleat_outline_mm: Floats | None = None

    def outline(self) -> Floats:
        """(n, 2) sole outline, mm."""
        if self.outline_mm is not None:
            return self.outline_mm
        width = self.width_mm if self.width_mm is not None else width_for(self.length_mm, self.m1, self.m5)
        return sole_outline(self.length_mm, width)

    def cleat_shape(self) -> Floats:
        """(n, 2) cleat outline in its own frame, mm; a plain one where it was not measured."""
        return (
            self.cleat_outline_mm if self.cleat_outline_mm is not None else cleat_outline(self.bolt_pattern)
        )

    def cleat(self) -> Floats:
        """(n, 2) cleat outline in the sole frame, mm."""
        return in_sole(self.pose, self.cleat_shape())


@dataclass(frozen=True)
class CleatCard:
    """The card: who, when, both feet (one is enough), the hardware by measure; `scale`: of the printer it is for."""

    studio: str
    rider: str
    date: str
    feet: Mapping[str, CardFoot]
    simulated: bool = False
    hardware: tuple[SheetLine, ...] = ()
    record: str = ""
    qr_text: str = ""
    scale: PrintScale | None = None


def cleat_card_pdf(card: CleatCard, paper: Paper = "a4") -> bytes:
    """The card as PDF; see `cleat_card`."""
    return cleat_card(card, paper).pdf()


def cleat_card(card: CleatCard, paper: Paper = "a4") -> Laid:
    """The card, one page for each foot, exact at 100 %; InputError when no foot was given."""
    feet = [side for side in ("left", "right") if side in card.feet]
    if not feet:
        raise InputError(
            "feet", "no cleat has been measured yet", hint="photograph a sole with its cleat first"
        )
    pens = [cleat_card_pen(card, side, paper) for side in feet]
    title, studio = f"{told('Cleat card')}, {cut(card.rider, 80)}", cut(card.studio, 50)
    return exact_laid(pens, title, studio, paper, card.scale)


def cleat_card_pen(card: CleatCard, side: str, paper: str) -> Pen:
    """One page of the card as a drawing in mm."""
    foot = card.feet[side]
    check_range("sole length_mm", foot.length_mm, 150, 400, "mm")
    pen = page_pen(
        paper,
        f"Cleat card 1:1, {side} shoe",
        f"{side} sole seen from below at 1:1 with cleat, axle line and marks.",
    )
    place, cut = card_map(foot, side, paper)
    with lengths_in(MM):  # the drawing is laid beside a ruler; inches stand in the column
        draw_outline(pen, place, foot, cut)
        draw_scale(pen, place, foot, cut)
        _cleat(pen, place, foot, side)
        draw_marks(pen, place, foot)
    _side_column(pen, card, side, foot, cut)
    return pen


def card_map(foot: CardFoot, side: str, paper: str) -> tuple[Map, float]:
    """Sole frame → page in mm (toe up, seen from below), and the x where the heel is cut off (0 = whole)."""
    _, height = paper_mm(paper)
    toe = float(np.max(foot.outline()[:, 0]))
    heel_y = TOE_MM + toe
    whole = heel_y <= height - FOOT_MM
    cut = 0.0 if whole else heel_y - (height - FOOT_MM - 5.0)  # 5 mm for the words at the break
    lateral = foot.outline()[:, 1] * (1.0 if side == "left" else -1.0)  # seen from below
    centre = 6.0 + SOLE_COLUMN_MM / 2 - (float(lateral.max()) + float(lateral.min())) / 2
    return sole_map(side, "below", (centre, heel_y), 1.0), cut


def above_cut(outline: Floats, cut: float) -> list[Floats]:
    """The outline's pieces in front of x = cut, ends exactly on it; the whole closed outline for cut 0."""
    if cut <= 0:
        return [np.vstack([outline, outline[:1]])]
    ring = np.vstack([outline, outline[:1]])
    pieces: list[list[Floats]] = [[]]
    for a, b in pairwise(ring):
        if a[0] >= cut:
            pieces[-1].append(a)
        if (a[0] - cut) * (b[0] - cut) < 0:
            pieces[-1].append(a + (b - a) * (cut - a[0]) / (b[0] - a[0]))
            if b[0] < cut:
                pieces.append([])
    if len(pieces) > 1 and outline[0, 0] >= cut:
        pieces[0] = pieces.pop() + pieces[0]
    return [np.asarray(p) for p in pieces if len(p) > 1]


def draw_outline(pen: Pen, place: Map, foot: CardFoot, cut: float) -> None:
    """Outline as the line to cut along, and the break where the heel is missing."""
    pieces = above_cut(foot.outline(), cut)
    for piece in pieces:
        pen.path(place(piece), pen.ink.ink, FULL)
    if cut > 0 and pieces:
        ends = np.array([pieces[0][0], pieces[-1][-1]])
        z0, z1 = sorted(ends[:, 1])
        zs = np.linspace(z0, z1, 13)
        zigzag = [(cut + (1.6 if k % 2 else -1.6) * (0 < k < 12), z) for k, z in enumerate(zs)]
        pen.path(place(zigzag), pen.ink.soft, HAIR)
        x, y = place([(cut, z0 if place([(0, z0)])[0][0] < place([(0, z1)])[0][0] else z1)])[0]
        pen.text(
            (x + 1, y + 4.6),
            f"heel {number(cut)} mm further back; the scale counts from the heel",
            TINY,
            pen.ink.soft,
        )


def draw_scale(pen: Pen, place: Map, foot: CardFoot, cut: float) -> None:
    """Mid-line with a tick every 10 mm, a number every 50, counted from the heel."""
    toe = float(np.max(foot.outline()[:, 0]))
    a, b = place([(cut, 0), (toe + 4, 0)])
    pen.line(a, b, pen.ink.soft, HAIR, "4 1.2 0.6 1.2")
    for tick in range(math.ceil(cut / 10) * 10, int(toe) + 1, 10):
        half = 2.2 if tick % 50 == 0 else 1.1
        p, q = place([(tick, -half), (tick, half)])
        pen.line(p, q, pen.ink.soft, HAIR)
        if tick % 50 == 0 and tick > cut + 4 and abs(tick - foot.pose.x_mm) > 42:
            pen.text((max(p[0], q[0]) + 0.8, p[1] + 0.8), str(tick), TINY, pen.ink.soft)


def _cleat(pen: Pen, place: Map, foot: CardFoot, side: str) -> None:
    """The window to cut, the cleat's centre and long axis, and the straight edge along the axle."""
    color = pen.ink.side(side)
    pen.path(place(foot.cleat()), color, FULL, close=True)
    reach = float(np.max(foot.outline()[:, 0])) - foot.pose.x_mm + 3
    a, b = place(in_sole(foot.pose, [(-36, 0), (min(reach, 75), 0)]))
    pen.line(a, b, color, HAIR, "1.2 1")
    ends = axle_ends(foot)
    outer = place(in_sole(foot.pose, [(0, t + math.copysign(9, t)) for t in ends]))
    pen.line(outer[0], outer[1], color, FINE, "3 1.2")
    for t in ends:
        tip, *barbs = place(
            in_sole(foot.pose, [(0, t), (1.3, t + math.copysign(3, t)), (-1.3, t + math.copysign(3, t))])
        )
        pen.path([tip, *barbs], fill=color, close=True)
        x, y = place(in_sole(foot.pose, [(0, t + math.copysign(3.5, t))]))[0]
        from_heel = float(in_sole(foot.pose, [(0, t)])[0, 0])
        middle = place([(foot.pose.x_mm, foot.pose.z_mm)])[0][0]
        pen.text((x, y - 1.8), number(from_heel), TINY, pen.ink.ink, "start" if x > middle else "end")
    pen.circle(place([(foot.pose.x_mm, foot.pose.z_mm)])[0], 0.7, color, pen.ink.paper, FINE)


def axle_ends(foot: CardFoot) -> tuple[float, float]:
    """Where the axle line leaves the sole, as distances along it from the cleat's centre (medial −, lateral +)."""
    pose = foot.pose
    c, s = math.cos(math.radians(pose.psi_deg)), math.sin(math.radians(pose.psi_deg))
    p = foot.outline() - [pose.x_mm, pose.z_mm]
    ahead, along = p[:, 0] * c - p[:, 1] * s, p[:, 0] * s + p[:, 1] * c
    following = np.roll(ahead, -1), np.roll(along, -1)
    crosses = ahead * following[0] <= 0
    share = ahead / np.where(ahead == following[0], 1.0, ahead - following[0])
    at = (along + share * (following[1] - along))[crosses]
    if at.size < 2:
        return -50.0, 50.0
    return float(at.min()), float(at.max())


def draw_marks(pen: Pen, place: Map, foot: CardFoot) -> None:
    """M1 and M5 as crosses, datum marks as dots with their number."""
    for name, mark in (("M1", foot.m1), ("M5", foot.m5)):
        if mark is not None:
            x, y = place(mark.xz)[0]
            pen.cross((x, y), 1.5, pen.ink.ink, FINE)
            pen.text((x, y + 4.6), name, TINY, pen.ink.soft, "middle")
    if foot.m1 is not None and foot.m5 is not None:
        a, b = place([foot.m1.xz, foot.m5.xz])
        pen.line(a, b, pen.ink.soft, HAIR)
    for name, mark in foot.datums.items():
        x, y = place(mark.xz)[0]
        pen.circle((x, y), 0.55, "none", pen.ink.ink)
        pen.circle((x, y), 1.5, pen.ink.soft, width=HAIR)
        pen.text((x + 2, y - 0.8), shorten(name.rsplit("_", 1)[-1], 8), TINY, pen.ink.ink)


def _side_column(pen: Pen, card: CleatCard, side: str, foot: CardFoot, cut: float) -> None:
    """Who, which shoe, check bar, numbers, hardware, how to use it, care."""
    about = (card.studio, card.date, card.record)
    x, room, y = column_head(pen, card.rider, side, about, card.simulated, card.scale, card.qr_text)
    values = SheetFoot(foot.pose, foot.m1, foot.m5).values()
    y = draw_rows(pen, (x, y), room, list(values.items()))
    y = draw_rows(pen, (x, y + 2.5), room, [(h.label, shorten(h.value, 40)) for h in card.hardware[:6]])
    datums = [
        (f"datum {shorten(n.rsplit('_', 1)[-1], 8)}", place_words(p.x_mm, p.z_mm))
        for n, p in list(foot.datums.items())[:4]
    ]
    y = draw_rows(pen, (x, y + 2.5), room, datums)
    y = paragraph(pen, (x, y + 3.5), " ".join([*map(told, plain_outlines(foot)), told(HOW_TO)]), TINY, room)
    care(pen, (x, y + 2.5), room)


def plain_outlines(foot: CardFoot) -> list[str]:
    """Which outlines of the drawing nobody measured."""
    return [
        PLAIN[w] for w, own in (("sole", foot.outline_mm), ("cleat", foot.cleat_outline_mm)) if own is None
    ]


def care(pen: Pen, at: XY, room: float) -> None:
    """The cautions of a card in what is left of the page: smaller where much stands above them, never over it."""
    x, y = at
    words = " ".join(map(told, cautions.ON_A_CARD))
    for share in (0.92, 0.84, 0.76, 0.68):
        tall = 1.42 * TINY * share * len(wrapped(words, TINY * share, room))
        if y + tall <= pen.height - 5.5:
            break
    paragraph(pen, (x, min(y, pen.height - 5.5 - tall)), words, TINY * share, room, pen.ink.soft)


def column_head(
    pen: Pen, rider: str, side: str, about: Sequence[str], simulated: bool, scale: PrintScale | None = None,
    qr_text: str = "",
) -> tuple[float, float, float]:  # fmt: skip
    """Who, which shoe, the check bar, the record's code; x and width of the column and the y below the bar."""
    x = COLUMN_MM
    room = pen.width - x - 7.0
    y = paragraph(pen, (x, 15), cut(rider, 44), HEAD, room, most=2)
    pen.mark((x + 1.6, y - 0.6), side, "now", 1.7)
    pen.text((x + 5, y + 0.6), f"{side} shoe, seen from below, 1:1", BODY, pen.ink.ink)
    who = " · ".join(cut(w, 40) if k == 0 else shorten(w, 24) for k, w in enumerate(about) if w)
    y = paragraph(pen, (x, y + 5.5), who, TINY, room, pen.ink.soft, most=3)
    if simulated:
        y = paragraph(pen, (x, y), cautions.SIMULATED, TINY, room, pen.ink.soft)
    check_bar(pen, (x, y + 3))
    printer_words(pen, (x, y + 3), room, scale)
    draw_qr(pen, (x + room - 19, y + 3), qr_text, 19)
    return x, room, y + 111


def draw_rows(
    pen: Pen, at: XY, room: float, rows: Sequence[tuple[str, str]], *, beside: bool = False
) -> float:
    """Words on the left, as many lines as they take, value on the right; hair lines between.

    Inches stand below the millimetres, or `beside` them, then without their ±, which is the same.
    """
    x, y = at
    for k, (words, value) in enumerate(rows):
        if k:
            pen.line((x, y - 3.2), (x + room, y - 3.2), pen.ink.hair, HAIR)
        first, inch = in_both(told(value))
        aside = text_width("00.000 in", TINY) + 1 if inch and beside else 0.0
        with lengths_in(MM):  # told already
            wide = aside + max(text_width(first, BODY), 0.0 if beside else text_width(inch, TINY))
            lines = wrapped(words, TINY, room - wide - 2)
            for n, line in enumerate(lines):
                pen.text((x, y + 2.8 * n), line, TINY, pen.ink.soft)
            pen.text((x + room - aside, y), first, BODY, pen.ink.ink, "end")
            if inch:
                words_in = f"{inch.split(' ')[0]} in" if beside else inch
                pen.text((x + room, y if beside else y + 3.0), words_in, TINY, pen.ink.soft, "end")
        y += 4.4 + 2.8 * (max(len(lines), 2 if inch and not beside else 1) - 1)
    return y
