"""Both soles in plan: marks, cleat before and now, axle line, toe-out and how sure each place is."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from fitwright.foot.frame import in_sole
from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.quantity import Floats, Measured
from fitwright.sheets.ink import DASH_AXIS, DASH_PREDICTED, HAIRLINE, SMALL, THIN, XY, Pen, Theme
from fitwright.sheets.sole_shapes import (
    axle_crossing,
    cleat_outline,
    ellipse95,
    sole_outline,
    width_for,
)
from fitwright.sheets.words import value_words

EXAGGERATE = 10.0
BESIDE_MM, BEYOND_MM = 6.0, 16.0
"""How far an axle's line goes past the sole's edges where the names of others stand beside it, and where none do."""
"""Ellipses smaller than a pen dot are drawn this much larger, and the drawing says so."""


@dataclass(frozen=True)
class SoleFigure:
    """What is known of one sole; everything but the foot is optional.

    Attributes:
        foot: "left" or "right". length_mm, width_mm: outer sole. outline_mm: (n, 2) measured x, z, or None for a
            plain sole. m1, m5: marks. datums: name → mark. cleat: pose now. before: pose before (hollow). start: pose
            wanted (dashed). bolt_pattern: "three-bolt" or "two-bolt". cleat_outline_mm: (n, 2) measured in the
            cleat frame, or None for a plain cleat. axles: (name, pose) of further axle lines, thin.
        values: (words, value) printed under the sole; None prints the cleat's pose. href, hint: for a click.
    """

    foot: str
    length_mm: float = 280.0
    width_mm: float | None = None
    outline_mm: Floats | None = None
    m1: SolePoint | None = None
    m5: SolePoint | None = None
    datums: Mapping[str, SolePoint] = field(default_factory=dict)
    cleat: CleatPose | None = None
    before: CleatPose | None = None
    start: CleatPose | None = None
    bolt_pattern: str = "three-bolt"
    cleat_outline_mm: Floats | None = None
    axles: tuple[tuple[str, CleatPose], ...] = ()
    values: tuple[tuple[str, Measured], ...] | None = None
    href: str = ""
    hint: str = ""

    @staticmethod
    def from_reading(reading: SoleReading, before: CleatPose | None = None, start: CleatPose | None = None,
                     bolt_pattern: str = "three-bolt") -> SoleFigure:  # fmt: skip
        """The figure of what a sole photograph gave."""
        marks = reading.landmarks
        return SoleFigure(
            reading.foot, reading.length_mm.value, m1=marks.get("m1"), m5=marks.get("m5"), datums=reading.datums,
            cleat=reading.cleat, before=before, start=start, bolt_pattern=bolt_pattern,
        )  # fmt: skip

    def outline(self) -> Floats:
        """(n, 2) the measured outline, or the plain one."""
        if self.outline_mm is not None:
            return self.outline_mm
        width = self.width_mm if self.width_mm is not None else width_for(self.length_mm, self.m1, self.m5)
        return sole_outline(self.length_mm, width)

    def cleat_shape(self) -> Floats:
        """(n, 2) cleat outline in the cleat frame."""
        return (
            self.cleat_outline_mm if self.cleat_outline_mm is not None else cleat_outline(self.bolt_pattern)
        )

    def printed(self) -> tuple[tuple[str, Measured], ...]:
        """The values under the sole."""
        if self.values is not None:
            return self.values
        pose = self.cleat or self.start or self.before
        if pose is None:
            return ()
        m = pose.measured()
        rows = [("from heel", m["x_c_mm"]), ("outward", m["z_c_mm"]), ("toe-out", m["psi_c_deg"])]
        return tuple(rows)


Map = Callable[[ArrayLike], list[XY]]


def soles_svg(
    figures: Sequence[SoleFigure], theme: Theme = "page", *, seen: str = "above", width: float = 420.0,
    height: float = 470.0, title: str = "Both soles in plan", ident: str = "",
) -> str:  # fmt: skip
    """The soles side by side as SVG, left foot on the left.

    Args:
        seen: "above" (as the rider looks down) or "below" (as the sole lies in the hand).
    """
    times = _times(figures)
    pen = Pen(width, height, title, _describe(figures, seen), theme, ident)
    longest = max([f.length_mm for f in figures], default=280.0)
    rows = max([len(f.printed()) for f in figures], default=0)
    foot_y = height - 40 - 17 * rows
    scale = min((foot_y - 52) / longest, width / max(len(figures), 1) / 158.0)
    for k, figure in enumerate(sorted(figures, key=lambda f: f.foot != "left")):
        centre = width * (k + 0.5) / max(len(figures), 1)
        place = sole_map(figure.foot, seen, (centre, foot_y), scale)
        with pen.group(figure.hint or _words(figure), figure.href):
            draw_sole(pen, place, figure, scale, times)
            _values(pen, figure, centre, foot_y + 26)
    note = f"seen from {seen}"
    if times != 1 and _has_spread(figures):
        note = f"seen from {seen}, 95 % ellipses drawn {times:g}×"
    pen.text((4, 14), note, SMALL, pen.ink.soft)
    if not figures:
        pen.text((width / 2, height / 2), "nothing measured yet", 14, pen.ink.soft, "middle")
    return pen.svg()


def sole_map(foot: str, seen: str, heel: XY, scale: float) -> Map:
    """Sole frame → drawing with the toe up: lateral lies outward seen from above, inward seen from below."""
    sign = (1.0 if foot == "right" else -1.0) * (1.0 if seen == "above" else -1.0)

    def place(points: ArrayLike) -> list[XY]:
        p = np.atleast_2d(np.asarray(points, dtype=np.float64))
        return [(heel[0] + sign * z * scale, heel[1] - x * scale) for x, z in p]

    return place


def draw_sole(pen: Pen, place: Map, figure: SoleFigure, scale: float, times: float) -> None:
    """One sole with all that is known of it, in the given map."""
    measured = figure.outline_mm is not None
    pen.path(
        place(figure.outline()),
        pen.ink.ink if measured else pen.ink.soft,
        1.3,
        fill=pen.ink.paper,
        close=True,
    )
    mid = place([(-10, 0), (figure.length_mm + 14, 0)])
    pen.line(mid[0], mid[1], pen.ink.hair, HAIRLINE, DASH_AXIS)
    _axles(pen, place, figure)
    _marks(pen, place, figure, times)
    for pose, state in ((figure.before, "before"), (figure.start, "predicted"), (figure.cleat, "now")):
        if pose is not None:
            _cleat(pen, place, figure, pose, state, times)
    _datums(pen, place, figure, times)


def _marks(pen: Pen, place: Map, figure: SoleFigure, times: float) -> None:
    """M1 and M5 as crosses with their ellipse, the line between them, and where the axle crosses it."""
    for name, mark in (("M1", figure.m1), ("M5", figure.m5)):
        if mark is None:
            continue
        (x, y), (cx, _) = place(mark.xz)[0], place([(mark.x_mm, 0.0)])[0]
        pen.path(place(ellipse95(mark.xz, mark.covariance_mm2, times)), pen.ink.hair, HAIRLINE, fill=pen.ink.band,
                 close=True)  # fmt: skip
        pen.cross((x, y), 3.6, pen.ink.ink, 1.2)
        out = 1.0 if x > cx else -1.0
        if figure.axles and mark.z_mm > 0:  # the names of the axle lines stand beside it: below the cross
            pen.text((x - out * 3, y + 24), name, SMALL, pen.ink.soft, "end" if out > 0 else "start")
        else:
            pen.text((x + out * 15, y - 4), name, SMALL, pen.ink.soft, "start" if out > 0 else "end")
    if figure.m1 is not None and figure.m5 is not None:
        a, b = place([figure.m1.xz, figure.m5.xz])
        pen.line(a, b, pen.ink.soft, HAIRLINE)
        if figure.cleat is not None and (cross := axle_crossing(figure.cleat, figure.m1, figure.m5)):
            share, at = cross
            with pen.group(f"the axle crosses M1–M5 at {share:.2f}"):
                pen.circle(place(at)[0], 3.2, pen.ink.ink, pen.ink.paper, 1.2)


def _cleat(pen: Pen, place: Map, figure: SoleFigure, pose: CleatPose, state: str, times: float) -> None:
    """Outline, centre, long axis and axle line of one pose."""
    color = pen.ink.side(figure.foot)
    now = state == "now"
    dash = DASH_PREDICTED if state == "predicted" else ""
    shape = place(in_sole(pose, figure.cleat_shape()))
    if now:
        pen.path(shape, fill=pen.ink.side_wash(figure.foot), close=True, opacity=0.45)
    pen.path(shape, color, 1.6 if now else 1.1, close=True, dash=dash)
    if now or figure.cleat is None:
        a, b = place(_along_axle(figure, pose, BESIDE_MM if figure.axles else BEYOND_MM))
        pen.line(a, b, color, THIN, "8 3")
        _toe_out(pen, place, figure, pose, color)
    centre = place([(pose.x_mm, pose.z_mm)])[0]
    pen.path(place(ellipse95(pose.vector[:2], pose.covariance, times)), color, HAIRLINE, close=True)
    pen.circle(centre, 2.4, color, color if now else pen.ink.paper, 1.1)


def _axles(pen: Pen, place: Map, figure: SoleFigure) -> None:
    """Further axle lines, each with its name at the outer edge; names that would collide move apart."""
    if not figure.axles:
        return
    rows = [(name, *place(_along_axle(figure, pose, BESIDE_MM))) for name, pose in figure.axles]
    rows.sort(key=lambda r: r[2][1])
    out = 1.0 if rows[0][2][0] > rows[0][1][0] else -1.0
    ys: list[float] = []
    for _, _, b in rows:
        ys.append(max(b[1], ys[-1] + 12.5) if ys else b[1])
    drift = sum(y - r[2][1] for y, r in zip(ys, rows, strict=True)) / len(rows)
    for (name, a, b), y in zip(rows, ys, strict=True):
        pen.line(a, b, pen.ink.soft, HAIRLINE)
        pen.line(b, (b[0] + 9 * out, y - drift), pen.ink.hair, HAIRLINE)
        anchor = "start" if out > 0 else "end"
        pen.text((b[0] + 12 * out, y - drift + 3.5), name, SMALL, pen.ink.soft, anchor)


def _along_axle(figure: SoleFigure, pose: CleatPose, beyond_mm: float) -> Floats:
    """(2, 2) inner and outer end of the axle's line of a pose, so far beyond the sole's edges."""
    z = np.array([np.min(figure.outline()[:, 1]) - beyond_mm, np.max(figure.outline()[:, 1]) + beyond_mm])
    along = (z - pose.z_mm) / math.cos(math.radians(pose.psi_deg))
    return in_sole(pose, np.column_stack([np.zeros(2), along]))


def _toe_out(pen: Pen, place: Map, figure: SoleFigure, pose: CleatPose, color: str) -> None:
    """The cleat's long axis carried on to the toe, the angle to the mid-line as an arc."""
    far = figure.length_mm + 14 - pose.x_mm
    a, b = place(in_sole(pose, [(0, 0), (far, 0)]))
    pen.line(a, b, color, HAIRLINE, "2 2")
    r, psi = far - 4, math.radians(pose.psi_deg)
    arc = [(pose.x_mm + r * math.cos(t), pose.z_mm - r * math.sin(t)) for t in np.linspace(0, psi, 7)]
    pen.path(place(arc), color, HAIRLINE)


def _datums(pen: Pen, place: Map, figure: SoleFigure, times: float) -> None:
    """Datum marks as small solid dots with their ellipse."""
    for name, mark in figure.datums.items():
        with pen.group(name.replace("_", " ")):
            pen.path(place(ellipse95(mark.xz, mark.covariance_mm2, times)), pen.ink.soft, 0.6, close=True)
            pen.circle(place(mark.xz)[0], 1.8, "none", pen.ink.ink)


def _values(pen: Pen, figure: SoleFigure, x: float, y: float) -> None:
    """The side's sign and name, then each value."""
    pen.mark((x - 20, y - 4), figure.foot, "now", 4.6)
    pen.text((x - 9, y), figure.foot, SMALL, pen.ink.soft)
    split = x - 22 if figure.printed() else x
    for k, (words, value) in enumerate(figure.printed()):
        base = y + 18 + 17 * k
        pen.text((split - 4, base), words, SMALL, pen.ink.soft, "end")
        pen.text((split + 4, base), value_words(value), 12.5, pen.ink.ink)


def _times(figures: Sequence[SoleFigure]) -> float:
    """1 when the ellipses are large enough to see, else the exaggeration."""
    spreads = [p.covariance_mm2 for f in figures for p in (f.m1, f.m5) if p is not None]
    spreads += [f.cleat.covariance for f in figures if f.cleat is not None]
    u = [float(np.sqrt(np.max(np.diag(c)[:2]))) for c in spreads]
    return 1.0 if u and max(u) > 2.0 else EXAGGERATE


def _has_spread(figures: Sequence[SoleFigure]) -> bool:
    return any(f.m1 or f.m5 or f.cleat or f.datums for f in figures)


def _words(figure: SoleFigure) -> str:
    values = ", ".join(f"{w} {value_words(v)}" for w, v in figure.printed()) or "no cleat yet"
    return f"{figure.foot} sole: {values}"


def _describe(figures: Sequence[SoleFigure], seen: str) -> str:
    plain = (
        ""
        if all(f.outline_mm is not None for f in figures)
        else " The outline is a plain sole, not measured."
    )
    return f"Seen from {seen}, toes up. " + "; ".join(_words(f) for f in figures) + "." + plain
