"""The heel at its tightest, seen from above; and how wide both feet stand, seen from behind."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from fitwright.foot.stance import Stance
from fitwright.quantity import Z95, Floats, Measured
from fitwright.sheets.dimensions import dimension_line
from fitwright.sheets.ink import BOLD, DASH_AXIS, HAIRLINE, LINE, SMALL, TEXT, THIN, XY, Pen, Theme
from fitwright.sheets.words import value_words


@dataclass(frozen=True)
class HeelFigure:
    """One side from above, in the bike frame (X ahead of the bottom bracket, W outward of the mid-plane), mm.

    Attributes: shoe_mm: (n, 2) sole outline. arm_mm: (2, 2) outer face of the crank arm, axle end first. stay_mm:
    (k, 2) outer face of the chainstay, or None. point_mm: the tightest place of the heel; gap to `part`.
    """

    side: str
    shoe_mm: Floats
    arm_mm: Floats
    stay_mm: Floats | None
    point_mm: tuple[float, float]
    gap: Measured
    part: str


def heel_svg(figure: HeelFigure, theme: Theme = "page") -> str:
    """The drawing, forward upward, the mid-plane dash-dotted on the side where this foot has it."""
    room = f"{value_words(figure.gap)} to the {figure.part}"
    title = f"{figure.side} foot from above where its heel has least room: {room}"
    pen = Pen(340, 400, title, title, theme)
    outward = -1.0 if figure.side == "left" else 1.0
    everything = np.vstack([figure.shoe_mm, figure.arm_mm, [[0.0, 0.0]]])
    low, high = everything.min(axis=0) - 12, everything.max(axis=0) + 8
    scale = float(min(360 / (high[0] - low[0]), 220 / (high[1] - low[1])))
    left = 108.0 if outward > 0 else 232.0

    def place(X: float, W: float) -> XY:
        return left + outward * scale * (W - low[1]), 18 + scale * (high[0] - X)

    color = pen.ink.side(figure.side)
    pen.line(place(low[0], 0), place(high[0], 0), pen.ink.soft, HAIRLINE, DASH_AXIS)
    if figure.stay_mm is not None:
        _body(pen, place, _ahead_of(figure.stay_mm, float(low[0])), 16)
    _body(pen, place, figure.arm_mm, 14)
    pen.path([place(X, W) for X, W in figure.shoe_mm], color, LINE, close=True)
    axle_X, axle_W = figure.arm_mm[1]
    pen.line(
        place(axle_X, axle_W),
        place(axle_X, float(figure.shoe_mm[:, 1].max())),
        pen.ink.soft,
        HAIRLINE,
        DASH_AXIS,
    )
    X, W = figure.point_mm
    a, b = place(X, W), place(X, W - figure.gap.value)
    dimension_line(pen, a, b)
    pen.line(a, b, pen.ink.ink, BOLD)
    pen.circle(a, 3, color, color)
    beyond = place(X, 0.0)[0] - outward * 8
    pen.line(b, (beyond + outward * 3, a[1]), pen.ink.hair, HAIRLINE)
    anchor = "end" if outward > 0 else "start"
    pen.text((beyond, a[1] - 3), value_words(figure.gap), TEXT, anchor=anchor, bold=True)
    pen.text((beyond, a[1] + 12), figure.part, SMALL, pen.ink.soft, anchor)
    return pen.svg()


def _ahead_of(face: Floats, X_mm: float) -> Floats:
    """A face that runs backward, cut off at X."""
    X, W = face[::-1].T
    kept = face[face[:, 0] > X_mm]
    return np.vstack([kept, [[X_mm, np.interp(X_mm, X, W)]]]) if len(kept) < len(face) else face


def _body(pen: Pen, place: Callable[[float, float], XY], face: Floats, thick: float) -> None:
    """A bar with its measured outer face; how thick it is inward is only drawn."""
    inner = face[::-1] - [0.0, thick]
    corners = [place(float(X), float(W)) for X, W in np.vstack([face, inner])]
    pen.path(corners, pen.ink.soft, THIN, fill=pen.ink.wash, close=True)


def stance_svg(stances: Mapping[str, Stance], theme: Theme = "page") -> str:
    """Both sides from behind: pedal centres as ticks, the feet's mid-lines as their signs, with whiskers."""
    title = "How wide pedals and feet stand, seen from behind"
    pen = Pen(460, 132, title, title, theme)
    most = max(max(s.pedal_out.value, s.foot_out.value if s.foot_out else 0.0) for s in stances.values()) + 12
    scale, middle, y = 150 / most, 230.0, 66.0
    pen.line((middle, 14), (middle, 104), pen.ink.soft, HAIRLINE, DASH_AXIS)
    pen.text((middle, 124), "the bike’s middle", SMALL, pen.ink.soft, "middle")
    for side, s in stances.items():
        outward = -1.0 if side == "left" else 1.0
        pedal = middle + outward * scale * s.pedal_out.value
        pen.line((middle, y), (pedal, y), pen.ink.hair, HAIRLINE)
        pen.line((pedal, y - 9), (pedal, y + 9), pen.ink.soft, THIN)
        pen.text((pedal, y + 28), f"pedal {s.pedal_out.value:.0f} mm", SMALL, pen.ink.soft, "middle")
        if s.foot_out is None:
            continue
        foot, half = middle + outward * scale * s.foot_out.value, scale * Z95 * s.foot_out.u
        pen.line((foot - half, y - 20), (foot + half, y - 20), pen.ink.side(side), LINE)
        pen.mark((foot, y - 20), side)
        pen.text((foot, y - 34), f"foot {value_words(s.foot_out)}", TEXT, anchor="middle")
    return pen.svg()
