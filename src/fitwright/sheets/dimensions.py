"""Dimension lines and drawn angles of the side elevation."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fitwright.sheets import side_shapes
from fitwright.sheets.ink import DASH_AXIS, HAIRLINE, THIN, XY, Pen

Map = Callable[[XY], XY]


def trunk_arc(pen: Pen, place: Map, hip: XY, shoulder: XY) -> XY:
    """The trunk's angle to the horizontal, drawn at the hip."""
    angle = math.atan2(shoulder[1] - hip[1], shoulder[0] - hip[0])
    r = 250.0
    pen.line(place(hip), place((hip[0] + r + 40, hip[1])), pen.ink.soft, HAIRLINE, "4 3")
    arc = [place((hip[0] + r * math.cos(t), hip[1] + r * math.sin(t))) for t in np.linspace(0, angle, 14)]
    pen.path(arc, pen.ink.soft, HAIRLINE)
    at = 0.62  # along the trunk: the leader starts there and does not cross the arc
    return place((hip[0] + at * (shoulder[0] - hip[0]), hip[1] + at * (shoulder[1] - hip[1])))


@dataclass(frozen=True)
class Dimension:
    """A dimension line from a to b, the points it belongs to, and where along it the leader starts."""

    a: XY
    b: XY
    of: tuple[XY, XY]
    leader_at: float = 0.5


def bike_dimensions(pen: Pen, place: Map, bike: side_shapes.Bicycle, wanted: set[str]) -> dict[str, XY]:
    """Draw the wanted dimension lines with their extension lines; returns the anchor of each callout."""
    anchors: dict[str, XY] = {
        "crank": place((0.0, 0.0)), "saddle_tilt": place((bike.saddle[0] - 110, bike.saddle[1])),
    }  # fmt: skip
    for name, line in _lines(bike).items():
        if name not in wanted:
            continue
        a, b = place(line.a), place(line.b)
        for own, end in zip(line.of, (a, b), strict=True):
            pen.line(place(own), end, pen.ink.hair, HAIRLINE, DASH_AXIS)
        dimension_line(pen, a, b)
        anchors[name] = (a[0] + line.leader_at * (b[0] - a[0]), a[1] + line.leader_at * (b[1] - a[1]))
    return anchors


def _lines(bike: side_shapes.Bicycle) -> dict[str, Dimension]:
    """Saddle height beside its line, setback and reach under the floor, hood height before the wheel's hub."""
    saddle, hood, centre = bike.saddle, bike.hood, (0.0, 0.0)
    (sx, sy), (hx, hy) = saddle, hood
    length = math.hypot(sx, sy)
    off = (-sy / length * 150, sx / length * 150)
    floor, ahead = side_shapes.GROUND_Y_MM - 62, hx + 150
    return {
        "saddle_height": Dimension(off, (sx + off[0], sy + off[1]), (centre, saddle), 0.42),
        "saddle_setback": Dimension((sx, floor), (0, floor), ((sx, sy - 40), centre)),
        "hood_x": Dimension((0, floor), (hx, floor), (centre, hood), 0.72),
        "hood_y": Dimension((ahead, 0), (ahead, hy), (centre, hood)),
    }


def dimension_line(pen: Pen, a: XY, b: XY) -> None:
    """A thin line with an oblique tick at each end."""
    pen.line(a, b, pen.ink.soft, HAIRLINE)
    for x, y in (a, b):
        pen.line((x - 3.2, y + 3.2), (x + 3.2, y - 3.2), pen.ink.soft, THIN)
