"""Curves over the turn of the crank: mean line, ±1 SD ribbon, target bracket at its event, TDC and BDC."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fitwright.motion.ride import THETA_DEG, CycleCurve
from fitwright.quantity import Z95, Floats
from fitwright.sheets.ink import (
    DASH_PREDICTED,
    SMALL,
    TEXT,
    THIN,
    XY,
    Pen,
    State,
    Theme,
    nice_ticks,
    span_of,
)
from fitwright.sheets.words import number
from fitwright.told import told

STEP = 3
"""Every third bin is drawn: a turn has no detail below 3° after smoothing, and the file stays small."""


@dataclass(frozen=True)
class CurveLine:
    """One curve on the chart; `curve` must hold 360 bins."""

    curve: CycleCurve
    side: str
    state: State = "now"

    def words(self) -> str:
        """`right now, lowest 33.8 at 173°, highest 111.9 at 356°, 41 turns`."""
        mean = self.curve.mean
        if not np.isfinite(mean).any():
            return f"{self.side} {self.state}: nothing measured"
        low, high = int(np.nanargmin(mean)), int(np.nanargmax(mean))
        return (
            f"{self.side} {self.state}: lowest {mean[low]:.1f} at {low}°, highest {mean[high]:.1f} at {high}°,"
            f" {self.curve.cycles} turns{f', {self.doubt}' if self.doubt else ''}"
        )

    @property
    def doubt(self) -> str:
        """`estimate ± 12°` of a curve that hangs from guessed points; empty of any other."""
        if not self.curve.estimate:
            return ""
        half = Z95 * float(np.nanmedian(self.curve.u))
        return f"estimate ± {number(half, self.curve.unit, 0)}"


@dataclass(frozen=True)
class CurveTarget:
    """A band at the crank angle where it applies; at_deg None = over the whole turn. `words`: its numbers, method and
    source, written below the chart."""

    low: float
    high: float
    at_deg: float | None = None
    words: str = ""


@dataclass(frozen=True)
class Chart:
    """A set of curves of one quantity.

    Attributes: label: plain words. unit: "deg" or "mm". target: band or None. up, down: words for the two
    directions of the axis ("more bent", "straighter"), written small beside the label, or "".
    """

    label: str
    lines: tuple[CurveLine, ...]
    unit: str = "deg"
    target: CurveTarget | None = None
    up: str = ""
    down: str = ""


@dataclass(frozen=True)
class Plot:
    """Where a chart draws: 0° at x0, 360° at x1, the value `low` at y0 and `high` at y1."""

    x0: float
    x1: float
    y0: float
    y1: float
    low: float
    high: float


def plot_of(chart: Chart, width: float = 420.0, height: float = 250.0) -> Plot:
    """The plot of `curve_svg` at this size, for marks that move over it."""
    return Plot(44.0, width - 14.0, height - 38.0, 34.0, *_span(chart))


def curve_svg(
    chart: Chart, theme: Theme = "page", width: float = 420.0, height: float = 250.0, ident: str = ""
) -> str:
    """The chart as SVG, TDC at the left edge, crank angle 0–360°."""
    desc = "; ".join(line.words() for line in chart.lines) or "Nothing measured yet."
    if chart.target and chart.target.words:
        desc += f". Bracket: {chart.target.words}"
    pen = Pen(width, height, f"{chart.label} by crank angle", desc, theme, ident)
    plot = plot_of(chart, width, height)
    x0, x1, y0, y1, low, high = plot.x0, plot.x1, plot.y0, plot.y1, plot.low, plot.high

    def place(theta: Floats | float, value: Floats | float) -> Floats:
        x = x0 + np.asarray(theta, dtype=np.float64) / 360.0 * (x1 - x0)
        y = y0 - (np.asarray(value, dtype=np.float64) - low) / (high - low) * (y0 - y1)
        return np.stack(np.broadcast_arrays(x, y), axis=-1)

    _axes(pen, chart, place, (low, high))
    for state in ("before", "predicted", "now"):
        for line in chart.lines:
            if line.state == state:
                _draw(pen, line, place)
    if chart.target and chart.target.at_deg is not None:
        _event_bracket(pen, chart.target, place)
    _caption(pen, chart)
    return pen.svg()


Place = Callable[..., Floats]


def _span(chart: Chart) -> tuple[float, float]:
    values: list[float] = []
    for line in chart.lines:
        sd = np.nan_to_num(line.curve.sd)
        values += [*(line.curve.mean - sd), *(line.curve.mean + sd)]
    if chart.target:
        values += [chart.target.low, chart.target.high]
    return span_of(values, pad=0.06)


def _axes(pen: Pen, chart: Chart, place: Place, span: tuple[float, float]) -> None:
    """Hair-line frame: values at the left, quarter turns below, dash-dot lines at the dead centres."""
    low, high = span
    if chart.target and chart.target.at_deg is None:
        (xa, ya), (xb, yb) = place(0, chart.target.high), place(360, chart.target.low)
        pen.add(
            "rect", x=float(xa), y=float(ya), width=float(xb - xa), height=float(yb - ya), fill=pen.ink.band
        )
    unit = "°" if chart.unit == "deg" else ""
    for tick in nice_ticks(low, high, about=4) if chart.lines else ():
        a, b = place(0, tick), place(360, tick)
        pen.line(tuple(a), tuple(b), pen.ink.hair, 0.6)
        pen.text((a[0] - 7, a[1] + 4), f"{tick:g}{unit}".replace("-", "−"), SMALL, pen.ink.soft, "end")
    base = place(0, low)
    for theta in (0, 90, 180, 270, 360):
        x = float(place(theta, low)[0])
        pen.line((x, base[1]), (x, base[1] + 4), pen.ink.hair, THIN)
        words = {0: "0° top", 180: "180° bottom", 360: "360°"}.get(theta, f"{theta}°")
        anchor = {0: "start", 360: "end"}.get(theta, "middle")
        pen.text((x, base[1] + 17), words, SMALL, pen.ink.soft, anchor)
    pen.line(tuple(base), tuple(place(360, low)), pen.ink.hair, THIN)
    pen.line(tuple(place(180, low)), tuple(place(180, high)), pen.ink.hair, 0.8, "9 3 1.5 3")


def _draw(pen: Pen, line: CurveLine, place: Place) -> None:
    """Ribbon and mean line of one curve, closed at 360° with its first bin."""
    theta, mean, sd = _sampled(line.curve)
    color = pen.ink.side(line.side)
    with pen.group(line.words()):
        if line.state == "now":
            for piece in _pieces(mean, sd):
                top, low = (
                    place(theta[piece], mean[piece] + sd[piece]),
                    place(theta[piece], mean[piece] - sd[piece]),
                )
                pen.path(
                    np.vstack([top, low[::-1]]), fill=pen.ink.side_wash(line.side), close=True, opacity=0.75
                )
        dash = DASH_PREDICTED if line.state == "predicted" else ""
        pen.path(place(theta, mean), color, 2.0 if line.state == "now" else 1.1, dash=dash)
        for at in (int(np.nanargmin(mean)), int(np.nanargmax(mean))) if np.isfinite(mean).any() else ():
            spot = place(theta[at], mean[at])
            pen.mark((float(spot[0]), float(spot[1])), line.side, line.state, 4.2)


def _sampled(curve: CycleCurve) -> tuple[Floats, Floats, Floats]:
    """Crank angle, mean and SD at every third bin and again at 360°."""
    pick = np.append(np.arange(0, 360, STEP), 0)
    theta = np.append(THETA_DEG[::STEP], 360.0)
    return theta, curve.mean[pick], np.nan_to_num(curve.sd[pick])


def _pieces(mean: Floats, sd: Floats) -> list[slice]:
    """Runs of bins that are finite and have a spread to show."""
    if not np.any(sd > 0):
        return []
    ok = np.concatenate([[False], np.isfinite(mean), [False]])
    edges = np.flatnonzero(np.diff(ok.astype(int)))
    return [slice(int(a), int(b)) for a, b in edges.reshape(-1, 2) if b - a > 1]


def _event_bracket(pen: Pen, target: CurveTarget, place: Place) -> None:
    """The target at its event: an upright bracket, pale between its lips."""
    (x, top), (_, low) = place(target.at_deg, target.high), place(target.at_deg, target.low)
    pen.add(
        "rect",
        x=float(x) - 7,
        y=float(top),
        width=14,
        height=float(low - top),
        fill=pen.ink.band,
        opacity=0.7,
    )
    for y, lip in ((top, 3.5), (low, -3.5)):
        pen.path([(x - 7, y + lip), (x - 7, y), (x + 7, y), (x + 7, y + lip)], pen.ink.soft, THIN)


def _caption(pen: Pen, chart: Chart) -> None:
    """The label above at the left, what up and down mean at the right."""
    unit = "" if chart.unit == "deg" else f", {chart.unit}"
    pen.text((8, 16), chart.label + unit, TEXT, pen.ink.ink)
    ways = "   ".join(
        f"{arrow} {told(words)}" for arrow, words in (("↑", chart.up), ("↓", chart.down)) if words
    )
    if ways:
        pen.text((pen.width - 14, 16), ways, SMALL, pen.ink.soft, "end")
    if chart.target and chart.target.words:
        pen.text(
            (pen.width - 14, pen.height - 5), f"bracket {chart.target.words}", SMALL, pen.ink.soft, "end"
        )
    doubts = dict.fromkeys(f"{line.side}: {line.doubt}" for line in chart.lines if line.doubt)
    for k, words in enumerate(doubts):
        pen.text((pen.width - 18, 46 + 14 * k), words, SMALL, pen.ink.soft, "end")
    if not chart.lines:
        at: XY = (pen.width / 2, pen.height / 2)
        pen.text(at, "nothing measured yet", TEXT, pen.ink.soft, "middle")
