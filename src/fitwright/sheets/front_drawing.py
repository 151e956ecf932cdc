"""The rider from the front: the paths of both knees, relative to the pedals and the mid-plane.

Seen from the front, so the rider's right side is on the left of the picture. Sideways distances are stretched
(and the drawing says so): a knee moves by a few centimetres on a leg of nearly a metre.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.motion.ride import THETA_DEG, CycleCurve
from fitwright.quantity import Floats
from fitwright.sheets.callouts import Callout, draw_callouts, gutter_widths
from fitwright.sheets.ink import DASH_AXIS, DASH_PREDICTED, HAIRLINE, SMALL, THIN, XY, Pen, Theme, text_width
from fitwright.sheets.side_shapes import limb

HIP_OUT_MM, HIP_UP_MM = 88.0, 760.0
TOP_MM, LOW_MM = 850.0, -235.0


@dataclass(frozen=True)
class FrontFigure:
    """What is known of the rider from the front; everything is optional.

    Attributes:
        knee_path, before, predicted: side → curve "knee_path" (mm outward of the pedal centre): now, before, and as
            a change would make it (dashed).
        leg: side → twin, for the height of knee and hip; without it a typical height is used and said.
        contact: for the place of the pedals and the crank.
        callouts: anchors knee_top_left, knee_top_right (at TDC), knee_loaded_left, knee_loaded_right (at 90°),
            knee_left, knee_right (outermost place), pedal_left, pedal_right.
        stretch: how much wider than high the drawing is.
    """

    knee_path: Mapping[str, CycleCurve] = field(default_factory=dict)
    before: Mapping[str, CycleCurve] = field(default_factory=dict)
    predicted: Mapping[str, CycleCurve] = field(default_factory=dict)
    leg: Mapping[str, LegTwin] = field(default_factory=dict)
    contact: ContactPoints | None = None
    callouts: tuple[Callout, ...] = ()
    stretch: float = 2.0
    title: str = "Knee paths from the front"


Map = Callable[[float, float], XY]


def front_svg(
    figure: FrontFigure, theme: Theme = "page", width: float = 620.0, height: float = 500.0, ident: str = ""
) -> str:
    """The front elevation as SVG."""
    sides = {c.at: "left" if c.at.endswith("_right") else "right" for c in figure.callouts}
    gutters = gutter_widths(figure.callouts, sides, 16.0)
    room = width - sum(gutters)
    scale = min((height - 62) / (TOP_MM - LOW_MM), room / (2 * 178.0 * figure.stretch))
    height = 62 + scale * (TOP_MM - LOW_MM)
    pen = Pen(width, height, figure.title, _describe(figure), theme, ident)
    centre, base = gutters[0] + room / 2, height - 40 + LOW_MM * scale

    def place(w: float, y: float) -> XY:
        return centre + w * scale * figure.stretch, base - y * scale

    _frame(pen, place, figure)
    anchors: dict[str, XY] = {}
    for side in ("right", "left"):
        anchors |= _one_side(pen, place, figure, side)
    draw_callouts(
        pen, figure.callouts, anchors, sides, (gutters[0] - 14, width - gutters[1] + 14), 26.0, height - 4.0
    )
    note = "from the front" + (f", sideways {figure.stretch:g}×" if figure.stretch != 1 else "")
    pen.text((4, 14), note, SMALL, pen.ink.soft)
    return pen.svg()


def outward(side: str) -> float:
    """Sign of the drawing's x for a point outward on this side (the rider's right is on the picture's left)."""
    return -1.0 if side == "right" else 1.0


def _pedal_out(figure: FrontFigure, side: str) -> float:
    return figure.contact.pedal_out_mm(side) if figure.contact else 125.0


def _crank(figure: FrontFigure) -> float:
    return figure.contact.crank_mm if figure.contact else 170.0


def _frame(pen: Pen, place: Map, figure: FrontFigure) -> None:
    """Mid-plane, bottom-bracket axis and the line above each pedal."""
    pen.line(place(0, LOW_MM + 20), place(0, TOP_MM), pen.ink.hair, HAIRLINE, DASH_AXIS)
    ends = [_pedal_out(figure, s) for s in ("right", "left")]
    pen.line(place(-ends[0] + 24, 0), place(ends[1] - 24, 0), pen.ink.soft, THIN)
    pen.circle(place(0, 0), 3.0, pen.ink.soft, pen.ink.paper)
    (middle, foot), step = place(0, LOW_MM), place(min(ends), 0)[0] - place(0, 0)[0]
    beside = max(text_width(s, SMALL) for s in ("right", "left"))
    # Where there is no room for it, its line says enough between the names of the sides.
    if step > (text_width("mid-plane", SMALL) + beside) / 2 + 4:
        pen.text((middle, foot + 14), "mid-plane", SMALL, pen.ink.soft, "middle")


def _heights(figure: FrontFigure, side: str) -> tuple[Floats, float]:
    """Height of the knee at each crank angle (360,), and of the hip, mm above the bottom bracket."""
    leg = figure.leg.get(side) or next(iter(figure.leg.values()), None)
    if leg is not None:
        try:
            return np.asarray(solve(leg).knee_y, dtype=np.float64), leg.hip_y_mm
        except InputError:
            pass
    return 510.0 + 135.0 * np.cos(np.deg2rad(THETA_DEG - 8)), HIP_UP_MM


def _one_side(pen: Pen, place: Map, figure: FrontFigure, side: str) -> dict[str, XY]:
    """Leg, pedal and knee path of one side; returns its anchors."""
    sign, pedal, crank = outward(side), _pedal_out(figure, side), _crank(figure)
    knee_y, hip_y = _heights(figure, side)
    curve = figure.knee_path.get(side)
    at_90 = pedal + (float(curve.mean[90]) if curve is not None and np.isfinite(curve.mean[90]) else -20.0)
    hip, knee, foot = (
        (sign * w, y) for w, y in ((HIP_OUT_MM, hip_y), (at_90, float(knee_y[90])), (pedal, 40.0))
    )
    for a, b, ra, rb in ((hip, knee, 34.0, 24.0), (knee, foot, 24.0, 16.0)):
        _limb(pen, place, a, b, ra, rb)
    _pedal(pen, place, sign * pedal, crank)
    pen.line(
        place(sign * pedal, 60), place(sign * pedal, float(np.max(knee_y)) + 50), pen.ink.hair, THIN, "5 4"
    )
    pen.text((place(sign * pedal, LOW_MM)[0], place(0, LOW_MM)[1] + 14), side, SMALL, pen.ink.soft, "middle")
    anchors = {f"pedal_{side}": place(sign * pedal, 0.0)}
    if (old := figure.before.get(side)) is not None:
        _loop(pen, place, side, sign, pedal, old, knee_y, "before")
    if curve is not None:
        anchors |= _loop(pen, place, side, sign, pedal, curve, knee_y, "now")
    if (new := figure.predicted.get(side)) is not None:
        _loop(pen, place, side, sign, pedal, new, knee_y, "predicted")
    return anchors


def _limb(pen: Pen, place: Map, a: XY, b: XY, ra: float, rb: float) -> None:
    """Flesh for orientation, as a wash."""
    pen.path([place(float(x), float(y)) for x, y in limb(a, b, ra, rb)], fill=pen.ink.wash, close=True)


def _pedal(pen: Pen, place: Map, w: float, crank: float) -> None:
    """The pedal at mid-height, its stroke as a hair line."""
    pen.line(place(w, -crank), place(w, crank), pen.ink.hair, THIN)
    for end in (-crank, crank):
        x, y = place(w, end)
        pen.line((x - 4, y), (x + 4, y), pen.ink.hair, THIN)
    (x, y), (x1, _) = place(w, 0), place(w + 1.0, 0)
    half = abs(x1 - x) * 42
    pen.add("rect", x=x - half, y=y - 3, width=2 * half, height=6, rx=2, fill=pen.ink.paper, stroke=pen.ink.ink,
            stroke_width=1.2)  # fmt: skip
    profile = [(-1.0, 4), (-1.1, 10), (-0.8, 22), (-0.3, 27), (0.3, 27), (0.8, 22), (1.1, 10), (1.0, 4)]
    pen.path([(x + a * half, y - b * half / 30) for a, b in profile], pen.ink.soft, THIN, fill=pen.ink.paper,
             close=True)  # fmt: skip


def _loop(
    pen: Pen, place: Map, side: str, sign: float, pedal: float, curve: CycleCurve, knee_y: Floats, state: str
) -> dict[str, XY]:
    """The knee's path; its sign stands at TDC, a small dot at 90°."""
    pick = np.append(np.arange(0, 360, 4), 0)
    w = sign * (pedal + curve.mean)
    points = [place(float(a), float(b)) for a, b in zip(w[pick], knee_y[pick], strict=True)]
    color, before = pen.ink.side(side), state != "now"
    finite = curve.mean[np.isfinite(curve.mean)]
    if finite.size == 0:
        return {}
    hint = f"{side} knee {state}: {np.min(finite):.0f} to {np.max(finite):.0f} mm outward of the pedal"
    with pen.group(hint.replace("-", "−")):
        pen.path(
            points, color, 2.0 if state == "now" else 1.0, dash=DASH_PREDICTED if state == "predicted" else ""
        )
        spots = {
            k: place(float(w[a]), float(knee_y[a]))
            for k, a in (("top", 0), ("loaded", 90))
            if np.isfinite(w[a])
        }
        if "top" in spots:
            pen.mark(spots["top"], side, "before" if before else "now", 5.0)
        if "loaded" in spots:
            pen.circle(spots["loaded"], 2.4, color, pen.ink.paper if before else color, 1.2)
    out = int(np.nanargmax(np.abs(curve.mean)))
    return {f"knee_{k}_{side}": spot for k, spot in spots.items()} | {
        f"knee_{side}": place(float(w[out]), float(knee_y[out]))
    }


def _describe(figure: FrontFigure) -> str:
    parts = ["Seen from the front, the rider's right on the left of the picture."]
    for side, curve in figure.knee_path.items():
        if np.isfinite(curve.mean).any():
            parts.append(
                f"{side.capitalize()} knee between {np.nanmin(curve.mean):.0f} and {np.nanmax(curve.mean):.0f} mm"
                " outward of the pedal centre.".replace("-", "−")
            )
    if not figure.knee_path:
        parts.append("No knee path measured yet.")
    if not figure.leg:
        parts.append("Heights are typical, not measured.")
    return " ".join(parts + [c.words() + "." for c in figure.callouts])
