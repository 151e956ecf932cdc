"""The strip: values with whiskers over a pale target bracket.

A dot is the value, its whisker the 95 % interval, the bracket the band the value is compared with. The words
beside it belong to the page; the drawing carries them as title and description for those who do not see it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fitwright.quantity import Measured
from fitwright.sheets.ink import SMALL, THIN, Pen, State, Theme, nice_ticks, span_of, text_width
from fitwright.sheets.words import number, unit_tail, value_words

Place = Callable[[float], float]


@dataclass(frozen=True)
class Reading:
    """One value on a strip: side "left", "right" or "both"; state "now", "before" or "predicted"."""

    side: str
    value: Measured
    state: State = "now"
    href: str = ""

    def words(self) -> str:
        """`left now 35.1 ± 1.1°`."""
        side = "" if self.side == "both" else f"{self.side} "
        return f"{side}{self.state} {value_words(self.value)}"


@dataclass(frozen=True)
class Strip:
    """One quantity on one axis.

    Attributes:
        label: plain words. readings: what to show, any number. band: (low, high) of the target or None.
        span: (low, high) of the axis, or None to let the data and the band decide. unit: "deg", "mm", "1", ...
        note: said in the description only (source of the band, for whom).
    """

    label: str
    readings: tuple[Reading, ...]
    band: tuple[float, float] | None = None
    unit: str = "deg"
    span: tuple[float, float] | None = None
    note: str = ""

    def axis(self) -> tuple[float, float]:
        """The axis ends: given, or wide enough for every whisker and the band."""
        if self.span:
            return self.span
        ends = [v for r in self.readings for v in r.value.interval95] + list(self.band or ())
        return span_of(ends, pad=0.1)

    def words(self) -> str:
        """The strip as a sentence."""
        shown = "; ".join(r.words() for r in self.readings) or "nothing measured yet"
        band = f". Target {number(self.band[0])} to {number(self.band[1], self.unit)}" if self.band else ""
        return f"{shown}{band}. {self.note}".strip()


def strip_svg(
    strip: Strip, theme: Theme = "page", width: float = 320.0, ident: str = "", *, ticks: bool = True
) -> str:
    """The strip as SVG, `width` × 46 user units (a lane more for each further state of one side).

    Without `ticks` it is 16 units lower: for strips of one axis under each other, of which the last has them.
    """
    lanes = _lanes(strip.readings)
    lane_gap = 9.0
    tall = max(1, max(lanes, default=0) + 1)
    middle = 14.0 + (tall - 1) * lane_gap / 2
    height = middle + (tall - 1) * lane_gap / 2 + (30.0 if ticks else 14.0)
    pen = Pen(width, height, strip.label, strip.words(), theme, ident)
    low, high = strip.axis()
    left, right = 12.0, width - 12.0

    def place(v: float) -> float:
        return left + (min(max(v, low), high) - low) / (high - low) * (right - left)

    half = 8.0 + (tall - 1) * lane_gap / 2
    if strip.band:
        _bracket(pen, place(strip.band[0]), place(strip.band[1]), middle, half)
    pen.line((left, middle), (right, middle), pen.ink.hair, THIN)
    if ticks:
        _ticks(pen, strip, place, middle + half)
    for reading, lane in zip(strip.readings, lanes, strict=True):
        y = middle + (lane - (tall - 1) / 2) * lane_gap
        with pen.group(reading.words(), reading.href):
            _whisker(pen, reading, place, y, (low, high))
    return pen.svg()


def legend_svg(states: Sequence[State] = ("before", "now", "predicted"), theme: Theme = "page") -> str:
    """The key to all drawings: the sign of each side, of each state, the target's bracket and the whisker."""
    entries: list[tuple[str, str, State]] = [("left", "left", "now"), ("right", "right", "now")]
    entries += [(state, "", state) for state in states]
    width = 30.0 + sum(38.0 + text_width(words, SMALL) for words, _, _ in entries) + 190.0
    desc = (
        "Left is a circle, right a triangle; before hollow, now solid, predicted dashed; a pale bracket is the"
        " target, a whisker the 95 % interval."
    )
    pen = Pen(width, 26.0, "Key", desc, theme)
    x = pen.legend((10.0, 13.0), entries)
    _bracket(pen, x, x + 22, 13.0, 7.0)
    pen.text((x + 29, 17.0), "target", SMALL, pen.ink.soft)
    x += 29 + text_width("target", SMALL) + 18
    pen.line((x, 13.0), (x + 22, 13.0), pen.ink.soft, 1.4)
    pen.text((x + 29, 17.0), "95 % interval", SMALL, pen.ink.soft)
    return pen.svg()


def _lanes(readings: Sequence[Reading]) -> list[int]:
    """A lane for each reading: left above right, earlier states share a side's lane unless they collide."""
    sides = [s for s in ("left", "both", "right") if any(r.side == s for r in readings)]
    base = {s: k for k, s in enumerate(sides)}
    taken: list[list[tuple[float, float]]] = [[] for _ in base]
    lanes: list[int] = []
    for r in readings:
        a, b = r.value.interval95
        lane = base[r.side]
        spot = [lane, *range(len(base), len(taken))]
        free = next((k for k in spot if all(b < x or a > y for x, y in taken[k])), None)
        if free is None:
            taken.append([])
            free = len(taken) - 1
        taken[free].append((a, b))
        lanes.append(free)
    return lanes


def _bracket(pen: Pen, x0: float, x1: float, y: float, half: float) -> None:
    """The target: a pale field between two square brackets."""
    pen.add("rect", x=x0, y=y - half, width=max(x1 - x0, 0.5), height=2 * half, fill=pen.ink.band)
    for x, lip in ((x0, 4.0), (x1, -4.0)):
        pen.path([(x + lip, y - half), (x, y - half), (x, y + half), (x + lip, y + half)], pen.ink.soft, THIN)


def _ticks(pen: Pen, strip: Strip, place: Place, y: float) -> None:
    """Round numbers below the axis, unit at the last one."""
    ticks = nice_ticks(*strip.axis(), about=4 if pen.width > 240 else 2)
    for k, tick in enumerate(ticks):
        x = place(tick)
        pen.line((x, y + 1.5), (x, y + 4.5), pen.ink.hair, THIN)
        words = number(tick, decimals=3) + (unit_tail(strip.unit) if k == len(ticks) - 1 else "")
        half = text_width(words, SMALL) / 2
        pen.text((min(x, pen.width - 1 - half), y + 15.5), words, SMALL, pen.ink.soft, "middle")


def _whisker(pen: Pen, r: Reading, place: Place, y: float, axis: tuple[float, float]) -> None:
    """Interval and sign; an arrow-head where the interval leaves the axis."""
    color = pen.ink.side(r.side)
    a, b = r.value.interval95
    dash = "2.6 2.2" if r.state == "predicted" else ""
    pen.line((place(a), y), (place(b), y), color, 1.4, dash)
    for end, x, way in ((a < axis[0], place(a), -1), (b > axis[1], place(b), 1)):
        if end:
            pen.path([(x - 4 * way, y - 3), (x, y), (x - 4 * way, y + 3)], color, 1.4)
    pen.mark((place(r.value.value), y), r.side, r.state, 5.0)
