"""Long upright and level edges of a frame: where plumb may be, as a proposal that a person accepts or not.

A door frame or a cupboard is upright, a skirting board level; a bookshelf that leans is neither, and nothing in the
picture tells which. So an edge found here is never used by itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from fitwright.quantity import Floats, combine
from fitwright.vision.find_lines import fit_line
from fitwright.vision.picture import Grey, shrunk

SEEK_PX = 1280
SHARE = 0.3
"""Of the picture's shorter side: shorter edges say too little."""
LEANS_DEG = 4.0
"""An edge further from upright or level is neither, or the camera is set badly."""
NEAR_PX, CLEAR_DEG = 2.0, 0.35
EDGE_U_DEG = 0.4
"""How upright furniture and door frames are (our choice)."""


@dataclass(frozen=True)
class ProposedEdge:
    """An edge of a frame.

    Attributes: upright, or else level; ends_px (2, 2) upper or left end first, px of the picture it was found in;
    lean_deg in the picture, clockwise positive; u_deg of taking it for plumb or level.
    """

    upright: bool
    ends_px: Floats
    lean_deg: float
    u_deg: float

    @property
    def points(self) -> dict[str, tuple[float, float]]:
        """As points to mark."""
        first, second = ((float(u), float(v)) for u, v in self.ends_px)
        names = ("plumb_top", "plumb_bottom") if self.upright else ("floor_rear", "floor_front")
        return dict(zip(names, (first, second), strict=True))


def propose_edges(grey: Grey) -> tuple[ProposedEdge, ...]:
    """Long straight edges near upright or level, the longest first (perhaps none); `grey` is the upright picture."""
    small, factor = shrunk(grey, SEEK_PX)
    edges = cv2.Canny(cv2.GaussianBlur(small, (0, 0), 1.2), 30, 90)
    least = SHARE * min(small.shape)
    found = cv2.HoughLinesP(edges, 1, math.radians(0.25), int(least / 2), None, least, 0.03 * least)
    if found is None:
        return ()
    rows, columns = np.nonzero(edges)
    places = np.column_stack([columns, rows]).astype(np.float64)
    out: list[ProposedEdge] = []
    for x1, y1, x2, y2 in sorted(found.reshape(-1, 4).tolist(), key=lambda s: -math.dist(s[:2], s[2:])):
        edge = _refined(np.array([[x1, y1], [x2, y2]], dtype=np.float64), places, factor)
        if edge is not None and not any(_same(edge, other) for other in out):
            out.append(edge)
    return tuple(sorted(out, key=lambda e: -math.dist(*e.ends_px)))


def _refined(ends: Floats, places: Floats, factor: float) -> ProposedEdge | None:
    """The line through the edge's own places by total least squares, if it is upright or level."""
    along = (ends[1] - ends[0]) / math.dist(*ends)
    offset = places - ends[0]
    on = (
        (np.abs(offset @ [-along[1], along[0]]) < NEAR_PX)
        & (offset @ along > 0)
        & (offset @ along < math.dist(*ends))
    )
    if on.sum() < 20:
        return None
    line = fit_line(places[on])
    upright = bool(abs(line.direction[1]) > abs(line.direction[0]))
    direction = line.direction * np.sign(line.direction[1 if upright else 0])
    lean = math.degrees(
        math.atan2(-direction[0], direction[1]) if upright else math.atan2(direction[1], direction[0])
    )
    if abs(lean) > LEANS_DEG:
        return None
    reach = (places[on] - line.centre) @ direction
    ends = line.centre + np.array([[reach.min()], [reach.max()]]) * direction
    return ProposedEdge(upright, (ends + 0.5) / factor - 0.5, lean, combine(line.u_angle_deg, EDGE_U_DEG))


def _same(a: ProposedEdge, b: ProposedEdge) -> bool:
    """Whether two edges are sides of one thing: nearly parallel and close."""
    if a.upright != b.upright or abs(a.lean_deg - b.lean_deg) > CLEAR_DEG:
        return False
    axis = 0 if a.upright else 1
    return abs(float(a.ends_px[:, axis].mean() - b.ends_px[:, axis].mean())) < 12.0
