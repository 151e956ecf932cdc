"""One quantity over a rider's visits: a dot and its 95 % whisker at each, left and right beside each other.

A line between two visits is solid where the change exceeds its minimal detectable change, dotted where it does not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

from fitwright.quantity import Measured
from fitwright.sheets.ink import HAIRLINE, LINE, SMALL, TEXT, THIN, XY, Pen, State, Theme, nice_ticks, span_of
from fitwright.sheets.words import number, unit_tail, value_words

TOP, FLOOR, LEFT, RIGHT = 34.0, 30.0, 58.0, 14.0
ASIDE = {"left": -0.09, "both": 0.0, "right": 0.09}
WITHIN = {"before": -0.16, "now": 0.16}
DOTTED = "1 4"
Place = Callable[[float, float], XY]


@dataclass(frozen=True)
class TrendPoint:
    """A value at one visit.

    Attributes:
        at: which visit, counted from 0, the oldest. side: "left", "right" or "both".
        state: "before" (on arrival, when the visit has a later value too) or "now".
        clear: whether it differs from the value before it by more than is detectable; None for the first.
    """

    at: int
    side: str
    value: Measured
    state: State = "now"
    clear: bool | None = None


@dataclass(frozen=True)
class Trend:
    """One quantity over the visits on `days` (short words, oldest first); span: ends of the axis, or the data's."""

    label: str
    days: tuple[str, ...]
    points: tuple[TrendPoint, ...]
    unit: str = "deg"
    span: tuple[float, float] | None = None

    def words(self) -> str:
        """All values as a sentence."""
        told = []
        for p in self.points:
            side = "" if p.side == "both" else f"{p.side} "
            tail = "" if p.clear is not False else ", not distinguishable from the value before"
            told.append(f"{self.days[p.at]}: {side}{value_words(p.value)}{tail}")
        return "; ".join(told) or "nothing measured yet"


def trend_svg(
    trend: Trend, theme: Theme = "page", width: float = 420.0, height: float = 190.0, ident: str = ""
) -> str:
    """The trend as SVG."""
    pen = Pen(width, height, trend.label, trend.words(), theme, ident)
    ends = [v for p in trend.points for v in p.value.interval95]
    low, high = trend.span or span_of(ends, pad=0.12)
    slot = (width - LEFT - RIGHT) / max(len(trend.days), 1)

    def place(at: float, value: float) -> XY:
        share = (min(max(value, low), high) - low) / (high - low)
        return LEFT + (at + 0.5) * slot, height - FLOOR - share * (height - TOP - FLOOR)

    pen.text((4, 16), trend.label, TEXT, pen.ink.ink)
    ticks = nice_ticks(low, high, about=4)
    for k, tick in enumerate(ticks):
        y = place(0, tick)[1]
        pen.line((LEFT, y), (width - RIGHT, y), pen.ink.hair, HAIRLINE)
        tail = unit_tail(trend.unit) if k == len(ticks) - 1 else ""
        pen.text((LEFT - 6, y + 4), number(tick, decimals=2) + tail, SMALL, pen.ink.soft, "end")
    _days(pen, trend.days, height, slot)
    for side in ("both", "left", "right"):
        _series(pen, trend, [p for p in trend.points if p.side == side], place)
    return pen.svg()


def _days(pen: Pen, days: Sequence[str], height: float, slot: float) -> None:
    """The days under the axis, as many as there is room for, the last one always."""
    each = max(1, math.ceil(64.0 / slot))
    for k, day in enumerate(days):
        x = LEFT + (k + 0.5) * slot
        pen.line((x, height - FLOOR + 2), (x, height - FLOOR + 6), pen.ink.hair, THIN)
        if (len(days) - 1 - k) % each == 0:
            pen.text(
                (min(max(x, 30.0), pen.width - 30.0), height - FLOOR + 19), day, SMALL, pen.ink.soft, "middle"
            )


def _series(pen: Pen, trend: Trend, points: Sequence[TrendPoint], place: Place) -> None:
    """The values of one side, oldest first, joined."""
    two = {p.at for p in points if p.state == "before"}
    spots: list[tuple[XY, TrendPoint]] = []
    for p in points:
        at = p.at + ASIDE[p.side] + (WITHIN.get(p.state, 0.0) if p.at in two else 0.0)
        spots.append((place(at, p.value.value), p))
    for (a, _), (b, p) in pairwise(spots):
        pen.line(a, b, pen.ink.side(p.side) if p.clear else pen.ink.soft, LINE if p.clear else THIN,
                 "" if p.clear else DOTTED)  # fmt: skip
    for (x, y), p in spots:
        low, high = (place(p.at, v)[1] for v in p.value.interval95)
        with pen.group(f"{trend.days[p.at]}: {value_words(p.value)}"):
            if p.value.u > 0:
                pen.line((x, low), (x, high), pen.ink.side(p.side), 1.3)
            pen.mark((x, y), p.side, p.state, 4.4)
