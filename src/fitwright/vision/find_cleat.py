"""The cleat on the sole: its edge, and nose and tail from strokes on its axis or else from its own symmetry."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np

from fitwright.quantity import Floats
from fitwright.vision.find_marks import Stroke
from fitwright.vision.find_outline import LEAST_DIFFERENCE, Mask, largest_piece, outer_edge
from fitwright.vision.flat import FlatView
from fitwright.vision.picture import Picture

Pair = tuple[tuple[Stroke, int], tuple[Stroke, int]]
AREA_MM2 = (500.0, 7000.0)
REACH_MM = (4.0, 4.0)
SPAN_MM = (26.0, 95.0)
"""Distance of nose and tail (or of both axle marks)."""
U_EDGE_MM = 0.4
"""How well the cleat's edge stands for a stroke's end that has no contrast of its own (from rendered pictures)."""
NEAR_EDGE_MM = 4.0
"""A stroke's outer end lies nearer than this to the cleat's edge, when an edge was found."""
OFF_MIDDLE_MM = 8.0
"""The axis passes the middle of the cleat's edge this near: a plate's straight sides look like strokes too."""
U_SYMMETRY_MM = 1.2
"""How far nose and tail from the outline's symmetry stay from what a hand would mark (from rendered pictures)."""


@dataclass(frozen=True)
class CleatFound:
    """Named ends → ((2,) px, standard uncertainty px); outline (m, 2) px, empty when only strokes were seen; how the
    ends were found; whether strokes marked them."""

    ends: dict[str, tuple[Floats, float]]
    outline_px: Floats
    how: str
    marked: bool


def find_cleat(
    picture: Picture, view: FlatView, zone: Mask, strokes: list[Stroke], to_sole: Callable[[Floats], Floats]
) -> CleatFound | None:
    """The cleat inside `zone`; `strokes` those of this region; `to_sole` maps px to the sole frame, mm."""
    edge = _edge(picture, view, zone)
    outline, scale = np.empty((0, 2)) if edge is None else edge, view.plane.px_per_mm
    edge_mm = to_sole(outline) if len(outline) else None
    axis = _pair(strokes, to_sole, 0, edge_mm)

    def ends(names: tuple[str, str], pair: Pair) -> dict[str, tuple[Floats, float]]:
        return {
            n: s.end_on(outline, k, U_EDGE_MM * scale, 2.5 * scale, own_first=True)
            for n, (s, k) in zip(names, pair, strict=True)
        }

    if axis is None and edge is None:
        return None
    if axis is not None:
        found = ends(("cleat_tail", "cleat_nose"), axis)
        across = _pair(strokes, to_sole, 1, edge_mm)
        if across is not None:
            found |= ends(("axle_inner", "axle_outer"), across)
        return CleatFound(found, outline, "outer end of the stroke on the cleat's axis", True)
    assert edge is not None
    tail, nose = _symmetry_ends(edge, to_sole(edge))
    u = U_SYMMETRY_MM * scale
    return CleatFound(
        {"cleat_nose": (nose, u), "cleat_tail": (tail, u)}, edge, "symmetry of the cleat's outline", False
    )


def _edge(picture: Picture, view: FlatView, zone: Mask) -> Floats | None:
    """(m, 2) px: closed edge of the largest thing in the zone that differs from the sole."""
    soft = cv2.GaussianBlur(view.grey, (0, 0), 0.6 * view.px_per_mm).astype(np.float32)
    values = soft[zone]
    if not values.size:
        return None
    rim = zone & (cv2.erode(zone.astype(np.uint8), np.ones((25, 25), np.uint8)) == 0)
    tone = float(np.median(soft[rim]))
    scatter = 1.4826 * float(np.median(np.abs(soft[rim] - tone)))
    unlike = zone & (np.abs(soft - tone) > np.clip(4 * scatter, LEAST_DIFFERENCE, 30.0))
    piece = largest_piece(unlike, view.px_per_mm, AREA_MM2[0], 4.0)
    if piece is None:
        return None
    outline = outer_edge(picture, view, piece, ~zone, REACH_MM)
    return outline.px if AREA_MM2[0] <= outline.area_mm2 <= AREA_MM2[1] else None


def _pair(
    strokes: list[Stroke], to_sole: Callable[[Floats], Floats], axis: int, edge_mm: Floats | None
) -> Pair | None:
    """Two strokes on one line and which end of each is the outer one; the one with the smaller coordinate first.

    `axis` 0: along the foot, 1: across it (within 35°).
    """
    best: tuple[float, Pair] | None = None
    placed = [(s, to_sole(s.rough_px)) for s in strokes]
    for (s, p), (t, q) in itertools.combinations(placed, 2):
        if p[:, axis].mean() > q[:, axis].mean():
            (s, p), (t, q) = (t, q), (s, p)
        i, k = int(np.argmin(p[:, axis])), int(np.argmax(q[:, axis]))
        span = q[k] - p[i]
        length = float(np.hypot(*span))
        if not SPAN_MM[0] <= length <= SPAN_MM[1] or abs(span[axis]) < math.cos(math.radians(35)) * length:
            continue
        normal = np.array([-span[1], span[0]]) / length
        off = max(abs(float((p[1 - i] - p[i]) @ normal)), abs(float((q[1 - k] - q[k]) @ normal)))
        if edge_mm is not None:
            far = max(float(np.hypot(*(edge_mm - end).T).min()) for end in (p[i], q[k]))
            aside = abs(float((edge_mm.mean(axis=0) - p[i]) @ normal))
            if far > NEAR_EDGE_MM or (axis == 0 and aside > OFF_MIDDLE_MM):
                continue
            off += 0.1 * far
        if off < 1.2 and (best is None or off < best[0]):
            best = off, ((s, i), (t, k))
    return None if best is None else best[1]


def _symmetry_ends(edge_px: Floats, xz: Floats) -> tuple[Floats, Floats]:
    """Tail and nose (px): where the outline's axis of mirror symmetry, near the sole's direction, leaves it."""
    area = cv2.moments(xz.astype(np.float32))
    centre = np.array([area["m10"], area["m01"]]) / max(area["m00"], 1e-9)
    p = xz - centre
    best = (math.inf, 0.0)
    for turn in np.radians(np.arange(-24, 24.1, 0.5)):
        best = min(best, (_asymmetry(p, float(turn)), float(turn)))
    direction = np.array([math.cos(best[1]), math.sin(best[1])])
    along, across = p @ direction, p @ np.array([-direction[1], direction[0]])
    near = np.abs(across) < 4.0
    front, back = near & (along > 0), near & (along < 0)
    if not front.any() or not back.any():
        return edge_px[int(np.argmin(along))], edge_px[int(np.argmax(along))]
    return _on_axis(edge_px, across, back), _on_axis(edge_px, across, front)


def _asymmetry(p: Floats, turn: float) -> float:
    """Mean square difference of the half-widths left and right of an axis through the origin, by direction."""
    angle = np.arctan2(p[:, 1], p[:, 0]) - turn
    order = np.argsort(angle % (2 * math.pi))
    a, r = (angle % (2 * math.pi))[order], np.hypot(*p.T)[order]
    grid = np.linspace(0, 2 * math.pi, 181)
    radius = np.interp(grid, a, r, period=2 * math.pi)
    return float(np.mean((radius - radius[::-1]) ** 2))


def _on_axis(edge_px: Floats, across: Floats, use: Mask) -> Floats:
    """(2,) px where the edge crosses the axis, from a straight fit of the near points over the distance across."""
    a = np.stack([np.ones(use.sum()), across[use], across[use] ** 2], axis=1)
    q, *_ = np.linalg.lstsq(a, edge_px[use], rcond=None)
    return np.asarray(q[0])
