"""The first moments around the marked frame: which disc is which, how fast each moves, how long the exposure.

One mark tells where a marker is, not where it goes. Markers look alike, the nearest disc in the next frame may be
another marker, and the camera may have left a frame out. So every disc near enough in the neighbouring frames is
taken as a supposition about the velocity; each supposition is followed through the frames before and after the mark
as far as a body can accelerate; the one that explains most frames wins, and no two markers get the same disc. Where a
long exposure smears the marks, and few frames a second leave much room for guesses, motions along the smear are
supposed as well, as fast as it says at the exposure on which most markers agree, and followed with the smear that the
disc has in each frame.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.chains import FASTEST_TURN_RAD_S
from fitwright.vision.disc import DiscShape, fit_discs
from fitwright.vision.markers import shape_of
from fitwright.vision.seek import peaks, portrait
from fitwright.vision.snap import Spot
from fitwright.vision.video import LumaFrame

SPAN = 6
"""Frames on each side of the mark that are at hand."""
SPAN_S, LEAST_SPAN = 0.13, 3
"""So far from the mark, and so many frames at least, a motion is followed: a third of a turn in all, which a
polynomial can describe."""
LEAST_GATE_PX = 2.5
SOON, LEAST_SHARE = 6, 0.2
"""A supposition is given up when in so many frames, the nearest ones, so small a share speaks for it (of all frames
0.8 and more for a right one, mostly 0.1 for a wrong one, on the films of the bench)."""
LEAST_FRAMES = 3
APART_PX = 5.0
"""Two centres nearer than this are the same disc."""
DEFAULT_EXPOSURE_S = 0.002
SMEARED_PX, SMEAR_U_PX = 3.0, 0.5
"""A marker smeared by so much in the marked frame shows how it moves there, but for the sign; its uncertainty (our
choice: on the films of the bench 0.1 to 0.5 px)."""
OFF_PX = 5.0
"""A motion bent more than a body can bend it is told by more than this within the frames looked at."""
ASTRAY_PX = 1.5
"""A motion that would smear its marker in another direction, by more than this, does not tell the exposure."""
ALIKE = 1.25
"""Exposures that differ by no more than this factor are the same one."""
EXPOSURES_S = np.array([0, *(1 / n for n in (2000, 1000, 700, 500, 350, 250, 180, 120, 90, 60, 50, 40, 30))])


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


@dataclass(frozen=True)
class _Smear:
    """How a marker is smeared in the marked frame, exposed for `exposure_s`: where it is (2,) px, and from one end to
    the other (2,) px."""

    exposure_s: float
    uv_px: Floats
    along_px: Floats

    @property
    def ends_px(self) -> Floats:
        """(2, 2) where it was when the exposure began and ended."""
        return np.stack([self.uv_px - 0.5 * self.along_px, self.uv_px + 0.5 * self.along_px])


def first_motion(
    frames: Sequence[LumaFrame], marked: int, spots: Sequence[Spot], step_s: float, white: float,
    reach_px_per_s: float,
) -> FirstMotion:  # fmt: skip
    """How the markers `spots` found in frames[marked] move there.

    Args:
        frames: neighbours of the marked frame, in order. step_s: usual time between frames. white: grey level of
            the brightest pixel. reach_px_per_s: the fastest a marker may move.
    """
    shape = shape_of(spots)
    scene = _Scene(frames, marked, white, reach_px_per_s, shape, spots)
    supposed = [s for i in range(len(spots)) for s in scene.suppositions(i)]
    supposed += [s for i, smear in scene.smears(supposed) for s in scene.suppositions(i, smear)]
    uv = np.full((len(frames), len(spots), 2), np.nan)
    for chosen in _one_each(supposed, marked):
        uv[:, chosen.i] = chosen.uv
    times = np.array([f.time_s for f in frames])
    velocity, bend = motion_through(times, uv)
    exposure = _exposure(shape, frames, uv, velocity, step_s, 255.0 / white)
    return FirstMotion(velocity[marked], bend[marked], exposure, uv, times)


class _Scene:
    """The frames in which suppositions are followed."""

    def __init__(
        self, frames: Sequence[LumaFrame], marked: int, white: float, reach_px_per_s: float, shape: DiscShape,
        spots: Sequence[Spot],
    ) -> None:  # fmt: skip
        self.shape, self.spots = shape, spots
        self.pictures = [portrait(shape, i, s.amplitudes, 1.0, s.blur_px) for i, s in enumerate(spots)]
        self.frames, self.marked, self.per_grey, self.reach = frames, marked, 255.0 / white, reach_px_per_s
        self.times = np.array([f.time_s for f in frames])
        order = np.argsort(np.abs(np.arange(len(frames)) - marked), kind="stable")
        near = np.abs(self.times - self.times[marked]) < SPAN_S
        near[max(0, marked - LEAST_SPAN) : marked + LEAST_SPAN + 1] = True
        self.order = [int(k) for k in order if k != marked and near[k]]
        self.rules = dict[tuple[tuple[int, ...], int, float], tuple[list[int], Floats, float]]()

    def suppositions(self, i: int, smear: _Smear | None = None) -> list[_Supposition]:
        """Every motion of marker i that begins with a disc in a neighbouring frame and that a body can make; where a
        smear is told, those that begin where it says that the marker goes."""
        out: list[_Supposition] = []
        for k in self.order[:4]:
            uv = np.full((len(self.frames), 2), np.nan)
            uv[self.marked] = self.spots[i].uv_px
            if smear is None:
                expected, velocity = uv[self.marked], None
                gate = self.reach * abs(self.times[k] - self.times[self.marked]) + 3.0
            else:
                expected, gate, velocity = self._expected(uv, k, smear)
            for place in self._found(i, k, expected, gate, velocity, smear)[0]:
                if any(np.hypot(*(s.uv[k] - place)) < 1.5 for s in out):
                    continue  # supposed already, from another frame
                out.append(self._followed(i, k, place, smear))
        return [s for s in out if self.can_be(s)]

    def _found(
        self, i: int, k: int, expected: Floats, gate: float, velocity: Floats | None, smear: _Smear | None
    ) -> tuple[Floats, Floats]:
        """Places (N, 2) in frame k that look like marker i, and likenesses (N,): smeared as in the marked frame or,
        where the exposure is told, by its velocity there."""
        if not np.isfinite(gate):
            return np.zeros((0, 2)), np.zeros(0)
        picture = self.pictures[i]
        if smear is not None and velocity is not None:
            picture = portrait(self.shape, i, self.spots[i].amplitudes, 1.0, smear.exposure_s * velocity)
        return peaks(self.frames[k].luma, picture, expected, gate, self.per_grey)

    def _followed(self, i: int, first: int, place: Floats, smear: _Smear | None) -> _Supposition:
        uv = np.full((len(self.frames), 2), np.nan)
        uv[self.marked], uv[first] = self.spots[i].uv_px, place
        weight = 0.0
        for looked, k in enumerate(k for k in self.order if k != first):
            if looked == SOON and weight < LEAST_SHARE * SOON:
                break  # nothing is where it should be: another disc
            expected, gate, velocity = self._expected(uv, k, smear)
            places, likeness = self._found(i, k, expected, gate, velocity, smear)
            if len(places) == 0:
                continue
            off = np.hypot(*(places - expected).T) / gate
            best = int(np.argmax(likeness - 0.5 * off**2))
            if off[best] <= 1.0:
                uv[k] = places[best]
                weight += float(likeness[best]) * (1.0 - 0.7 * float(off[best]) ** 2)
        return _Supposition(i, uv, weight)

    def can_be(self, supposed: _Supposition) -> bool:
        """Whether a body can bend its way like that: to be off by a few pixels in every frame is allowed."""
        seen = np.isfinite(supposed.uv[:, 0])
        bend = motion_through(self.times, supposed.uv[:, None])[1][self.marked, 0]
        beyond = float(np.hypot(*bend)) - FASTEST_TURN_RAD_S * self.reach
        lasts_s = float(np.abs(self.times[seen] - self.times[self.marked]).max())
        return not beyond * lasts_s**2 / 2 > OFF_PX

    def smears(self, supposed: Sequence[_Supposition]) -> list[tuple[int, _Smear]]:
        """Each marker that is smeared in the marked frame, and how, either way; none when no exposure is told."""
        along = {i: s.blur_px for i, s in enumerate(self.spots) if np.hypot(*s.blur_px) >= SMEARED_PX}
        motion = [(s, self._velocity(s.uv)) for s in supposed if s.i in along]
        exposure_s = _exposure_by_smear([(s, v) for s, v in motion if v is not None], along)
        if exposure_s is None:
            return []
        return [
            (i, _Smear(exposure_s, self.spots[i].uv_px, way * px))
            for i, px in along.items()
            for way in (1.0, -1.0)
        ]

    def _velocity(self, uv: Floats) -> Floats | None:
        """(2,) px/s in the marked frame of places (K, 2), if enough of them are known."""
        velocity = motion_through(self.times, uv[:, None])[0][self.marked, 0]
        return None if np.isnan(velocity[0]) else np.asarray(velocity)

    def _expected(self, uv: Floats, k: int, smear: _Smear | None) -> tuple[Floats, float, Floats]:
        """Place expected in frame k, how far from it the marker may be, px, and the velocity there, px/s."""
        known = tuple(np.flatnonzero(np.isfinite(uv[:, 0])).tolist())
        near, weights, gate = self._rule(known, k, 0.0 if smear is None else smear.exposure_s)
        if smear is not None:
            uv = np.concatenate([uv, smear.ends_px])
        place, velocity = weights @ uv[near]
        return place, gate, velocity

    def _rule(self, known: tuple[int, ...], k: int, exposure_s: float) -> tuple[list[int], Floats, float]:
        """Which of the places that are known tell that in frame k, their weights (2, N) for place and velocity by a
        polynomial through them, and the gate; after the frames come the two ends of a smear that lasts `exposure_s`
        (0: there is none). Many suppositions are known in the same frames."""
        if (known, k, exposure_s) not in self.rules:
            half = 0.5 * exposure_s
            times = np.concatenate([self.times, self.times[self.marked] + np.array([-half, half])])
            frames = len(self.frames)
            among = [*known, frames, frames + 1] if exposure_s else list(known)
            near = sorted(among, key=lambda m: abs(times[m] - times[k]))[:4]
            t = times[near] - times[k]
            n = len(near)
            if min(abs(times[m] - times[k]) for m in known) > 0.07:
                near, weights, gate = near[:1], np.array([[1.0], [0.0]]), np.inf
            else:
                # the ends tell a speed, but no bend of its own
                order = min(n, 3, len(known) + (1 if exposure_s else 0))
                part = t / np.abs(t).max()
                powers = np.stack([part * part, part, np.ones(n)][-order:], axis=1)
                missing = self.reach * FASTEST_TURN_RAD_S * t[0] * t[1] / 2
                if order > 2:  # what the next power of time would add
                    missing *= FASTEST_TURN_RAD_S * t[2] / 3
                by_power = np.linalg.solve(powers.T @ powers, powers.T)
                weights = np.stack([by_power[-1], by_power[-2] / np.abs(t).max()])
                unsure = 2 * SMEAR_U_PX * float(np.linalg.norm(weights[0, np.array(near) >= frames]))
                gate = LEAST_GATE_PX + float(abs(missing)) + unsure
            self.rules[known, k, exposure_s] = near, weights, gate
        return self.rules[known, k, exposure_s]


def _exposure_by_smear(
    motion: Sequence[tuple[_Supposition, Floats]], smear: Mapping[int, Floats]
) -> float | None:
    """The exposure (s) at which the smears (2,) px of most markers, two at least, fit a motion supposed for them."""
    told = []
    for s, velocity in motion:
        exposure_s = float(np.hypot(*smear[s.i])) / max(float(np.hypot(*velocity)), 1e-6)
        if _astray_px(velocity, smear[s.i], exposure_s) < ASTRAY_PX:
            told.append((exposure_s, s))
    best, most = None, 0.0
    for exposure_s, _ in told:
        votes: dict[int, float] = {}
        for other_s, s in told:
            if 1 / ALIKE < other_s / exposure_s < ALIKE:
                votes[s.i] = max(votes.get(s.i, 0.0), s.weight)
        if len(votes) > 1 and sum(votes.values()) > most:
            best, most = exposure_s, sum(votes.values())
    return best


def _astray_px(velocity: Floats, smear: Floats, exposure_s: float) -> float:
    """How far a smear (2,) px is from that of a motion (2,) px/s, whichever way."""
    return float(min(np.hypot(*(velocity * exposure_s - s)) for s in (smear, -smear)))


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
