"""Ringed dots and round heads in a flat view: correlation finds them, the full model of a disc places them.

A datum dot is a dark dot in a light ring (a pen's dot on a dab of paint or a round sticker), or the reverse; 3 to
6 mm across. A bolt's head with its socket is the same pattern, larger.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.find_outline import Mask
from fitwright.vision.flat import FlatView
from fitwright.vision.picture import Picture
from fitwright.vision.snap import Spot, find_spot

DATUM_MM, BOLT_MM = (1.2, 3.2), (3.4, 6.5)
"""Outer radius of a datum dot's ring, and of a bolt's head."""
LEAST_LIKENESS, LEAST_EXPLAINED = 0.55, 0.95
MOST_CANDIDATES = 10
FLOOR_PX = 0.05
"""What stays of a disc's centre when noise is gone: JPEG, a dab that is not quite round (from rendered pictures)."""


@dataclass(frozen=True)
class Dot:
    """A ringed disc: centre (2,) px of the photograph, standard uncertainty per coordinate, radii in mm, and the
    share of the picture around it that the model explains."""

    uv_px: Floats
    u_px: float
    disc_mm: float
    ring_mm: float
    explained: float


def find_dots(picture: Picture, view: FlatView, where: Mask) -> tuple[Dot, ...]:
    """All datum dots inside `where` (h, w of the view), best first."""
    found = []
    for at in _candidates(view, where, DATUM_MM, (1.4, 2.0, 2.7)):
        uv = view.plane.to_picture(view.mm(at[None]))[0]
        spot = spot_at(picture, uv, 3.0 + 0.3 * view.plane.px_per_mm)
        if spot is not None:
            found.append(_dot(spot, view.plane.px_per_mm, 1.0))
    return _distinct(found, DATUM_MM, view.plane.px_per_mm)


def find_bolts(view: FlatView, where: Mask) -> tuple[Dot, ...]:
    """All bolt heads inside `where`; their centres are read in the view (a head is too large to need more)."""
    found = []
    for at in _candidates(view, where, BOLT_MM, (4.4, 5.4)):
        spot = _in_window(view.grey, at, 4.0)
        if spot is not None:
            uv = view.plane.to_picture(view.mm(spot.uv_px[None]))[0]
            ratio = view.plane.px_per_mm / view.px_per_mm
            found.append(_dot(spot, view.px_per_mm, ratio, uv))
    return _distinct(found, BOLT_MM, view.plane.px_per_mm)


def spot_at(picture: Picture, uv_px: Floats, reach_px: float) -> Spot | None:
    """The disc near a place of the photograph (coordinates of the photograph), or None."""
    return _in_window(picture.grey, np.asarray(uv_px, dtype=np.float64), reach_px)


def _in_window(grey: NDArray[np.uint8], at: Floats, reach_px: float) -> Spot | None:
    half = 40 + int(reach_px)
    low = np.maximum(np.round(at).astype(int) - half, 0)
    window = grey[low[1] : low[1] + 2 * half + 1, low[0] : low[0] + 2 * half + 1].astype(np.float64)
    if min(window.shape) < 16:
        return None
    spot = find_spot(window, at - low, reach_px)
    if spot is None:
        return None
    return replace(spot, uv_px=spot.uv_px + low)


def spot_u_px(spot: Spot) -> float:
    """Standard uncertainty of a disc's centre per coordinate, px.

    An edge of contrast a around a disc of radius r holds Fisher information π r a² / (2 √π σ s²) per coordinate
    for blur σ and pixel noise s; doubled for what the model leaves out, and with a floor.
    """
    strength = max(abs(float(spot.amplitudes[1])), 1.0) / max(spot.rms, 0.5)
    information = np.pi * spot.disc_px * strength**2 / (2 * np.sqrt(np.pi) * max(spot.sigma_px, 0.4))
    return float(np.hypot(2.0 / np.sqrt(information), FLOOR_PX))


def _dot(spot: Spot, px_per_mm: float, ratio: float, uv_px: Floats | None = None) -> Dot:
    return Dot(
        spot.uv_px if uv_px is None else uv_px, ratio * spot_u_px(spot), spot.disc_px / px_per_mm,
        spot.ring_px / px_per_mm, spot.explained,
    )  # fmt: skip


def _candidates(
    view: FlatView, where: Mask, radius_mm: tuple[float, float], sizes_mm: Sequence[float]
) -> list[Floats]:
    """Places (column, row) where the view looks most like a ring with a dot, at any of the given outer radii."""
    corner, part, wanted = view.part(where, 2 * radius_mm[1])
    if not part.size:
        return []
    step = 2 if min(sizes_mm) * view.px_per_mm > 12 else 1
    small = (
        cv2.resize(part, None, fx=1 / step, fy=1 / step, interpolation=cv2.INTER_AREA) if step > 1 else part
    )
    best = np.zeros(small.shape, np.float32)
    for size in sizes_mm:
        pattern = _pattern(size * view.px_per_mm / step)
        if min(small.shape) <= len(pattern):
            continue
        like = np.abs(cv2.matchTemplate(small, pattern, cv2.TM_CCOEFF_NORMED))
        h = len(pattern) // 2
        inner = best[h : h + like.shape[0], h : h + like.shape[1]]
        np.maximum(inner, like, out=inner)
    here = cv2.resize(wanted.astype(np.uint8), small.shape[::-1], interpolation=cv2.INTER_NEAREST)
    best[here == 0] = 0.0
    side = 2 * round(radius_mm[0] * view.px_per_mm / step) + 1
    peak = (best >= cv2.dilate(best, np.ones((side, side)))) & (best > LEAST_LIKENESS)
    v, u = np.nonzero(peak)
    order = np.argsort(-best[v, u])[:MOST_CANDIDATES]
    return [corner + (np.array([u[i], v[i]]) + 0.5) * step - 0.5 for i in order]


def _pattern(radius_px: float) -> NDArray[np.uint8]:
    """A light ring with a dark dot of half its radius on a middle tone."""
    half = int(np.ceil(1.35 * radius_px))
    v, u = np.mgrid[-half : half + 1, -half : half + 1]
    rho = np.hypot(u, v)
    ring, dot = (np.clip(r - rho + 0.5, 0, 1) for r in (radius_px, radius_px / 2))
    return np.asarray(110 + 120 * ring - 200 * dot, dtype=np.uint8)


def _distinct(dots: list[Dot], radius_mm: tuple[float, float], px_per_mm: float) -> tuple[Dot, ...]:
    """Those of the wanted size that the model explains, each once."""
    kept: list[Dot] = []
    for dot in sorted(dots, key=lambda d: -d.explained):
        size = max(dot.ring_mm, dot.disc_mm)
        ok = radius_mm[0] <= size <= radius_mm[1] and dot.ring_mm > 1.25 * dot.disc_mm
        far = all(np.hypot(*(dot.uv_px - k.uv_px)) > radius_mm[0] * px_per_mm for k in kept)
        if ok and far and dot.explained > LEAST_EXPLAINED:
            kept.append(dot)
    return tuple(kept)
