"""The places that a cleat's centre can be bolted at, seen from below at about its size: region, wish, cleat found."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from fitwright.quantity import Floats
from fitwright.sheets.ink import HAIRLINE, SMALL, THIN, XY, Pen, State, Theme, nice_ticks

WIDTH, HEIGHT, LEFT, TOP = 420.0, 290.0, 44.0, 30.0
TICK = 22.0
"""Width that a number under the axis takes."""


@dataclass(frozen=True)
class Region:
    """polygon: (n, 2) corners at rotation psi_deg, sole frame, mm; wish, reached, found: (2,) places or None."""

    side: str
    polygon: Floats
    psi_deg: float
    wish: Floats | None = None
    reached: Floats | None = None
    found: Floats | None = None

    def points(self) -> Floats:
        """Everything that must be on the drawing."""
        extra = [p for p in (self.wish, self.reached, self.found) if p is not None]
        return np.vstack([self.polygon, *extra]) if extra else self.polygon


def region_svg(region: Region, theme: Theme = "page") -> str:
    """The drawing; x (from the heel) upward, z (outward) to the side on which this foot has its outer edge."""
    title = f"{region.side} shoe: where the cleat’s centre can be bolted"
    pen = Pen(WIDTH, HEIGHT, title, f"{title}, turned {region.psi_deg:.1f} degrees", theme)
    if len(region.polygon) < 3:
        pen.text((LEFT, HEIGHT / 2), "no place at this rotation", color=pen.ink.soft)
        return pen.svg()
    place = _frame(pen, region)
    color = pen.ink.side(region.side)
    corners = [place(p) for p in region.polygon]
    pen.path(corners, color, THIN, fill=pen.ink.side_wash(region.side), close=True)
    if (
        region.wish is not None
        and region.reached is not None
        and np.hypot(*(region.wish - region.reached)) > 0.05
    ):
        pen.line(place(region.wish), place(region.reached), pen.ink.soft, HAIRLINE, "3 3")
    marks: tuple[tuple[str, State, Floats | None], ...] = (
        ("wished", "predicted", region.wish), ("as found", "before", region.found),
        ("can be bolted", "now", region.reached),
    )  # fmt: skip
    for _, state, at in marks:
        if at is not None:
            pen.mark(place(at), region.side, state, 5.5)
    pen.legend((LEFT, HEIGHT - 8), [(words, region.side, s) for words, s, at in marks if at is not None])
    return pen.svg()


def _frame(pen: Pen, region: Region) -> Callable[[Floats], XY]:
    """Axes in mm with ticks; returns the map from the sole frame to the page (one scale both ways)."""
    points = region.points()
    low, high = points.min(axis=0) - 2, points.max(axis=0) + 2
    room = np.array([HEIGHT - TOP - 62, WIDTH - LEFT - 16])
    scale = float(np.min(room / np.maximum(high - low, 6.0)))
    middle = (low + high) / 2
    centre = (LEFT + room[1] / 2, TOP + room[0] / 2)
    outward = (
        1.0 if region.side == "left" else -1.0
    )  # seen from below the left foot's outer edge is on the right

    def place(p: Floats) -> XY:
        return centre[0] + outward * scale * float(p[1] - middle[1]), centre[1] - scale * float(
            p[0] - middle[0]
        )

    bottom = TOP + room[0] + 8
    for x in nice_ticks(float(low[0]), float(high[0]), 4):
        y = place(np.array([x, middle[1]]))[1]
        pen.line((LEFT - 6, y), (WIDTH - 10, y), pen.ink.hair, HAIRLINE)
        pen.text((LEFT - 9, y + 4), f"{x:g}", SMALL, pen.ink.soft, "end")
    fit = int(np.clip(scale * (high[1] - low[1]) / TICK, 1, 4))
    for z in nice_ticks(float(low[1]), float(high[1]), fit):
        x_page = place(np.array([middle[0], z]))[0]
        pen.line((x_page, TOP), (x_page, bottom), pen.ink.hair, HAIRLINE)
        pen.text((x_page, bottom + 13), f"{z:g}".replace("-", "−"), SMALL, pen.ink.soft, "middle")
    pen.text((LEFT - 36, TOP - 16), "mm from the heel", SMALL, pen.ink.soft)
    pen.text((WIDTH - 10, bottom + 27), "mm outward, seen from below", SMALL, pen.ink.soft, "end")
    return place
