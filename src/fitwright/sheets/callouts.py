"""Callouts: a number sits where it is measured, with a thin leader to its words at the drawing's edge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fitwright.sheets.ink import HAIRLINE, SMALL, VALUE, XY, Pen, shorten, text_width
from fitwright.sheets.strip import Reading
from fitwright.sheets.words import value_words

ROW, HEAD, GAP = 19.0, 15.0, 11.0
MOST_LETTERS = 36


@dataclass(frozen=True)
class Callout:
    """A number with the place it belongs to.

    Attributes:
        at: name of an anchor of the drawing ("knee", "trunk", "axle", "saddle_height", ...). A callout whose anchor
            the drawing does not have is left out.
        label: plain words. readings: one or more values (both sides, before and now).
        href: where a click leads, or "". hint: hover explanation, or "".
    """

    at: str
    label: str
    readings: tuple[Reading, ...]
    href: str = ""
    hint: str = ""

    @property
    def height(self) -> float:
        """Height of its block, user units."""
        return HEAD + ROW * len(self.readings)

    @property
    def width(self) -> float:
        """Width of its block, user units."""
        rows = [14.0 * self._signed(r) + text_width(value_words(r.value), VALUE) for r in self.readings]
        return max([text_width(shorten(self.label, MOST_LETTERS), SMALL), *rows], default=0.0)

    def _signed(self, r: Reading) -> bool:
        return len(self.readings) > 1 or r.side != "both"

    def words(self) -> str:
        """`knee flexion, least: right now 33.8 ± 1.1°`."""
        return f"{self.label}: " + ", ".join(r.words() for r in self.readings)


def gutter_widths(
    callouts: Sequence[Callout], gutter: Mapping[str, str], least: float
) -> tuple[float, float]:
    """Room that the left and the right gutter need, user units."""
    wide = {
        side: [c.width + 22.0 for c in callouts if gutter.get(c.at, "right") == side]
        for side in ("left", "right")
    }
    return max([least, *wide["left"]]), max([least, *wide["right"]])


def draw_callouts(
    pen: Pen, callouts: Sequence[Callout], anchors: Mapping[str, XY], gutter: Mapping[str, str],
    edges: tuple[float, float], top: float, bottom: float,
) -> None:  # fmt: skip
    """Place every callout in the left or right gutter without overlap and draw its leader.

    Args:
        anchors: anchor name → place in the drawing. gutter: anchor name → "left" or "right".
        edges: x of the inner edge of the left and of the right gutter. top, bottom: room for the blocks.
    """
    shown = [c for c in callouts if c.at in anchors and c.readings]
    for which in ("left", "right"):
        here = sorted(
            (c for c in shown if gutter.get(c.at, "right") == which), key=lambda c: anchors[c.at][1]
        )
        for c, y in zip(here, stacked(here, anchors, top, bottom), strict=True):
            _draw_one(pen, c, anchors[c.at], edges[which == "right"], y, which)


def stacked(callouts: Sequence[Callout], anchors: Mapping[str, XY], top: float, bottom: float) -> list[float]:
    """Top of each block, as near to its anchor as the others allow; never overlapping while there is room."""
    ys: list[float] = []
    free = top
    for c in callouts:
        ys.append(max(anchors[c.at][1] - HEAD, free))
        free = ys[-1] + c.height + GAP
    limit = bottom
    for k in range(len(ys) - 1, -1, -1):
        ys[k] = min(ys[k], limit - callouts[k].height)
        limit = ys[k] - GAP
    return ys


def _draw_one(pen: Pen, c: Callout, anchor: XY, edge: float, y: float, which: str) -> None:
    """Label above the shelf, values below it, the leader from shelf to anchor."""
    left = which == "left"
    x = 4.0 if left else edge
    shelf = y + HEAD
    far, near = (x, edge) if left else (pen.width - 4.0, x)
    bend = near + (10.0 if left else -10.0)
    with pen.group(c.hint or c.words(), c.href):
        pen.path([anchor, (bend, shelf), (far, shelf)], pen.ink.soft, HAIRLINE)
        pen.circle(anchor, 1.5, "none", pen.ink.soft)
        if c.href:  # a quiet field that makes the whole block easy to hit
            pen.add("rect", x=x - 4, y=y - 6, width=c.width + 8, height=max(c.height + 8, 44.0),
                    fill=pen.ink.paper, fill_opacity="0")  # fmt: skip
        pen.text((x, y + HEAD - 5), shorten(c.label, MOST_LETTERS), SMALL, pen.ink.soft)
        for k, r in enumerate(c.readings):
            base = shelf + ROW * (k + 1) - 3
            inset = 0.0
            if len(c.readings) > 1 or r.side != "both":
                pen.mark((x + 5, base - 5), r.side, r.state, 4.6)
                inset = 14.0
            pen.text((x + inset, base), value_words(r.value), VALUE, pen.ink.ink)
