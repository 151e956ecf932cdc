"""Marks drawn by hand on a sole: short strokes (mid-line, cleat axis) and pen crosses (M1, M5 on a piece of tape).

The convention: a stroke (light on a dark sole, dark on a light one) that runs along the mid-line to the edge of the
sole or of the cleat, whose outer end is the mark; a cross of two thin dark lines on light tape, whose crossing is it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError
from fitwright.quantity import Floats
from fitwright.vision.find_lines import Line, corner_near, edge_offsets, fit_line_robustly
from fitwright.vision.find_outline import Mask
from fitwright.vision.flat import FlatView
from fitwright.vision.picture import Grey, Picture

STROKE_MM, STROKE_WIDTH_MM = (4.0, 26.0), 2.0
STROKE_CONTRASTS = (22.0, 60.0)
"""Grey levels: the second parts a strong stroke from a weak groove that it crosses."""
CROSS_ARM_MM, CROSS_LINE_MM, CROSS_LIKENESS = 6.0, 0.8, 0.5
CROSS_PX_PER_MM = 2.5
"""Crosses are sought in a view reduced to this scale."""
FLOOR_PX = 0.15
"""What stays of a mark's place when noise is gone: a hand's stroke is not quite straight, nor its end square."""


@dataclass(frozen=True)
class Stroke:
    """A thin straight stroke in the photograph, px.

    Attributes: rough_px (2, 2) about where its ends are. line: its middle. ends_px (2, 2) its ends; NaN where it ends
    without contrast. u_px: standard uncertainty of an end per coordinate.
    """

    rough_px: Floats
    line: Line
    ends_px: Floats
    u_px: float

    def end_on(
        self, outline: Floats, k: int, u_outline_px: float, reach_px: float, *, own_first: bool
    ) -> tuple[Floats, float]:
        """End `k` and its u: the stroke's own, or where its line crosses an outline (n, 2) px, or else the rough one.

        `u_outline_px`: how well the outline stands for the end. `own_first`: the stroke's own end counts more.
        """
        own = self.ends_px[k]
        cross = self.line.crossing_outline(outline, self.rough_px[k], reach_px) if len(outline) else None
        found = bool(np.isfinite(own).all())
        if cross is not None and not (own_first and found):
            return cross, float(np.hypot(self.u_px, u_outline_px))
        return (own, self.u_px) if found else (self.rough_px[k], reach_px / 4)


def find_strokes(picture: Picture, view: FlatView, where: Mask) -> list[Stroke]:
    """All light and all dark strokes inside `where` (h, w of the view)."""
    side = 2 * round(0.5 * STROKE_WIDTH_MM * 1.2 * view.px_per_mm) + 1
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side))
    corner, grey, here = view.part(where)
    strokes = []
    for light, shape in ((True, cv2.MORPH_TOPHAT), (False, cv2.MORPH_BLACKHAT)):
        hat, left = cv2.morphologyEx(grey, shape, disc), here.copy()
        for contrast in STROKE_CONTRASTS:
            for points in _thin_pieces((hat > contrast) & left, view.px_per_mm):
                ends = _ends_of_thin(corner + points, view.px_per_mm)
                stroke = None if ends is None else _measured(picture, view, ends, light)
                if stroke is not None:
                    strokes.append(stroke)
                    left[points[:, 1], points[:, 0]] = False
    return strokes


def _thin_pieces(mask: Mask, px_per_mm: float) -> Iterator[NDArray[np.intp]]:
    """(n, 2) column, row of each connected piece about as long as a stroke."""
    _, labels, stats, _ = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    for k in range(1, len(stats)):
        x, y, w, h, area = stats[k]
        if STROKE_MM[0] / 1.5 <= max(w, h) / px_per_mm <= STROKE_MM[1] and area >= 4 * px_per_mm:
            rows, columns = np.nonzero(labels[y : y + h, x : x + w] == k)
            yield np.column_stack([columns + x, rows + y])


def _ends_of_thin(points: Floats, px_per_mm: float) -> Floats | None:
    """(2, 2) ends of a piece that is long and thin, else None."""
    centre = points.mean(axis=0)
    _, vectors = np.linalg.eigh(np.cov((points - centre).T))
    along = (points - centre) @ vectors[:, 1]
    length = float(np.ptp(along)) + 1.0
    if length < STROKE_MM[0] * px_per_mm or len(points) / length > STROKE_WIDTH_MM * px_per_mm:
        return None
    if length**2 < 4.0 * len(points):  # a stroke is at least four times as long as it is wide
        return None
    return np.asarray(centre + np.outer([along.min() - 0.5, along.max() + 0.5], vectors[:, 1]))


def _measured(picture: Picture, view: FlatView, ends: Floats, light: bool) -> Stroke | None:
    """The stroke's middle line and both ends in the full picture."""
    scale = view.plane.px_per_mm
    a, b = view.plane.to_picture(view.mm(ends))
    length = float(np.hypot(*(b - a)))
    along = (b - a) / length
    normal = np.array([-along[1], along[0]])
    t = np.arange(0.8 * scale, length - 0.8 * scale, 0.25 * scale)
    if len(t) < 5:
        return None
    s = np.arange(-1.3 * scale, 1.3 * scale, 0.5)
    u, v = (a[k] + t[:, None] * along[k] + s[None, :] * normal[k] for k in (0, 1))
    seen = cv2.remap(picture.grey, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR).astype(float)
    seen = seen if light else 255.0 - seen
    base = np.quantile(seen, 0.25, axis=1, keepdims=True)
    height = seen.max(axis=1, keepdims=True) - base
    weight = np.maximum(seen - base - 0.3 * height, 0.0)
    middle = (weight * s).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    try:
        line = fit_line_robustly(a + t[:, None] * along + middle[:, None] * normal)
    except InputError:
        return None
    outward = line.direction if line.direction @ along > 0 else -line.direction
    contrast = float(np.median(height))
    ends_px = [
        _end(picture.grey, line.nearest(place), way, contrast, scale)
        for place, way in ((a, -outward), (b, outward))
    ]
    u_px = float(np.hypot(line.rms / np.sqrt(max(line.n / 4, 1)), FLOOR_PX))
    return Stroke(np.array([line.nearest(a), line.nearest(b)]), line, np.array(ends_px), u_px)


def _end(grey: Grey, near: Floats, outward: Floats, contrast: float, scale: float) -> Floats:
    """(2,) px where a stroke ends: the first edge on the way out that takes a good part of its contrast, or NaN."""
    s = np.arange(-2.0 * scale, 1.6 * scale, 0.5)
    lanes = np.linspace(-0.2, 0.2, 3)[:, None] * scale
    u, v = (near[k] + s[None, :] * outward[k] + lanes * (-outward[1], outward[0])[k] for k in (0, 1))
    profile = (
        cv2.remap(grey, u.astype(np.float32), v.astype(np.float32), cv2.INTER_LINEAR)
        .astype(float)
        .mean(axis=0)
    )
    level = float(np.median(profile[s < -1.2 * scale]))
    gone = np.abs(profile - level) > 0.4 * contrast
    if not gone.any():
        return np.full(2, np.nan)
    start = near + float(s[int(np.argmax(gone))]) * outward
    offset, step = edge_offsets(grey, start[None], outward[None], 2.5, breadth_px=0.15 * scale)
    return start + offset[0] * outward if step[0] > STROKE_CONTRASTS[0] / 2 else np.full(2, np.nan)


# --- crosses ---


@dataclass(frozen=True)
class Cross:
    """Where two pen lines cross: px of the photograph, standard uncertainty per coordinate, likeness 0 to 1."""

    uv_px: Floats
    u_px: float
    likeness: float


def find_cross(picture: Picture, view: FlatView, where: Mask) -> Cross | None:
    """The best pen cross (dark lines on light ground) inside `where`, at any turn; None when none is distinct."""
    corner, part, wanted = view.part(where, 1.5 * CROSS_ARM_MM)
    if not part.size:
        return None
    factor = CROSS_PX_PER_MM / view.px_per_mm
    small = cv2.resize(part, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    here = cv2.resize(wanted.astype(np.uint8), small.shape[::-1], interpolation=cv2.INTER_NEAREST)
    best = (0.0, 0, 0)
    for turn_deg in range(0, 90, 6):
        pattern = _cross_pattern(turn_deg)
        if min(small.shape) <= len(pattern):
            return None
        like, h = cv2.matchTemplate(small, pattern, cv2.TM_CCOEFF_NORMED), len(pattern) // 2
        like[here[h : h + like.shape[0], h : h + like.shape[1]] == 0] = -1.0
        v, u = np.unravel_index(int(np.argmax(like)), like.shape)
        best = max(best, (float(like[v, u]), int(u) + h, int(v) + h))
    if best[0] < CROSS_LIKENESS:
        return None
    at = corner + (np.array(best[1:]) + 0.5) / factor - 0.5
    uv = corner_near(picture.grey, view.plane.to_picture(view.mm(at[None]))[0], 2.4 * view.plane.px_per_mm)
    return None if uv is None else Cross(uv, 2 * FLOOR_PX, best[0])


def _cross_pattern(turn_deg: float) -> NDArray[np.uint8]:
    arm, half_line = CROSS_ARM_MM * CROSS_PX_PER_MM, 0.5 * CROSS_LINE_MM * CROSS_PX_PER_MM
    half = int(np.ceil(0.9 * arm))
    v, u = np.mgrid[-half : half + 1, -half : half + 1]
    a = np.radians(turn_deg)
    x, y = u * np.cos(a) + v * np.sin(a), v * np.cos(a) - u * np.sin(a)
    dark = np.maximum(*(np.clip(half_line - np.abs(k) + 0.5, 0, 1) for k in (x, y)))
    return np.asarray(220 - 190 * dark, dtype=np.uint8)
