"""From a finger's pick to the centre of the disc beneath it: which pattern is there, how large, how blurred.

A pick may be some pixels off. Around it the centre is sought where the picture is most nearly a function of the
distance alone; the radial profile there gives the edges; a least-squares fit of the full model with free radii,
optics and motion blur gives the rest. What does not look like a disc is said not to be one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeGuard

import numpy as np
from scipy.optimize import least_squares

from fitwright.quantity import Floats
from fitwright.vision.snap_bank import beginnings
from fitwright.vision.snap_kernel import covers, levels, misfit, radial_score, slopes

SMALLEST_RADIUS_PX = 2.0
LARGEST_RADIUS_PX = 34
GOOD_FIT, ENOUGH = 0.97, 0.88
"""Shares of the variance: no other explanation is tried; taken for a marker."""
HOPELESS, PROMISING = 0.6, 0.8
"""Shares below which, at the first fit and after the first steps of a smeared one, a place is given up where only
plain markers are wanted: of 294 markers in 30 rendered frames the first fit explained 0.69 at least."""
MOST_STEPS, FIRST_STEPS = 14, 5
NARROWEST_RING = 1.2
"""Ring over disc: nearer edges are taken for one."""
COARSE_KEPT = 4
"""Places, of all within reach, around which the centre is sought again."""
STANDS_OUT, BEYOND = 3.0, 40.0
"""Contrast of a marker over the spread of what lies around it, for one that is recognised at the second look only (a
spot of a random pattern has about two); grey levels that its parts may lie beyond those of the picture around."""
LEAST_CONTRAST = 14.0
"""Grey levels of 255 between disc and surround below which a spot is not taken for a marker."""


@dataclass(frozen=True)
class Spot:
    """A disc marker as it stands in one frame.

    Attributes:
        uv_px: (2,) centre. disc_px, ring_px, sigma_px: radii and optics' blur. blur_px: (2,) motion blur (its sign
            is not defined). amplitudes: (3,) ring, disc, background. explained: share of the variance explained.
        rms: residual, grey levels.
    """

    uv_px: Floats
    disc_px: float
    ring_px: float
    sigma_px: float
    blur_px: Floats
    amplitudes: Floats
    explained: float
    rms: float


def find_spot(
    grey: Floats, pick_px: Floats, reach_px: float = 7.0, look_again: bool = False, plain: bool = False
) -> Spot | None:
    """The disc marker within `reach_px` of `pick_px` (u, v) in a picture (h, w) of grey levels, or None.

    `grey` may be a window; coordinates are the window's. `look_again`: where none is recognised by what is radial, a
    bank of small discs, sharp and smeared, is tried too (some 0.1 s: for a pick that is known to be of a marker).
    `plain`: only what is plainly a marker is wanted, and what soon looks like none is given up (for many places of
    which most are none).
    """
    best = _by_the_radial(grey, pick_px, reach_px, plain)
    if look_again and not _is_marker(best, pick_px, reach_px):
        fits = [_fit(grey, b.uv_px, b.edges_px, b.blur_px) for b in beginnings(grey, pick_px, reach_px)]
        good = [s for s in fits if _is_marker(s, pick_px, reach_px) and _stands_out(grey, s)]
        best = max(good, key=lambda s: s.explained, default=None)
    return best if _is_marker(best, pick_px, reach_px) else None


def _is_marker(spot: Spot | None, pick: Floats, reach: float) -> TypeGuard[Spot]:
    """Whether a fit is good enough, and where and of what it was looked for."""
    return (
        spot is not None
        and bool(np.hypot(*(spot.uv_px - pick)) <= reach + 3.0)
        and spot.explained > ENOUGH
        and abs(spot.amplitudes[1]) > LEAST_CONTRAST
        and spot.disc_px > SMALLEST_RADIUS_PX
    )


def _stands_out(grey: Floats, spot: Spot) -> bool:
    """Whether a marker has more contrast than what lies around it has by chance, and levels that the picture has too:
    patterned cloth is full of spots."""
    ring, disc, behind = spot.amplitudes
    levels = [behind, behind + ring, behind + ring + disc]
    if min(levels) < grey.min() - BEYOND or max(levels) > grey.max() + BEYOND:
        return False
    v, u = np.mgrid[0 : grey.shape[0], 0 : grey.shape[1]]
    away = _from_sweep(u - spot.uv_px[0], v - spot.uv_px[1], spot.blur_px)
    around = grey[(away > 1.3 * spot.ring_px + 2) & (away < 3 * spot.ring_px + 4)]
    return bool(abs(spot.amplitudes[1]) > STANDS_OUT * np.std(around))


def _by_the_radial(grey: Floats, pick_px: Floats, reach_px: float, plain: bool = False) -> Spot | None:
    """The best fit that begins where the picture is most nearly radial; None where it is too even."""
    centre, radius, contrast = _most_radial(grey, pick_px, reach_px)
    if contrast < LEAST_CONTRAST:
        return None
    edges = _edges(_profile(grey, centre, radius + 6))
    if edges is None:
        return None
    best = _fit(grey, centre, edges, (0.0, 0.0))
    if best.explained < GOOD_FIT and edges[1] <= edges[0]:  # perhaps with a ring too narrow to show two edges
        best = max(
            best, _fit(grey, centre, (edges[0], 1.6 * edges[0] + 0.5), (0.0, 0.0)), key=lambda s: s.explained
        )
    if plain and best.explained < HOPELESS:
        return best
    if best.explained < GOOD_FIT:  # perhaps smeared by its own motion
        if plain:
            begun = [_fit(grey, centre, edges, blur, FIRST_STEPS) for blur in ((6.0, 0.0), (0.0, 6.0))]
            if max(s.explained for s in begun) < PROMISING:
                return best
        smeared = [_fit(grey, centre, edges, blur) for blur in ((6.0, 0.0), (0.0, 6.0))]
        best = max([best, *smeared], key=lambda s: s.explained)
        if best.explained < ENOUGH and not plain:
            # once it is known which way it moves, it is also known which pixels are its own
            again = [_fit(grey, s.uv_px, (s.disc_px, s.ring_px), s.blur_px) for s in smeared]
            best = max([best, *again], key=lambda s: s.explained)
    return best


def _most_radial(grey: Floats, pick: Floats, reach: float) -> tuple[Floats, int, float]:
    """Centre (to 1 px) and radius where radial bins explain most, and the profile's contrast there."""
    offsets = np.arange(-int(reach), int(reach) + 1)
    middle = np.round(pick)
    coarse = [np.array([du, dv]) for dv in offsets for du in offsets if du * du + dv * dv <= reach * reach]
    # a small disc seen a pixel beside its centre is far from radial: a strict score would prefer an even patch
    loose = [_radial_score(grey, middle + offset, 0.5)[0] for offset in coarse]
    best = (-np.inf, pick, 0, 0.0)
    for k in np.argsort(loose)[::-1][:COARSE_KEPT]:
        for dv in (-1, 0, 1):
            for du in (-1, 0, 1):
                centre = middle + coarse[k] + [du, dv]
                found = _radial_score(grey, centre, 3.0)
                if found[0] > best[0]:
                    best = (found[0], centre, found[1], found[2])
    return np.asarray(best[1], dtype=np.float64), best[2], best[3]


def _radial_score(grey: Floats, c: Floats, strict: float) -> tuple[float, int, float]:
    """Explained minus `strict` times the unexplained sum of squares, at the best radius."""
    r = int(min(LARGEST_RADIUS_PX, c[0], c[1], grey.shape[1] - 1 - c[0], grey.shape[0] - 1 - c[1]))
    if r < 4:
        return -np.inf, 0, 0.0
    score, radius, contrast = radial_score(grey, int(c[0]), int(c[1]), r, strict)
    return float(score), int(radius), float(contrast)


def _profile(grey: Floats, centre: Floats, reach: int) -> Floats:
    """Mean grey level by distance in bins of 1 px, (reach + 1,)."""
    v, u = np.mgrid[0 : grey.shape[0], 0 : grey.shape[1]]
    bins = np.round(np.hypot(u - centre[0], v - centre[1])).astype(np.intp)
    keep = bins <= reach
    n = np.bincount(bins[keep], minlength=reach + 1)
    return np.asarray(np.bincount(bins[keep], grey[keep], minlength=reach + 1) / np.maximum(n, 1))


def _edges(profile: Floats) -> tuple[float, float] | None:
    """Radius of the disc and of the ring around it (equal when there is none), px."""
    slope = np.diff(profile)
    strong = np.abs(slope) > 0.2 * np.abs(slope).max()
    peaks = [
        k for k in range(len(slope))
        if strong[k] and abs(slope[k]) >= _same_way(slope, k) - 1e-9
    ]  # fmt: skip
    peaks = [k for k in peaks if k + 0.5 >= SMALLEST_RADIUS_PX - 0.5]
    if not peaks:
        return None
    first = peaks[0]
    outer = next((k for k in peaks[1:] if slope[k] * slope[first] < 0 and k >= first + 2), None)
    return first + 0.5, (outer + 0.5 if outer is not None else first + 0.5)


def _same_way(slope: Floats, k: int) -> float:
    """Steepest slope of the same sign beside k; a narrow ring's other edge may be steeper."""
    near = slope[max(0, k - 1) : k + 2]
    return float(np.abs(near[near * slope[k] > 0]).max(initial=0.0))


def _fit(
    grey: Floats,
    centre: Floats,
    edges: tuple[float, float],
    blur: Sequence[float] | Floats,
    steps: int = MOST_STEPS,
) -> Spot:
    """Full least-squares fit with free centre, radii, optics and motion blur from one start."""
    ringed = edges[1] > edges[0] + 0.6
    reach = int(np.ceil(edges[1] + np.hypot(*blur) / 2 + 4))
    low = np.maximum(np.round(centre).astype(int) - reach, 0)
    high = np.minimum(np.round(centre).astype(int) + reach + 1, [grey.shape[1], grey.shape[0]])
    v, u = np.mgrid[low[1] : high[1], low[0] : high[0]]
    x = grey[low[1] : high[1], low[0] : high[0]]
    near = np.hypot(u - centre[0], v - centre[1]) < reach
    u, v, x = (part[near].astype(np.float64) for part in (u, v, x))
    # what lies around the marker is not the marker's: it counts little in the fit and not in its quality
    on_marker = _from_sweep(u - centre[0], v - centre[1], blur) < edges[1]
    trust = np.where(on_marker, 1.0, 0.25)

    # the ring as a multiple of the disc: a ring inside its disc would explain a small smeared marker nearly as well
    q0 = np.array([centre[0], centre[1], edges[0], edges[1] / edges[0], 0.8, *blur])
    low_q = np.array([centre[0] - 4, centre[1] - 4, 1.2, NARROWEST_RING, 0.25, -30, -30])
    high_q = np.array([centre[0] + 4, centre[1] + 4, 40, 4.0, 3, 30, 30])
    # from no blur none is found: nothing tells its direction; a missing ring has no edge to move
    free = np.array([True, True, True, ringed, True, *[bool(np.any(blur))] * 2])

    def full(some: Floats) -> Floats:
        q = q0.copy()
        q[free] = some
        return q

    at = np.nonzero(free)[0]

    def left_over(some: Floats) -> Floats:
        return np.asarray(misfit(u, v, x, trust, full(some), ringed))

    def its_slopes(some: Floats) -> Floats:
        return np.asarray(slopes(u, v, x, trust, full(some), ringed, at, low_q, high_q))

    found = least_squares(
        left_over, np.clip(q0, low_q, high_q)[free],
        its_slopes,
        bounds=(low_q[free], high_q[free]), max_nfev=steps,
        x_scale=np.array([1, 1, 1, 0.3, 0.3, 2, 2])[free], ftol=1e-6, xtol=1e-6,
    )  # fmt: skip
    q = full(found.x)
    a = covers(u, v, q, ringed)
    weights = levels(a, x, trust)
    # a pixel that the marker covers for half the exposure shows half of what lies behind it
    left, seen, whole = (x - weights @ a)[on_marker], x[on_marker], a[0, on_marker] ** 2
    amplitudes = weights if ringed else np.array([0.0, *weights])
    middle = np.average(seen, weights=whole + 1e-9)
    explained = 1.0 - float(np.sum(whole * left**2) / max(np.sum(whole * (seen - middle) ** 2), 1e-9))
    return Spot(
        q[:2], float(q[2]), float(q[3] * q[2] if ringed else q[2]), float(q[4]), q[5:7], amplitudes, explained,
        float(np.sqrt(np.mean(left**2))),
    )  # fmt: skip


def _from_sweep(du: Floats, dv: Floats, blur: Sequence[float] | Floats) -> Floats:
    """Distance of places (du, dv) from the stretch that the centre, at the origin, sweeps."""
    square = float(blur[0] ** 2 + blur[1] ** 2)
    along = np.clip((du * blur[0] + dv * blur[1]) / max(square, 1e-9), -0.5, 0.5)
    return np.asarray(np.hypot(du - along * blur[0], dv - along * blur[1]))
