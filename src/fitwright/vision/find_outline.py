"""The edge of a flat thing on a mat: first where it differs from the mat, then its outermost sharp edge.

A shadow also differs from the mat but ends softly; tread, tape and a cleat have sharp edges but lie farther in. So
around the rough outline the closed path is sought that follows sharp edges and leaves as little edge as possible
outside it (dynamic programming along the normals), and each of its points is then placed to a fraction of a pixel
in the full picture.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.find_lines import edge_offsets
from fitwright.vision.flat import FlatView
from fitwright.vision.picture import Picture

Mask = NDArray[np.bool_]
STATION_MM = 1.5
"""Spacing of the points along an outline."""
DISTINCT = 14.0
"""Grey levels per mm beyond the slope of the surroundings that make an edge as good as any other."""
LEAST_DIFFERENCE = 11.0
"""Grey levels of 255 by which a thing must differ from the mat."""


@dataclass(frozen=True)
class Outline:
    """A closed edge.

    Attributes:
        px: (n, 2) in the photograph. mm: (n, 2) in the card's plane. u_mm: standard uncertainty of a point across
        the edge, from how far neighbours scatter. sharp: share of the points that lie on a distinct edge.
    """

    px: Floats
    mm: Floats
    u_mm: float
    sharp: float

    @property
    def area_mm2(self) -> float:
        """Area inside."""
        return float(cv2.contourArea(self.mm.astype(np.float32)))

    def mask(self, view: FlatView, wider_mm: float = 0.0) -> Mask:
        """(h, w) True inside the outline, made wider (narrower when negative) all round."""
        inside = view.polygon(self.mm).astype(np.uint8)
        side = 2 * round(abs(wider_mm) * view.px_per_mm) + 1
        change = cv2.dilate if wider_mm > 0 else cv2.erode
        return np.asarray(change(inside, np.ones((side, side), np.uint8)) > 0)


def unlike_background(view: FlatView, background: Mask, smooth_mm: float = 0.8) -> Mask:
    """(h, w) where the view differs from an even, unevenly lit background that is sampled in `background`.

    The light is a quadratic surface fitted robustly (Tukey's weights), so that things that lie in the sampled part
    do not count; the limit is four times the background's own scatter.
    """
    soft = cv2.GaussianBlur(view.grey, (0, 0), smooth_mm * view.px_per_mm).astype(np.float32)
    rows, columns = np.nonzero(background)
    every = max(1, len(rows) // 6000)
    rows, columns = rows[::every], columns[::every]
    h, w = soft.shape

    def terms(x: Floats, y: Floats) -> Floats:
        return np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)

    a = terms(columns / w - 0.5, rows / h - 0.5)
    seen = soft[rows, columns].astype(np.float64)
    weight, scatter = np.ones(len(seen)), 1.0
    for _ in range(8):
        fit, *_ = np.linalg.lstsq(a * weight[:, None], seen * weight, rcond=None)
        left = seen - a @ fit
        scatter = max(1.4826 * float(np.median(np.abs(left))), 0.7)
        weight = np.maximum(0.0, 1 - (left / (4.7 * scatter)) ** 2) + 1e-6
    x = np.linspace(-0.5, 0.5, w, dtype=np.float32)[None, :]
    y = np.linspace(-0.5, 0.5, h, dtype=np.float32)[:, None]
    q = fit.astype(np.float32)
    light = (q[0] + q[1] * x + q[3] * x * x) + y * (q[2] + q[4] * x) + q[5] * y * y
    return np.asarray(np.abs(soft - light) > max(LEAST_DIFFERENCE, 4.0 * scatter), dtype=np.bool_)


def largest_piece(mask: Mask, px_per_mm: float, least_mm2: float, bridge_mm: float = 3.0) -> Mask | None:
    """The largest connected piece, gaps bridged, thin things cut off, holes filled; None when it is too small."""
    bits = mask.astype(np.uint8)
    for operation, size in ((cv2.MORPH_CLOSE, bridge_mm), (cv2.MORPH_OPEN, 1.3 * bridge_mm)):
        side = 2 * round(0.5 * size * px_per_mm) + 1
        bits = cv2.morphologyEx(bits, operation, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (side, side)))
    contours, _ = cv2.findContours(bits, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    best = max(contours, key=cv2.contourArea, default=None)
    if best is None or cv2.contourArea(best) < least_mm2 * px_per_mm**2:
        return None
    return np.asarray(cv2.drawContours(np.zeros_like(bits), [best], -1, 1, cv2.FILLED) > 0)


def outer_edge(
    picture: Picture,
    view: FlatView,
    piece: Mask,
    barred: Mask,
    reach_mm: tuple[float, float],
    outside: float = 0.35,
) -> Outline:
    """The sharp closed edge near the border of `piece`, outermost first.

    Args:
        barred: (h, w) where other things lie whose edges do not count. reach_mm: how far outside and inside the
            border the edge may lie (inside: a shadow's breadth). outside: cost of 1 mm of distinct edge there.
    """
    contours, _ = cv2.findContours(piece.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    at = max(contours, key=cv2.contourArea).reshape(-1, 2).astype(np.float64)
    soft = cv2.GaussianBlur(view.grey, (0, 0), 0.25 * view.px_per_mm).astype(np.float32)
    for share, bend_mm in ((1.0, 6.0), (0.35, 3.0), (0.15, 2.0)):
        reach = (max(share * reach_mm[0], 0.5), max(share * reach_mm[1], 0.5))
        at, normals = _stations(at, STATION_MM * view.px_per_mm, bend_mm / STATION_MM)
        at = at + _best_path(soft, barred, at, normals, view.px_per_mm, reach, outside)[:, None] * normals
    return _refined(picture, view, at)


def _stations(contour: Floats, step: float, smooth: float) -> tuple[Floats, Floats]:
    """Points every `step` along a closed curve, smoothed over `smooth` of them, and outward unit normals."""
    closed = np.vstack([contour, contour[:1]])
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(closed, axis=0).T))])
    n = max(24, int(length[-1] / step))
    places = np.linspace(0, length[-1], n, endpoint=False)
    at = np.column_stack([np.interp(places, length, closed[:, k]) for k in (0, 1)])
    at = _smooth_round(at, smooth)
    along = np.roll(at, -1, axis=0) - np.roll(at, 1, axis=0)
    normals = np.column_stack([along[:, 1], -along[:, 0]]) / np.maximum(np.hypot(*along.T), 1e-9)[:, None]
    return at, normals * (1.0 if _signed_area(at) > 0 else -1.0)


def _signed_area(p: Floats) -> float:
    x, y = p.T
    return 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def _smooth_round(values: Floats, sd: float) -> Floats:
    """Gaussian smoothing of (n, k) along a closed curve."""
    n = len(values)
    gain = np.exp(-2 * (np.pi * sd * np.fft.rfftfreq(n)) ** 2)
    return np.asarray(np.fft.irfft(np.fft.rfft(values, axis=0) * gain[:, None], n, axis=0))


def _best_path(
    soft: NDArray[np.float32], barred: Mask, at: Floats, normals: Floats, px_per_mm: float,
    reach_mm: tuple[float, float], outside: float,
) -> Floats:  # fmt: skip
    """(n,) shift of each station along its normal, view px: the closed path of least cost."""
    shift = np.arange(round(reach_mm[0] * px_per_mm), -round(reach_mm[1] * px_per_mm) - 1, -1)
    x, y = ((at[:, None, k] + shift * normals[:, None, k]).astype(np.float32) for k in (0, 1))
    profile = cv2.remap(soft, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    other = cv2.remap(barred.astype(np.uint8), x, y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE) > 0
    profile = cv2.GaussianBlur(profile, (1, 9), 0, borderType=cv2.BORDER_REFLECT)  # along the edge
    step = np.gradient(profile, axis=1)
    broad = cv2.blur(step, (2 * round(px_per_mm) + 1, 1), borderType=cv2.BORDER_REFLECT)
    sharp = (
        np.where(other, 0.0, np.maximum(np.abs(step) - np.abs(broad), 0.0)) * px_per_mm
    )  # no shadow's slope
    noise = 2.0 * float(np.median(sharp[:, : max(2, len(shift) // 6)]))
    strong = max(min(float(np.quantile(sharp.max(axis=1), 0.25)), DISTINCT), 2.0 * noise, 4.0)
    edge = np.clip((sharp - noise) / (strong - noise), 0.0, 1.0)
    beyond = np.cumsum(edge, axis=1) / px_per_mm  # mm of distinct edge from outside up to here
    skip = max(1, round(0.7 * px_per_mm))  # the edge itself is not outside of itself
    beyond = np.hstack([np.zeros((len(at), skip)), beyond[:, :-skip]])
    return np.asarray(shift[_closed_path(outside * beyond - edge + 3.0 * other)], dtype=np.float64)


def _closed_path(cost: Floats, bend: float = 0.06) -> NDArray[np.intp]:
    """(n,) column of each row: cheapest path whose column changes by at most 2 from row to row, round and round.

    The rows are gone through twice and the path is read half a lap from either end, where both ends are forgotten.
    """
    n, m = cost.shape
    price = bend * np.array([3.0, 1.0, 0.0, 1.0, 3.0])[:, None]  # of a change by -2 ... 2 columns
    came = np.empty((2 * n, m), dtype=np.intp)
    best = np.full(m + 4, np.inf)
    best[2:-2] = cost[0]
    ways = np.lib.stride_tricks.sliding_window_view(best, m)  # (5, m), follows `best`
    columns = np.arange(m)
    for row in range(1, 2 * n):
        total = ways + price
        pick = np.argmin(total, axis=0)
        came[row] = columns + pick - 2
        best[2:-2] = total[pick, columns] + cost[row % n]
    path = np.empty(2 * n, dtype=np.intp)
    path[-1] = int(np.argmin(best[2:-2]))
    for row in range(2 * n - 1, 0, -1):
        path[row - 1] = came[row, path[row]]
    half = n // 2
    return np.roll(path[half : half + n], half)


def _refined(picture: Picture, view: FlatView, at: Floats) -> Outline:
    """Each point on its edge in the full picture; points without a distinct edge follow their neighbours."""
    at, normals = _stations(at, STATION_MM * view.px_per_mm, 0.7)
    mm, outward = view.mm(at), normals
    base, tip = (view.plane.to_picture(p) for p in (mm, mm + outward))
    direction = (tip - base) / np.hypot(*(tip - base).T)[:, None]
    offset, strength = edge_offsets(picture.grey, base, direction, reach_px=0.9 * view.plane.px_per_mm)
    good = strength > 0.25 * float(np.median(strength))
    smooth = _smooth_round(np.where(good, offset, np.median(offset))[:, None], 2.0)[:, 0]
    miss = offset - smooth
    scatter = 1.4826 * float(np.median(np.abs(miss[good]))) if good.any() else 1.0
    good &= np.abs(miss) < 4 * max(scatter, 0.3)
    offset = np.where(good, offset, smooth)
    px = base + offset[:, None] * direction
    return Outline(
        px, view.plane.places_mm(px), max(scatter, 0.1) / view.plane.px_per_mm, float(np.mean(good))
    )
