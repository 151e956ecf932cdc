"""The fitting aid for the bench: the cleat from below, where it is, where it shall be, an arrow for every step."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitwright.foot.fitting_aid import Aid, CleatBody
from fitwright.foot.frame import in_sole
from fitwright.foot.sole import CleatPose
from fitwright.sheets.cleat_card import CardFoot, above_cut
from fitwright.sheets.ink import DASH_AXIS, DASH_PREDICTED, HAIRLINE, SMALL, THIN, VALUE, XY, Pen, Theme
from fitwright.sheets.sole_drawing import Map, sole_map

WIDTH, SCALE, TOP = 560.0, 3.3, 26.0
BEHIND_MM, ARROW = 58.0, 46.0


@dataclass(frozen=True)
class AidFigure:
    """One foot at the bench.

    Attributes: side; card: sole, marks and the wish; body: the cleat's measures; aid: the steps, or None while no
    cleat was measured; imprint: where an older cleat sat, or None.
    """

    side: str
    card: CardFoot
    body: CleatBody
    aid: Aid | None = None
    imprint: CleatPose | None = None


def aid_svg(figure: AidFigure, theme: Theme = "page", ident: str = "") -> str:
    """The forefoot seen from below, toe up: solid where the cleat is, dashed where it shall be, arrows numbered as
    the steps."""
    words = figure.aid.words if figure.aid else "no cleat measured yet"
    card, wish = figure.card, figure.card.pose
    toe, cut = float(np.max(card.outline()[:, 0])), wish.x_mm - BEHIND_MM
    pen = Pen(
        WIDTH, TOP + (toe - cut) * SCALE + 4, f"Fitting aid, {figure.side} shoe",
        f"{figure.side} sole seen from below, toe up. From where the cleat is to the wish: {words}.", theme, ident,
    )  # fmt: skip
    place = sole_map(figure.side, "below", (WIDTH / 2, TOP + toe * SCALE), SCALE)
    for piece in above_cut(card.outline(), cut):
        pen.path(
            place(piece),
            pen.ink.ink if card.outline_mm is not None else pen.ink.soft,
            1.3,
            fill=pen.ink.paper,
        )
    a, b = place([(cut, 0), (toe + 3, 0)])
    pen.line(a, b, pen.ink.hair, HAIRLINE, DASH_AXIS)
    _marks(pen, place, card)
    _cleats(pen, place, figure)
    if figure.aid is not None:
        _arrows(pen, place, figure, figure.aid)
    pen.text((4, 14), "seen from below, as it lies in the hand; arrows are not to scale", SMALL, pen.ink.soft)
    return pen.svg()


def _marks(pen: Pen, place: Map, card: CardFoot) -> None:
    for name, mark in (("M1", card.m1), ("M5", card.m5)):
        if mark is not None:
            x, y = place(mark.xz)[0]
            pen.cross((x, y), 5, pen.ink.ink, 1.3)
            pen.text((x, y - 9), name, SMALL, pen.ink.soft, "middle")


def _cleats(pen: Pen, place: Map, figure: AidFigure) -> None:
    """Imprint thin, now solid, wish dashed."""
    color, shape = pen.ink.side(figure.side), figure.card.cleat_shape()
    if figure.imprint is not None:
        pen.path(place(in_sole(figure.imprint, shape)), pen.ink.soft, HAIRLINE, close=True)
    if figure.aid is not None:
        now = place(in_sole(figure.aid.now, shape))
        pen.path(now, fill=pen.ink.side_wash(figure.side), close=True, opacity=0.45)
        pen.path(now, color, 1.8, close=True)
    pen.path(place(in_sole(figure.card.pose, shape)), color, 1.8, close=True, dash=DASH_PREDICTED)
    half = figure.body.width_mm / 2 + 12
    a, b = place(in_sole(figure.card.pose, [(0, -half), (0, half)]))
    pen.line(a, b, color, THIN, "8 3")


def _arrows(pen: Pen, place: Map, figure: AidFigure, aid: Aid) -> None:
    """A numbered arrow beside the cleat for every step that is not left out."""
    body = figure.body
    outward = 1.0 if place([(0, 1)])[0][0] > place([(0, 0)])[0][0] else -1.0
    for number, step in enumerate(aid.steps, 1):
        if step.amount == 0:
            continue
        size = f"{abs(step.amount):.1f}" + ("°" if step.kind == "turn" else " mm")
        if step.kind == "turn":
            x, y = place(in_sole(aid.now, (body.nose_mm, 0)))[0]
            way = -outward if step.amount > 0 else outward  # the nose goes inward for a larger ψ
            arc = [(x + way * ARROW * t, y - 14 + 16 * t * t) for t in np.linspace(-0.15, 1, 9)]
            _arrow(pen, arc)
            _label(pen, (x + way * (ARROW + 12), y - 2), number, size, way)
        elif step.kind == "fore-aft":
            inner = place(in_sole(aid.now, (0, -body.width_mm / 2)))[0]
            x, y, way = inner[0] - outward * 16, inner[1], -1.0 if step.amount > 0 else 1.0
            _arrow(pen, [(x, y - way * ARROW / 2), (x, y + way * ARROW / 2)])
            _label(pen, (x - outward * 10, y + 5), number, size, -outward)
        else:
            x, y = place(in_sole(aid.now, (-body.tail_mm, 0)))[0]
            way = outward if step.amount > 0 else -outward
            _arrow(pen, [(x - way * ARROW / 2, y + 22), (x + way * ARROW / 2, y + 22)])
            _label(pen, (x + way * (ARROW / 2 + 10), y + 27), number, size, way)


def _arrow(pen: Pen, points: list[XY]) -> None:
    (x0, y0), (x1, y1) = points[-2], points[-1]
    turn = math.atan2(y1 - y0, x1 - x0)
    barbs = [(x1 - 9 * math.cos(turn + s * 0.45), y1 - 9 * math.sin(turn + s * 0.45)) for s in (1, -1)]
    pen.path(points, pen.ink.ink, 1.8)
    pen.path([barbs[0], (x1, y1), barbs[1]], pen.ink.ink, 1.8, fill=pen.ink.ink, close=True)


def _label(pen: Pen, at: XY, number: int, size: str, way: float) -> None:
    """The step's number in a ring, and its size, reading away from the arrow."""
    x, y = at
    ring = x + way * 10
    pen.circle((ring, y - 5), 10, pen.ink.ink, pen.ink.paper, 1.2)
    pen.text((ring, y - 1), str(number), SMALL, pen.ink.ink, "middle", bold=True)
    pen.text((ring + way * 15, y), size, VALUE, pen.ink.ink, "start" if way > 0 else "end")
