"""Contrast discs in one frame of a film, and which of them is which: proposals for the points to be marked.

Where the picture looks like a ring with a disc in it, of one of several sizes, and the marker's model then fits,
there is one. Names are given by the layout of a rider: an affine map of the usual places, at some crank angle, that
brings most of them onto discs. It is a proposal: a person looks at it and takes it, or not.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.quantity import Floats
from fitwright.vision.picture import Grey
from fitwright.vision.snap import Spot, spot_like
from fitwright.vision.snap_kernel import likest

RING_PX = (4.0, 5.5, 7.0, 8.2, 9.5, 11.0, 13.0, 15.5, 18.0)
"""Outer radii of the rings that are looked for."""
DISC = 0.58
"""Disc over ring."""
COARSE_PX, COARSE_LESS = 7.0, 0.06
"""Rings of this radius and more are looked for in the picture at half its size; the fit is made in the whole one.
A ring of few pixels looks a little less like one there (seen at rings of 7 to 8 px in rendered frames)."""
LIKE, MOST = 0.55, 28
APART_PX = 6.0
GOOD, LEAST_CONTRAST = 0.94, 35.0
WINDOW_PX, REACH_PX = 60, 4.0
FAR = 0.08
"""A disc further from where the layout has its point, as a share of the layout's height, is not that point."""
UNSURE = 0.1
"""A disc within this of a point that has none may be that point's instead; within twice this of a point, a disc that
has none may be it."""
LEAST_NAMED = 4
ANCHORS = {
    "side": (("acromion", "greater_trochanter", "pedal_axle"),
             ("greater_trochanter", "lateral_femoral_condyle", "pedal_axle")),
    "front": (("asis_left", "asis_right", "pedal_left"), ("patella_left", "patella_right", "pedal_left")),
}  # fmt: skip
"""Three points far from each other by which maps are tried, and others for when one of them bears no marker."""
PHASES_DEG = {"side": tuple(range(0, 360, 30)), "front": tuple(range(0, 360, 15))}
"""Crank angles that are tried. From the front only heights of knees and shoes tell them: at every 30° the stickers
of a shoe, one above the other, may lie nearer to each other's places than to their own."""
USUAL = LegTwin(411.0, 421.0, 125.0, 105.0, 172.5, -195.0, 755.0, 15.0, (6.0, 0.0), (-10.4, 0.0))
"""A usual leg on a usual bike: only the layout comes from it."""
FRONT_SHOE = (("foot", 65.0), ("foot_rear", 147.0))
"""Stickers on the shoe from the front, mm above the pedal as they are seen there, perspective and heel included."""
FOOT_MM = {"heel": (-190.0, 45.0), "fifth_metatarsal": (-8.0, 30.0)}
UPPER_MM = {"acromion": (370.0, 360.0), "elbow": (480.0, 110.0), "wrist": (690.0, -100.0)}
"""Where stickers usually sit: on the shoe from the pedal axle along the sole, on arm and shoulder from the hip."""


@dataclass(frozen=True)
class Marker:
    """A disc that was found: place in the picture (px), radius (px), share of variance its model explains."""

    uv_px: Floats
    radius_px: float
    explained: float


def find_discs(grey: Grey) -> tuple[Marker, ...]:
    """All marker-like discs of a picture, the surest first; `grey` (h, w) uint8, upright."""
    small = cv2.resize(grey, (grey.shape[1] // 2, grey.shape[0] // 2), interpolation=cv2.INTER_AREA)
    best = _like_rings(grey, [r for r in RING_PX if r < COARSE_PX])
    coarse = _like_rings(small, [r / 2 for r in RING_PX if r >= COARSE_PX]) + np.float32(COARSE_LESS)
    every_other = best[: 2 * small.shape[0] : 2, : 2 * small.shape[1] : 2]
    np.maximum(every_other, coarse, out=every_other)
    tops = np.flatnonzero((best == cv2.dilate(best, np.ones((9, 9), np.uint8))) & (best > LIKE))
    rows, columns = np.unravel_index(tops[np.argsort(-best.flat[tops])][:MOST], best.shape)
    noise = _noise(grey)
    found: list[Marker] = []
    for u, v in zip(columns, rows, strict=True):
        place = np.array([u, v], dtype=np.float64)
        if any(np.hypot(*(place - m.uv_px)) < APART_PX for m in found):
            continue
        spot = _spot(grey, place, noise)
        if spot is not None and not any(np.hypot(*(spot.uv_px - m.uv_px)) < APART_PX for m in found):
            found.append(Marker(spot.uv_px, spot.ring_px, spot.explained))
    return tuple(sorted(found, key=lambda m: -m.explained))


def _like_rings(grey: Grey, rings: Sequence[float]) -> NDArray[np.float32]:
    """How much each place of a picture looks like a ring of one of these radii with a disc in it, dark or light; 0
    near the edge, and of rings that the picture is too small for."""
    best = np.zeros(grey.shape, np.float32)
    for pattern in map(_ringed, rings):
        if min(grey.shape) > len(pattern):
            # what OpenCV's TM_CCOEFF_NORMED tells, in a third of the time
            likest(
                cv2.matchTemplate(grey, pattern, cv2.TM_CCORR),
                cv2.boxFilter(grey, cv2.CV_32F, pattern.shape, normalize=False),
                cv2.sqrBoxFilter(grey, cv2.CV_32F, pattern.shape, normalize=False),
                pattern.size, pattern.mean(), pattern.std() * np.sqrt(pattern.size), best,
            )  # fmt: skip
    return best


@lru_cache(maxsize=32)
def _ringed(ring: float) -> Grey:
    """Picture of a ring of this radius with a disc in it."""
    half = int(np.ceil(1.35 * ring))
    v, u = np.mgrid[-half : half + 1, -half : half + 1]
    cover = [np.clip(r - np.hypot(u, v) + 0.5, 0, 1) for r in (ring, DISC * ring)]
    return np.asarray(110 + 100 * cover[0] - 180 * cover[1]).astype(np.uint8)


def _likest_ring(grey: Grey, place: Floats) -> float:
    """Radius of the ring that a picture looks most like around a place."""
    best, radius = 0.0, RING_PX[0]
    for ring in RING_PX:
        pattern = _ringed(ring)
        left, top = place.astype(int) - len(pattern) // 2
        part = grey[max(top, 0) : top + len(pattern), max(left, 0) : left + len(pattern)]
        if part.shape == pattern.shape:  # else it reaches beyond the picture
            like = abs(float(cv2.matchTemplate(part, pattern, cv2.TM_CCOEFF_NORMED)[0, 0]))
            best, radius = max((best, radius), (like, ring))
    return radius


def _noise(grey: Grey) -> float:
    """SD of a pixel, grey levels, from how far pixels lie off the line between their neighbours where the picture is
    quietest: in one row of ten."""
    some = grey[::8].astype(np.float32)
    off = np.median(np.abs(some[:, :-2] - 2 * some[:, 1:-1] + some[:, 2:]), axis=1)
    return float(np.quantile(off, 0.1) / (0.6745 * np.sqrt(6)))


def _spot(grey: Grey, place: Floats, noise: float) -> Spot | None:
    """The marker at a place, in the picture's own pixels; None when its model does not fit well, beside the picture's
    noise."""
    ring_px = _likest_ring(grey, place)
    low = np.maximum(place.astype(int) - WINDOW_PX, 0)
    window = grey[low[1] : low[1] + 2 * WINDOW_PX + 1, low[0] : low[0] + 2 * WINDOW_PX + 1].astype(np.float64)
    spot = spot_like(window, place - low, REACH_PX, (DISC * ring_px, ring_px))
    if spot is None or abs(spot.amplitudes[1]) < LEAST_CONTRAST or np.hypot(*spot.blur_px) > 2 * spot.ring_px:
        return None
    if (1 - spot.explained) * (1 - min(noise / spot.rms, 1.0) ** 2) > 1 - GOOD:
        return None
    return replace(spot, uv_px=spot.uv_px + low)


def side_layouts(side: str) -> tuple[dict[str, Floats], ...]:
    """Where a usual rider's points lie (mm, x right, y down) at crank angles all round, seen from this side."""
    pose, out = solve(USUAL, PHASES_DEG["side"]), []
    flip = 1.0 if side == "right" else -1.0
    for k in range(len(PHASES_DEG["side"])):
        beta = np.radians(pose.pitch_deg[k])
        axle = np.array([pose.axle_x[k], pose.axle_y[k]])
        hip = np.array([USUAL.hip_x_mm, USUAL.hip_y_mm])
        turn = np.array([[np.cos(beta), np.sin(beta)], [-np.sin(beta), np.cos(beta)]])
        at = {"greater_trochanter": hip, "pedal_axle": axle, "bottom_bracket": np.zeros(2),
              "lateral_femoral_condyle": np.array([pose.knee_x[k], pose.knee_y[k]]),
              "lateral_malleolus": np.array([pose.malleolus_x[k], pose.malleolus_y[k]])}  # fmt: skip
        at |= {name: axle + turn @ np.array(xy) for name, xy in FOOT_MM.items()}
        at |= {name: hip + np.array(xy) for name, xy in UPPER_MM.items()}
        out.append({name: xy * [flip, -1.0] for name, xy in at.items()})
    return tuple(out)


def front_layouts(discs: int = 8) -> tuple[dict[str, Floats], ...]:
    """The same from the front, the rider's right at the picture's left, with another sticker farther back on each
    shoe and, where no more discs are seen than it leaves out, without."""
    shoes = [FRONT_SHOE] if discs > 8 else [FRONT_SHOE[:1], FRONT_SHOE]
    return tuple(_front_layout(phase, shoe) for shoe in shoes for phase in np.radians(PHASES_DEG["front"]))


def _front_layout(phase: float, shoe: tuple[tuple[str, float], ...]) -> dict[str, Floats]:
    at = {}
    for side, sign, turn in (("left", 1.0, phase + np.pi), ("right", -1.0, phase)):
        pedal = USUAL.crank_mm * np.cos(turn)
        knee = 510.0 + 135.0 * np.cos(turn - 0.14)
        on_shoe = ((name, 128.0, pedal + up) for name, up in shoe)
        for name, x, y in (
            ("asis", 118.0, 860.0),
            ("patella", 112.0, knee),
            *on_shoe,
            ("pedal", 128.0, pedal),
        ):
            at[f"{name}_{side}"] = np.array([sign * x, -y])
    return at


def name_discs(discs: Sequence[Marker], view: str, side: str | None) -> dict[str, Marker]:
    """Which disc is which point: the affine map of a usual rider, at some crank angle, that brings most
    points onto discs, one disc each; empty when fewer than `LEAST_NAMED` fall into place.

    Args: view: "side" or "front". side: the filmed side.
    """
    uv = np.array([d.uv_px for d in discs], dtype=np.float64).reshape(-1, 2)
    if len(uv) < LEAST_NAMED:
        return {}
    best: tuple[float, dict[str, Marker]] = (np.inf, {})
    for layout in side_layouts(str(side)) if view == "side" else front_layouts(len(uv)):
        for anchors in ANCHORS[view]:
            best = min(best, _named(discs, uv, layout, anchors, best[0], view == "front"), key=lambda b: b[0])
    return best[1] if len(best[1]) >= LEAST_NAMED else {}


def _named(
    discs: Sequence[Marker],
    uv: Floats,
    layout: dict[str, Floats],
    anchors: Sequence[str],
    least: float,
    in_rows: bool,
) -> tuple[float, dict[str, Marker]]:
    """Cost and names of the best map of one layout, when it costs less than `least`; `in_rows` as in `_sure`."""
    best: tuple[float, dict[str, Marker]] = (np.inf, {})
    names = list(layout)
    places = np.array([layout[n] for n in names])
    basis = np.linalg.inv(np.column_stack([np.stack([layout[n] for n in anchors]), np.ones(3)]))
    whole, tall = np.column_stack([places, np.ones(len(places))]), float(np.ptp(places[:, 1]))
    mapped = basis @ uv[_threes(len(uv))]
    mapped = mapped[_like_a_rider(mapped)]
    height = tall * np.linalg.norm(mapped[:, 1], axis=1)
    apart = np.linalg.norm((whole @ mapped)[:, :, None] - uv, axis=3) / height[:, None, None]
    cost = np.minimum(apart, FAR)
    at_least = cost.min(axis=2).sum(axis=1)
    for one in np.argsort(at_least, kind="stable"):
        if at_least[one] >= min(best[0], least):
            break  # even without one disc each it would be worse, and so would all after it
        rows, columns = linear_sum_assignment(cost[one])
        held = {int(i): int(k) for i, k in zip(rows, columns, strict=True) if cost[one, i, k] < FAR}
        # a point without a disc costs as much as a disc without a point
        total = float(cost[one, rows, columns].sum()) + FAR * (len(names) - len(rows) + len(uv) - len(held))
        if total < best[0]:
            best = (total, {names[i]: discs[held[i]] for i in _sure(apart[one], held, in_rows)})
    return best


@lru_cache(maxsize=32)
def _threes(n: int) -> NDArray[np.intp]:
    """(n (n − 1) (n − 2), 3) every three of n discs in every order."""
    return np.array(list(itertools.permutations(range(n), 3)), dtype=np.intp)


def _sure(apart: Floats, held: dict[int, int], in_rows: bool) -> list[int]:
    """Points of `held` (point → disc) that alone may be at their disc and at no other; points and discs lie `apart`
    (N, M).

    Not one with a disc near that no point has: all may be shifted by one, so that the disc it holds may be the next
    one's, whose own may be another's in turn. Nor one at whose disc a point without a disc may be: of two so near to
    each other one is hidden, and nothing tells which; where points lie in rows, that may go on along the row.
    """
    shifted: set[int] = set()
    discs = [k for k in range(apart.shape[1]) if k not in held.values()]
    while new := {i for i in held.keys() - shifted if (apart[i, discs] < 2 * UNSURE).any()}:
        shifted |= new
        discs = [held[i] for i in new]
    rivalled: set[int] = set()
    points = [i for i in range(apart.shape[0]) if i not in held]
    while new := {i for i in held.keys() - rivalled if (apart[points, held[i]] < UNSURE).any()}:
        rivalled |= new
        points = list(new) if in_rows else []
    return [i for i in held if i not in shifted | rivalled]


def _like_a_rider(maps: Floats) -> NDArray[np.bool_]:
    """(M,) which of the maps (M, 3, 2) neither mirror nor slant nor squeeze more than a camera and a body do."""
    along, down = maps[:, 0], maps[:, 1]
    across = along[:, 0] * down[:, 1] - along[:, 1] * down[:, 0]
    long, tall = np.linalg.norm(along, axis=1), np.linalg.norm(down, axis=1)
    shape = (0.7 * tall < long) & (long < 1.4 * tall)
    upright = (np.abs(along[:, 1]) < 0.3 * long) & (np.abs(down[:, 0]) < 0.3 * tall)
    found: NDArray[np.bool_] = (across > 0) & shape & upright
    return found
