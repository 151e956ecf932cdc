"""From a finger's pick to the centre of the disc beneath it: which pattern is there, how large, how blurred.

A pick may be some pixels off. Around it the centre is sought where the picture is most nearly a function of the
distance alone; the radial profile there gives the edges; a least-squares fit of the full model with free radii,
optics and motion blur gives the rest. What does not look like a disc is said not to be one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeGuard

import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.snap_bank import beginnings
from fitwright.vision.snap_kernel import DAMPING, covers, improved, levels, radial_means, radial_scores

SMALLEST_RADIUS_PX = 2.0
LARGEST_RADIUS_PX = 34
GOOD_FIT, ENOUGH = 0.97, 0.9
"""Shares of the variance: no other explanation is tried; taken for a marker."""
PROMISING = 0.8
"""Share below which, after the first steps of smeared fits, a place whose look is known is given up."""
MOST_STEPS, FIRST_STEPS = 13, 4
STILL, SMEARS_PX = (0.0, 0.0), ((6.0, 0.0), (0.0, 6.0))
LONG_SMEARS_PX = ((12.0, 0.0), (8.5, 8.5), (0.0, 12.0), (8.5, -8.5))
"""Motion blurs from which a fit begins; those for when the radii are known."""
NARROWEST_RING = 1.2
"""Ring over disc: nearer edges are taken for one."""
COARSE_KEPT = 4
"""Places, of all within reach, around which the centre is sought again."""
AROUND = 0.0625
"""Weight of the square of what is left of a pixel beside the marker."""
BESIDE = np.stack(np.meshgrid(np.arange(-1, 2), np.arange(-1, 2)), axis=-1).reshape(-1, 2)
"""(9, 2) a pixel and those around it."""
STANDS_OUT, BEYOND = 3.0, 40.0
"""Contrast of a marker over the spread of what lies around it, for one that is recognised at the second look only (a
spot of a random pattern has about two); grey levels that its parts may lie beyond those of the picture around."""
SOFT, SOFT_RINGED = 0.36, 0.6
"""Blur of the edge over the disc's radius from which on a spot without and with a ring is none: a print has an edge,
a blot of a pattern has none (on simulated films up to 0.35, mostly 0.14, and mostly 0.38 to 1.0)."""
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
    grey: Floats, pick_px: Floats, reach_px: float = 7.0, look_again: bool = False, still: bool = False
) -> Spot | None:
    """The disc marker within `reach_px` of `pick_px` (u, v) in a picture (h, w) of grey levels, or None.

    `grey` may be a window; coordinates are the window's. `look_again`: where none is recognised by what is radial, a
    bank of small discs, sharp and smeared, is tried too (some 0.1 s: for a pick that is known to be of a marker).
    `still`: it does not move, so that no smear is tried.
    """
    best = _by_the_radial(grey, pick_px, reach_px, still)
    if look_again and not _is_marker(best, pick_px, reach_px):
        begun = beginnings(grey, pick_px, reach_px, still)
        fits = [_fit(grey, b.uv_px, b.edges_px, b.blur_px) for b in begun]
        good = [s for s in fits if _is_marker(s, pick_px, reach_px) and _stands_out(grey, s)]
        best = max(good, key=lambda s: s.explained, default=None)
    return best if _is_marker(best, pick_px, reach_px) else None


def spot_like(grey: Floats, place_px: Floats, reach_px: float, edges_px: tuple[float, float]) -> Spot | None:
    """The disc marker at a place (u, v) that looks like one with disc and ring of these radii, or None.

    What soon looks like none is given up: for many places of which most are none.
    """
    best = _fit(grey, place_px, edges_px, STILL)
    if best.explained < GOOD_FIT:  # perhaps smeared by its own motion
        ways = [_begun(grey, place_px, edges_px, blur) for blur in LONG_SMEARS_PX]
        begun = max(ways, key=lambda way: way.spot().explained).after(FIRST_STEPS)
        if begun.spot().explained > PROMISING:
            best = max(best, begun.after(MOST_STEPS - FIRST_STEPS).spot(), key=lambda s: s.explained)
    return best if _is_marker(best, place_px, reach_px) else None


def _is_marker(spot: Spot | None, pick: Floats, reach: float) -> TypeGuard[Spot]:
    """Whether a fit is good enough, and where and of what it was looked for."""
    return (
        spot is not None
        and bool(np.hypot(*(spot.uv_px - pick)) <= reach + 3.0)
        and spot.explained > ENOUGH
        and abs(spot.amplitudes[1]) > LEAST_CONTRAST
        and spot.disc_px > SMALLEST_RADIUS_PX
        and spot.sigma_px
        < (SOFT_RINGED if spot.ring_px > NARROWEST_RING * spot.disc_px else SOFT) * spot.disc_px
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


def _by_the_radial(grey: Floats, pick_px: Floats, reach_px: float, still: bool) -> Spot | None:
    """The best fit that begins where the picture is most nearly radial; None where it is too even."""
    at, radius, contrast = _most_radial(grey, pick_px, reach_px)
    if contrast < LEAST_CONTRAST:
        return None
    centre = at.astype(np.float64)
    edges = _edges(radial_means(grey, *at, radius + 6))
    if edges is None:
        return None
    best = _fit(grey, centre, edges, STILL)
    if best.explained < GOOD_FIT and edges[1] <= edges[0]:  # perhaps with a ring too narrow to show two edges
        best = max(
            best, _fit(grey, centre, (edges[0], 1.6 * edges[0] + 0.5), STILL), key=lambda s: s.explained
        )
    if best.explained < GOOD_FIT and not still:  # perhaps smeared by its own motion
        smeared = [_fit(grey, centre, edges, blur) for blur in SMEARS_PX]
        best = max([best, *smeared], key=lambda s: s.explained)
        if best.explained < ENOUGH:
            # once it is known which way it moves, it is also known which pixels are its own
            again = [_fit(grey, s.uv_px, (s.disc_px, s.ring_px), s.blur_px) for s in smeared]
            best = max([best, *again], key=lambda s: s.explained)
    return best


def _most_radial(grey: Floats, pick: Floats, reach: float) -> tuple[NDArray[np.intp], int, float]:
    """Pixel (2,) and radius where radial bins explain most, and the profile's contrast there."""
    far = np.arange(-int(reach), int(reach) + 1)
    around = np.stack(np.meshgrid(far, far), axis=-1).reshape(-1, 2)
    coarse = np.round(pick).astype(np.intp) + around[np.sum(around**2, axis=1) <= reach**2]
    # a small disc seen a pixel beside its centre is far from radial: a strict score would prefer an even patch
    loose = radial_scores(grey, coarse, LARGEST_RADIUS_PX, 0.5)[:, 0]
    kept = coarse[np.argsort(-loose)[:COARSE_KEPT]]
    fine = (kept[:, None] + BESIDE).reshape(-1, 2)
    scores = radial_scores(grey, fine, LARGEST_RADIUS_PX, 3.0)
    best = int(np.argmax(scores[:, 0]))
    return fine[best], int(scores[best, 1]), float(scores[best, 2])


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


@dataclass(frozen=True)
class _Fit:
    """A fit on its way: centre, radii, optics and motion blur are free.

    Attributes:
        u, v, x: (n,) pixels near the marker, and their grey levels. weight: (n,) how much each counts.
        on_marker: (n,) which are the marker's own. ringed: whether there is a ring.
        q: (7,) centre (u, v), disc, ring over disc, sigma, blur (u, v). free: (f,) which of them are sought, within
            low, high (7,). damping: of the next step.
    """

    u: Floats
    v: Floats
    x: Floats
    weight: Floats
    on_marker: NDArray[np.bool_]
    ringed: bool
    q: Floats
    free: NDArray[np.intp]
    low: Floats
    high: Floats
    damping: float = DAMPING

    def after(self, steps: int) -> _Fit:
        """The same so many steps on, or fewer where more would gain nothing."""
        q, damping = improved(
            self.u, self.v, self.x, self.weight, self.q, self.ringed, self.free, self.low, self.high, steps,
            self.damping,
        )  # fmt: skip
        return replace(self, q=q, damping=float(damping))

    def spot(self) -> Spot:
        """What it has come to."""
        a = covers(self.u, self.v, self.q, self.ringed)
        weights = levels(a, self.x, self.weight)
        # a pixel that the marker covers for half the exposure shows half of what lies behind it
        left, seen, whole = (x[self.on_marker] for x in (self.x - weights @ a, self.x, a[0] ** 2))
        amplitudes = weights if self.ringed else np.array([0.0, *weights])
        middle = float((whole + 1e-9) @ seen / np.sum(whole + 1e-9))
        explained = 1.0 - float(np.sum(whole * left**2) / max(np.sum(whole * (seen - middle) ** 2), 1e-9))
        disc, ratio, sigma = (float(q) for q in self.q[2:5])
        return Spot(
            self.q[:2], disc, ratio * disc if self.ringed else disc, sigma, self.q[5:7], amplitudes, explained,
            float(np.sqrt(np.mean(left**2))),
        )  # fmt: skip


def _begun(grey: Floats, centre: Floats, edges: tuple[float, float], blur: Sequence[float] | Floats) -> _Fit:
    """A fit that begins at a centre with the radii of disc and ring and a motion blur."""
    ringed = edges[1] > edges[0] + 0.6
    reach = int(np.ceil(edges[1] + np.hypot(*blur) / 2 + 4))
    first = np.maximum(np.round(centre).astype(int) - reach, 0)
    last = np.minimum(np.round(centre).astype(int) + reach + 1, [grey.shape[1], grey.shape[0]])
    u, v = np.meshgrid(np.arange(first[0], last[0]), np.arange(first[1], last[1]))
    x = grey[first[1] : last[1], first[0] : last[0]]
    near = np.hypot(u - centre[0], v - centre[1]) < reach
    u, v, x = (part[near].astype(np.float64) for part in (u, v, x))
    # what lies around the marker is not the marker's: it counts little in the fit and not in its quality
    on_marker = _from_sweep(u - centre[0], v - centre[1], blur) < edges[1]
    # the ring as a multiple of the disc: a ring inside its disc would explain a small smeared marker nearly as well
    q = np.array([centre[0], centre[1], edges[0], edges[1] / edges[0], 0.8, *blur])
    low = np.array([centre[0] - 4, centre[1] - 4, 1.2, NARROWEST_RING, 0.25, -30, -30])
    high = np.array([centre[0] + 4, centre[1] + 4, 40, 4.0, 3, 30, 30])
    # from no blur none is found: nothing tells its direction; a missing ring has no edge to move
    free = np.nonzero([True, True, True, ringed, True, *[bool(np.any(blur))] * 2])[0]
    return _Fit(
        u, v, x, np.where(on_marker, 1.0, AROUND), on_marker, ringed, np.clip(q, low, high), free, low, high
    )


def _fit(grey: Floats, centre: Floats, edges: tuple[float, float], blur: Sequence[float] | Floats) -> Spot:
    """The fit from one start, to its end."""
    return _begun(grey, centre, edges, blur).after(MOST_STEPS).spot()


def _from_sweep(du: Floats, dv: Floats, blur: Sequence[float] | Floats) -> Floats:
    """Distance of places (du, dv) from the stretch that the centre, at the origin, sweeps."""
    square = float(blur[0] ** 2 + blur[1] ** 2)
    along = np.clip((du * blur[0] + dv * blur[1]) / max(square, 1e-9), -0.5, 0.5)
    return np.asarray(np.hypot(du - along * blur[0], dv - along * blur[1]))
