"""The fitting aid on paper: one page for each foot at 1:1, the wish dashed, the cleat as it is now solid.

The page is laid under or beside the sole; tape along its lines gives the hand edges to push the cleat against.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from fitwright.errors import InputError
from fitwright.foot.fitting_aid import Aid, CleatBody, Spot
from fitwright.foot.frame import in_sole, turned_axes
from fitwright.foot.sole import CleatPose
from fitwright.inches import MM, lengths_in
from fitwright.quantity import Z95
from fitwright.sheets.cleat_card import (
    COLUMN_MM,
    CardFoot,
    axle_ends,
    card_map,
    care,
    column_head,
    draw_marks,
    draw_outline,
    draw_rows,
    draw_scale,
    plain_outlines,
)
from fitwright.sheets.exact import BODY, FINE, FULL, HAIR, TINY, exact_laid, page_pen, paragraph
from fitwright.sheets.ink import Pen, cut, text_width
from fitwright.sheets.print_scale import PrintScale
from fitwright.sheets.sole_drawing import Map
from fitwright.sheets.typeset import Laid, Paper
from fitwright.sheets.words import number
from fitwright.told import told

DASH = "2.4 1.4"
RULER_MM = 0.5
BESIDE_MM, MOST_REACH_MM = 12.0, 55.0
"""Part of the sole that a number beside a line could touch; how far a line may go, with room left for its number."""
TAPE = (
    "Tape along the long thin lines and push the cleat against the tape. Tighten as the part maker states, then "
    "measure again."
)


@dataclass(frozen=True)
class AidFoot:
    """One foot of the paper.

    Attributes: card: sole, marks and the wished pose; body: measures of the cleat; aid: from now to the wish, None
    while no cleat was measured; imprint: where an older cleat sat; spots: what a ruler must show; notes: what was not
    measured.
    """

    card: CardFoot
    body: CleatBody
    aid: Aid | None = None
    imprint: CleatPose | None = None
    spots: tuple[Spot, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class FittingAid:
    """The paper: who, when, the feet (one is enough)."""

    studio: str
    rider: str
    date: str
    feet: Mapping[str, AidFoot] = field(default_factory=dict)
    simulated: bool = False
    scale: PrintScale | None = None
    qr_text: str = ""


def fitting_aid_pdf(paper_aid: FittingAid, paper: Paper = "a4") -> bytes:
    """The aid as PDF; see `fitting_aid`."""
    return fitting_aid(paper_aid, paper).pdf()


def fitting_aid(paper_aid: FittingAid, paper: Paper = "a4") -> Laid:
    """The aid, one page for each foot, exact at 100 %; InputError when no foot has a wish."""
    feet = [side for side in ("left", "right") if side in paper_aid.feet]
    if not feet:
        raise InputError("feet", "no first setting yet", hint="set the wish at Feet, First setting")
    pens = [fitting_aid_pen(paper_aid, side, paper) for side in feet]
    title, studio = f"{told('Fitting aid')}, {cut(paper_aid.rider, 80)}", cut(paper_aid.studio, 50)
    return exact_laid(pens, title, studio, paper, paper_aid.scale)


def fitting_aid_pen(paper_aid: FittingAid, side: str, paper: str) -> Pen:
    """One page as a drawing in mm: what the screen shows and what is printed."""
    foot = paper_aid.feet[side]
    pen = page_pen(
        paper, f"Fitting aid 1:1, {side} shoe",
        f"{side} sole seen from below at 1:1: the wished cleat dashed, the cleat now solid, lines to tape along.",
    )  # fmt: skip
    place, cut = card_map(foot.card, side, paper)
    with lengths_in(MM):  # the drawing is laid beside a ruler; inches stand in the column
        draw_outline(pen, place, foot.card, cut)
        draw_scale(pen, place, foot.card, cut)
        _cleats(pen, place, foot, side)
        _tape(pen, place, foot)
        draw_marks(pen, place, foot.card)
    _column(pen, paper_aid, side, foot)
    return pen


def _cleats(pen: Pen, place: Map, foot: AidFoot, side: str) -> None:
    """Now solid, the wish dashed with its axle line, an old imprint thin."""
    color, shape = pen.ink.side(side), foot.card.cleat_shape()
    if foot.imprint is not None:
        pen.path(place(in_sole(foot.imprint, shape)), pen.ink.soft, HAIR, close=True)
    if foot.aid is not None:
        pen.path(place(in_sole(foot.aid.now, shape)), color, FULL, close=True)
    pen.path(place(in_sole(foot.card.pose, shape)), color, FULL, close=True, dash=DASH)
    a, b = place(in_sole(foot.card.pose, [(0, t + math.copysign(6, t)) for t in axle_ends(foot.card)]))
    pen.line(a, b, color, FINE, "3 1.2")
    pen.circle(place([(foot.card.pose.x_mm, foot.card.pose.z_mm)])[0], 0.7, color, pen.ink.paper, FINE)


def _tape(pen: Pen, place: Map, foot: AidFoot) -> None:
    """Lines along the wish's nose, tail and both sides, each with where it meets the scale from the heel."""
    body, pose = foot.body, foot.card.pose
    half, reach = body.width_mm / 2, body.width_mm / 2 + 16
    for name, ahead in (("nose", body.nose_mm), ("tail", -body.tail_mm)):
        ends = in_sole(pose, [(ahead, _past_sole(foot.card, ahead, way, reach)) for way in (-1.0, 1.0)])
        a, b = place(ends)
        pen.line(a, b, pen.ink.ink, HAIR)
        for (x, y), (other, _), end in ((a, b, ends[0]), (b, a, ends[1])):
            said, right = number(float(end[0]), "mm"), x > other
            if not right:
                pen.text((x - 0.8, y + 0.7), said, TINY, pen.ink.soft, "end")
                continue
            pen.text((x + 0.8, y + 0.7), said, TINY, pen.ink.soft)
            above = max(0.8, 0.8 + text_width(said, TINY) - text_width(name, TINY))
            start = min(x + above, COLUMN_MM - 1.8 - text_width(name, TINY))
            pen.text((start, y - 2.2), name, TINY, pen.ink.soft)
    for z in (-half, half):
        a, b = place(in_sole(pose, [(-body.tail_mm - 10, z), (body.nose_mm + 10, z)]))
        pen.line(a, b, pen.ink.ink, HAIR)


def _past_sole(card: CardFoot, ahead: float, way: float, least: float) -> float:
    """How far sideways of the cleat a line must go for its end, and the number there, to lie off the sole."""
    along, across = ((card.outline() - card.pose.vector[:2]) @ turned_axes(card.pose.psi_deg).T).T
    beside = way * across[np.abs(along - ahead) < BESIDE_MM]
    return way * max(least, min(float(np.max(beside, initial=0.0)) + 2.0, MOST_REACH_MM))


def _column(pen: Pen, paper_aid: FittingAid, side: str, foot: AidFoot) -> None:
    """Head and check bar, the steps, what a ruler must show, what was not measured."""
    about = (paper_aid.studio, paper_aid.date)
    x, room, y = column_head(
        pen, paper_aid.rider, side, about, paper_aid.simulated, paper_aid.scale, paper_aid.qr_text
    )
    aid = foot.aid
    y = paragraph(pen, (x, y), "From where it is now (solid) to the wish (dashed)", BODY, room)
    if aid is None:
        y = paragraph(pen, (x, y + 0.5), "No cleat measured yet: set it by the distances below.", TINY, room)
    for k, step in enumerate(aid.steps if aid else (), 1):
        pen.text((x, y + 0.8), f"{k}", BODY, pen.ink.ink, bold=True)
        y = paragraph(pen, (x + 4, y + 0.8), step.words, TINY, room - 4)
    if aid is not None and aid.rest:
        y = paragraph(
            pen, (x, y + 1), f"Rounded to 0.5 mm and 0.5°; left over: {aid.rest}.", TINY, room, pen.ink.soft
        )
    y = paragraph(pen, (x, y + 2.5), "When it lies right, a ruler shows", BODY, room)
    y = draw_rows(pen, (x, y + 0.8), room, [(s.words, hand_words(s)) for s in foot.spots], beside=True)
    notes = [f"Not measured: {'; '.join(foot.notes)}."] if foot.notes else []
    said = " ".join(map(told, [*notes, *plain_outlines(foot.card), TAPE]))
    y = paragraph(pen, (x, y + 1.5), said, TINY, room)
    care(pen, (x, y + 1.5), room)


def hand_words(spot: Spot) -> str:
    """`57.5 ± 0.6 mm`, at the resolution of a ruler; ± is never finer than that resolution."""
    half = max(Z95 * spot.distance.u, RULER_MM)
    return f"{round(spot.distance.value / RULER_MM) * RULER_MM:.1f} ± {half:.1f} mm"
