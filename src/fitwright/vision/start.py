"""The first moments around the marked frame: which disc is which, how fast each moves, how long the exposure.

One mark tells where a marker is, not where it goes. Markers look alike, the nearest disc in the next frame may be
another marker, and the camera may have left a frame out. So every disc near enough in the neighbouring frames is
taken as a supposition about the velocity; each supposition is followed through the frames before and after the mark
as far as a body can accelerate; the one that explains most frames wins, and no two markers get the same disc.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.chains import FASTEST_TURN_RAD_S
from fitwright.vision.disc import DiscShape, fit_discs
from fitwright.vision.seek import Portrait, peaks, portrait
from fitwright.vision.snap import Spot
from fitwright.vision.video import LumaFrame

SPAN = 6
"""Frames on each side of the mark that are looked at."""
LEAST_GATE_PX = 2.5
SOON, LEAST_SHARE = 6, 0.2
"""A supposition is given up when in so many frames, the nearest ones, so small a share speaks for it (of all frames
0.8 and more for a right one, mostly 0.1 for a wrong one, on the films of the bench)."""
LEAST_FRAMES = 3
APART_PX = 5.0
"""Two centres nearer than this are the same disc."""
DEFAULT_EXPOSURE_S = 0.002
EXPOSURES_S = np.array(
    [0, 1 / 2000, 1 / 1000, 1 / 700, 1 / 500, 1 / 350, 1 / 250, 1 / 180, 1 / 120, 1 / 90, 1 / 60]
)


@dataclass(frozen=True)
class FirstMotion:
    """Attributes: velocity (P, 2) px/s and bend (P, 2) px/s² in the marked frame, NaN where not to be told;
    exposure_s; uv_px (K, P, 2) places in the frames looked at, NaN where not found; times (K,)."""

    velocity: Floats
    bend: Floats
    exposure_s: float
    uv_px: Floats
    times: Floats


@dataclass(frozen=True)
class _Supposition:
    """One possible motion of marker `i`: places (K, 2) in the frames, and how much speaks for it."""

    i: int
    uv: Floats
    weight: float


def first_motion(
    frames: Sequence[LumaFrame], marked: int, spots: Sequence[Spot], step_s: float, white: float,
    reach_px_per_s: float,
) -> FirstMotion:  # fmt: skip
    """How the markers `spots` found in frames[marked] move there.

    Args:
        frames: neighbours of the marked frame, in order. step_s: usual time between frames. white: grey level of
            the brightest pixel. reach_px_per_s: the fastest a marker may move.
    """
    shape = DiscShape(*(np.array([getattr(s, n) for s in spots]) for n in ("disc_px", "ring_px", "sigma_px")))
    scene = _Scene(frames, marked, white, reach_px_per_s)
    supposed = [
        s for i, spot in enumerate(spots)
        for s in scene.suppositions(i, spot, portrait(shape, i, spot.amplitudes, 1.0, spot.blur_px))
    ]  # fmt: skip
    uv = np.full((len(frames), len(spots), 2), np.nan)
    for chosen in _one_each(supposed, marked):
        uv[:, chosen.i] = chosen.uv
    times = np.array([f.time_s for f in frames])
    velocity, bend = motion_through(times, uv)
    exposure = _exposure(shape, frames, uv, velocity, step_s, 255.0 / white)
    return FirstMotion(velocity[marked], bend[marked], exposure, uv, times)


class _Scene:
    """The frames in which suppositions are followed."""

    def __init__(self, frames: Sequence[LumaFrame], marked: int, white: float, reach_px_per_s: float) -> None:
        self.frames, self.marked, self.per_grey, self.reach = frames, marked, 255.0 / white, reach_px_per_s
        self.times = np.array([f.time_s for f in frames])
        order = np.argsort(np.abs(np.arange(len(frames)) - marked), kind="stable")
        self.order = [int(k) for k in order if k != marked and abs(k - marked) <= SPAN]
        self.rules = dict[tuple[tuple[int, ...], int], tuple[list[int], Floats, float]]()

    def suppositions(self, i: int, spot: Spot, picture: Portrait) -> list[_Supposition]:
        """Every motion of one marker that begins with a disc in a neighbouring frame."""
        out: list[_Supposition] = []
        for k in self.order[:4]:
            away = abs(self.times[k] - self.times[self.marked])
            places, _ = peaks(
                self.frames[k].luma, picture, spot.uv_px, self.reach * away + 3.0, self.per_grey
            )
            for place in places:
                if any(np.hypot(*(s.uv[k] - place)) < 1.5 for s in out):
                    continue  # supposed already, from another frame
                out.append(self._followed(i, spot, picture, k, place))
        return out

    def _followed(self, i: int, spot: Spot, picture: Portrait, first: int, place: Floats) -> _Supposition:
        uv = np.full((len(self.frames), 2), np.nan)
        uv[self.marked], uv[first] = spot.uv_px, place
        weight = 0.0
        for looked, k in enumerate(k for k in self.order if k != first):
            if looked == SOON and weight < LEAST_SHARE * SOON:
                break  # nothing is where it should be: another disc
            expected, gate = self._expected(uv, k)
            if not np.isfinite(gate):
                continue
            places, likeness = peaks(self.frames[k].luma, picture, expected, gate, self.per_grey)
            if len(places) == 0:
                continue
            off = np.hypot(*(places - expected).T) / gate
            best = int(np.argmax(likeness - 0.5 * off**2))
            if off[best] <= 1.0:
                uv[k] = places[best]
                weight += float(likeness[best]) * (1.0 - 0.7 * float(off[best]) ** 2)
        return _Supposition(i, uv, weight)

    def _expected(self, uv: Floats, k: int) -> tuple[Floats, float]:
        """Place expected in frame k and how far from it the marker may be, px."""
        known = np.flatnonzero(np.isfinite(uv[:, 0]))
        near, weights, gate = self._rule(tuple(known.tolist()), k)
        return weights @ uv[near], gate

    def _rule(self, known: tuple[int, ...], k: int) -> tuple[list[int], Floats, float]:
        """Which of the frames in which a marker is known tell its place in frame k, the weight of each place by a
        polynomial through them, and the gate. Many suppositions are known in the same frames."""
        if (known, k) not in self.rules:
            near = sorted(known, key=lambda m: abs(self.times[m] - self.times[k]))[:4]
            t = self.times[near] - self.times[k]
            n = len(near)
            if abs(t[0]) > 0.07:
                self.rules[known, k] = near[:1], np.ones(1), np.inf
            else:
                part = t / np.abs(t).max()
                powers = np.stack([part * part, part, np.ones(n)][-min(n, 3) :], axis=1)
                missing = self.reach * FASTEST_TURN_RAD_S * t[0] * t[1] / 2
                if n > 2:  # what the next power of time would add
                    missing *= FASTEST_TURN_RAD_S * t[2] / 3
                weights = np.linalg.solve(powers.T @ powers, powers.T)[-1]
                self.rules[known, k] = near, weights, LEAST_GATE_PX + float(abs(missing))
        return self.rules[known, k]


def _one_each(supposed: list[_Supposition], marked: int) -> list[_Supposition]:
    """The best supposition of each marker, strongest first, none on a disc that another marker has."""
    chosen: list[_Supposition] = []
    for s in sorted(supposed, key=lambda s: -s.weight):
        seen = np.isfinite(s.uv[:, 0]).sum()
        if seen < LEAST_FRAMES or any(s.i == c.i or _shares(s, c, marked) for c in chosen):
            continue
        chosen.append(s)
    return chosen


def _shares(a: _Supposition, b: _Supposition, marked: int) -> bool:
    """Whether two suppositions use one disc in any frame but the marked one."""
    apart = np.hypot(*(a.uv - b.uv).T)
    apart[marked] = np.inf
    return bool(np.any(apart < APART_PX))


def motion_through(times: Floats, uv: Floats) -> tuple[Floats, Floats]:
    """Velocities px/s and accelerations px/s², (K, P, 2), by a polynomial through the places found; NaN for points
    seen less than three times."""
    out, bend = np.full_like(uv, np.nan), np.full_like(uv, np.nan)
    for i in range(uv.shape[1]):
        seen = np.isfinite(uv[:, i, 0])
        if seen.sum() < LEAST_FRAMES:
            continue
        degree = int(min(4, seen.sum() - 1, 2 + seen.sum() // 4))
        origin, span = times[seen].mean(), max(float(np.ptp(times[seen])), 1e-6)
        t = (times - origin) / span
        for a in (0, 1):
            p = np.polynomial.polynomial.Polynomial.fit(t[seen], uv[seen, i, a], degree, domain=[-1, 1])
            out[:, i, a], bend[:, i, a] = p.deriv()(t) / span, p.deriv(2)(t) / span**2
    out[~np.isfinite(uv)] = np.nan
    return out, bend


def _exposure(
    shape: DiscShape,
    frames: Sequence[LumaFrame],
    uv: Floats,
    velocity: Floats,
    step_s: float,
    per_grey: float,
) -> float:
    """Exposure time that explains best how the fastest markers are smeared; a parabola between tried values."""
    speed = np.nan_to_num(np.hypot(velocity[..., 0], velocity[..., 1]))
    rank = np.argsort(speed, axis=None)[::-1][:12]
    picked = [np.unravel_index(k, speed.shape) for k in rank if speed.flat[k] * step_s > 2.0]
    if len(picked) < 4:
        return DEFAULT_EXPOSURE_S
    tried = EXPOSURES_S[max(step_s, 1 / 240) + 1e-9 >= EXPOSURES_S]
    cost = np.zeros(len(tried))
    for k, i in picked:
        cost += _smear_costs(shape, i, frames[k], uv[k, i], velocity[k, i], tried, per_grey)
    best = int(np.argmin(cost))
    if not 0 < best < len(tried) - 1:
        return float(tried[best])
    a, b, _ = np.polyfit(tried[best - 1 : best + 2], cost[best - 1 : best + 2], 2)
    return float(np.clip(-b / (2 * a), tried[best - 1], tried[best + 1])) if a > 0 else float(tried[best])


def _smear_costs(
    shape: DiscShape, i: int | np.intp, frame: LumaFrame, uv: Floats, velocity: Floats, tried: Floats, per_grey: float
) -> NDArray[np.float64]:  # fmt: skip
    """Squared residual of one marker in one frame for each exposure tried, all fitted together."""
    n = len(tried)
    fit = fit_discs(
        shape, np.full(n, i), frame.luma, per_grey, np.tile(uv, (n, 1)), velocity * tried[:, None], np.ones(n), None,
        np.full(n, 2.0), np.full(n, 8.0), iterations=3,
    )  # fmt: skip
    return np.asarray(fit.rms**2, dtype=np.float64)
