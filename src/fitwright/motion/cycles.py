"""Cut a ride into turns of the crank and lay them over one another, 1° at a time.

Turns run from 270° to 270°: knee, hip and ankle have their extremes near the dead centres, and a cut there would tear
an extreme in two and count it for two turns. The bins still begin at top dead centre.

Sampling is aware of time: for each whole degree the moment is sought at which the crank passed it, and the motion is
read there by spline. What was not seen is not invented: such bins are NaN and leave the means of other turns alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.special import stdtrit

from fitwright.errors import InputError
from fitwright.motion.crank import TURN, times_at_angle
from fitwright.motion.ride import CycleCurve
from fitwright.quantity import Z95, Floats, Measured

MIN_CYCLES = 3
STABLE_CYCLES = 30
FEW_CYCLES = 8
DRAWS = 400
SEED = 20090417
CUT_DEG = 270


@dataclass(frozen=True)
class Cycles:
    """Whole turns of the crank.

    Attributes:
        time_s: (n, 360) moment at which turn i passes k degrees. start_s, end_s: (n,) when it begins and ends.
        dropped: number of turns left out because they were much slower or faster than the others (the rider
        stopped, started or changed the gear), or were not seen.
    """

    time_s: Floats
    start_s: Floats
    end_s: Floats
    dropped: int

    @property
    def count(self) -> int:
        """Number of whole turns."""
        return int(self.start_s.size)

    @property
    def cadence_rpm(self) -> Floats:
        """(n,) cadence of each turn."""
        return np.asarray(60.0 / (self.end_s - self.start_s), dtype=np.float64)

    def cadence(self, u_theta_rad: float) -> Measured:
        """Mean cadence of the whole turns.

        u comes from the timing of the passages that begin and end each unbroken run: u(t) = u(θ)/ω.
        """
        total = float((self.end_s - self.start_s).sum())
        rpm = 60.0 * self.count / total
        runs = 1 + int(np.sum(self.start_s[1:] - self.end_s[:-1] > 1e-6))
        u_time = u_theta_rad / (TURN * self.count / total)
        return Measured(
            rpm, rpm * float(np.sqrt(2.0 * runs)) * u_time / total, "rpm", "whole turns over time"
        )

    def notes(self) -> tuple[str, ...]:
        """What the number of turns means for trust, in words."""
        out = []
        if self.dropped:
            out.append(
                f"{self.dropped} turns left out: the rider stopped, or pedalled much slower or faster than else."
            )
        if self.count < STABLE_CYCLES:
            out.append(
                f"Only {self.count} whole turns; {STABLE_CYCLES} or more give a stable mean. Record longer."
            )
        return tuple(out)


def cut_cycles(time_s: Floats, theta_rad: Floats, minimum: int = MIN_CYCLES) -> Cycles:
    """Whole turns of an unwrapped crank angle (T,), each from 270° to the next 270°.

    A turn that lasts over 1.5 times or under 0.67 of the median is dropped: the rider stopped or changed pace.

    Raises:
        InputError: fewer than `minimum` turns are left.
    """
    low, high = np.nanmin(theta_rad), np.nanmax(theta_rad)
    cut = np.radians(float(CUT_DEG))
    turns = np.arange(np.ceil((low - cut) / TURN - 1e-9), np.floor((high - cut) / TURN + 1e-9))
    angles = turns[:, None] * TURN + cut + np.radians(np.arange(361.0))
    moments = times_at_angle(time_s, theta_rad, angles)
    duration = moments[:, -1] - moments[:, 0]
    known = np.isfinite(duration)
    keep = known & (
        np.abs(np.log(duration / (np.median(duration[known]) if known.any() else 1.0))) < np.log(1.5)
    )
    if int(keep.sum()) < minimum:
        raise InputError(
            "cycles", "too few whole turns of the crank at an even pace", value=int(keep.sum()),
            allowed=f"{minimum} or more", hint=f"Record at least 30 s of steady pedalling ({STABLE_CYCLES} turns)",
        )  # fmt: skip
    by_bin = np.roll(moments[keep][:, :360], CUT_DEG, axis=1)
    return Cycles(by_bin, moments[keep, 0], moments[keep, -1], int((~keep).sum()))


def sample(time_s: Floats, values: Floats, at_s: Floats) -> Floats:
    """Read (T, ...) values at times (n, 360) → (n, 360, ...) by cubic spline; inside a gap the answer is NaN.

    A gap is a hole between seen samples longer than 2.5 median steps (shorter ones were bridged before).
    """
    flat = values.reshape(values.shape[0], -1)
    out = np.full((at_s.size, flat.shape[1]), np.nan)
    when, longest = at_s.ravel(), 2.5 * float(np.median(np.diff(time_s)))
    finite = np.isfinite(flat)
    alike: dict[bytes, list[int]] = {}
    for column in range(flat.shape[1]):  # columns with the same holes share one spline
        alike.setdefault(finite[:, column].tobytes(), []).append(column)
    for columns in alike.values():
        seen = finite[:, columns[0]]
        if seen.sum() < 4:
            continue
        t = time_s[seen]
        after = np.clip(np.searchsorted(t, when), 1, t.size - 1)
        good = (when >= t[0]) & (when <= t[-1]) & (t[after] - t[after - 1] <= longest)
        out[np.ix_(good, columns)] = CubicSpline(t, flat[seen][:, columns])(when[good])
    return out.reshape(*at_s.shape, *values.shape[1:])


@lru_cache(maxsize=64)
def bootstrap_weights(cycles: int, draws: int = DRAWS, seed: int = SEED) -> Floats:
    """(draws, n) weights of a circular block bootstrap over turns (Politis & Romano 1992; from memory).

    Neighbouring turns resemble one another, so blocks of n^(1/3) turns are drawn. Rows sum to 1.
    """
    block = max(1, round(cycles ** (1 / 3)))
    rng = np.random.default_rng(seed)
    starts = rng.integers(0, cycles, (draws, -(-cycles // block)))
    drawn = ((starts[:, :, None] + np.arange(block)) % cycles).reshape(draws, -1)[:, :cycles]
    counts = np.zeros((draws, cycles))
    np.add.at(counts, (np.arange(draws)[:, None], drawn), 1.0)
    weights = counts / cycles
    weights.flags.writeable = False
    return weights


@lru_cache(maxsize=64)
def bootstrap_covariance(cycles: int) -> Floats:
    """(n, n) mean product of two turns' weights over the draws."""
    weights = bootstrap_weights(cycles)
    product = (weights.T @ weights) / weights.shape[0]
    product.flags.writeable = False
    return np.asarray(product, dtype=np.float64)


def small_sample_factor(cycles: int) -> float:
    """√(n/(n − b)): a block bootstrap of few turns knows too little spread; b is the block length."""
    block = max(1, round(cycles ** (1 / 3)))
    return float(np.sqrt(cycles / max(cycles - block, 1)))


def u_of_mean(bootstrap: Floats | float, sd: Floats | float, cycles: int) -> Floats:
    """Standard uncertainty of a mean over turns from the SD of the block bootstrap's means, such that ± 1.96 u is as
    wide as Student's interval makes it.

    Fewer than `FEW_CYCLES` turns make too few blocks, which may happen to be alike: there the SD between turns sets a
    lower bound.
    """
    n = max(cycles, 2)
    wide = small_sample_factor(n) * bootstrap
    if n < FEW_CYCLES:
        wide = np.fmax(wide, sd / np.sqrt(n))
    return np.asarray(wide * (stdtrit(n - 1, 0.975) / Z95), dtype=np.float64)


def weighted_means(weights: Floats, values: Floats) -> Floats:
    """(draws, ...) means of (n, ...) per-turn values; a NaN leaves the turn out of that mean only."""
    flat = values.reshape(values.shape[0], -1)
    seen = np.isfinite(flat)
    if seen.all():
        return np.asarray((weights @ flat).reshape(weights.shape[0], *values.shape[1:]), dtype=np.float64)
    total = weights @ np.where(seen, flat, 0.0)
    share = weights @ seen.astype(np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.where(share > 0, total / share, np.nan)
    return np.asarray(mean.reshape(weights.shape[0], *values.shape[1:]), dtype=np.float64)


def bootstrap_error(turns: Floats, mean: Floats) -> Floats:
    """(360,) standard deviation of the bootstrap's mean of (n, 360) turns about `mean`.

    A mean is linear in the weights, so their covariance gives it without drawing 360 columns; only a bin that some
    turn lacks is drawn.
    """
    whole = np.isfinite(turns).all(axis=0)
    away = np.where(whole, turns - mean, 0.0)
    product = bootstrap_covariance(turns.shape[0])
    out = np.sqrt(np.maximum(np.sum(away * (product @ away), axis=0), 0.0))
    if not whole.all():
        drawn = weighted_means(bootstrap_weights(turns.shape[0]), turns[:, ~whole]) - mean[~whole]
        out[~whole] = np.sqrt(np.mean(drawn**2, axis=0))
    return np.asarray(out, dtype=np.float64)


def cycle_curve(name: str, unit: str, turns: Floats, u_systematic: Floats | float = 0.0) -> CycleCurve:
    """Mean, SD between turns and combined u of (n, 360) turns; bins seen in fewer than three turns are NaN."""
    seen = np.isfinite(turns).sum(axis=0)
    enough = seen >= min(MIN_CYCLES, turns.shape[0])
    n = np.maximum(seen, 1)
    mean = np.where(enough, np.where(np.isfinite(turns), turns, 0.0).sum(axis=0) / n, np.nan)
    squares = np.where(np.isfinite(turns), (turns - mean) ** 2, 0.0).sum(axis=0)
    sd = np.where(enough, np.sqrt(squares / np.maximum(seen - 1, 1)), np.nan)
    random = u_of_mean(bootstrap_error(turns, mean), sd, turns.shape[0])
    u = np.where(enough, np.hypot(random, u_systematic), np.nan)
    return CycleCurve(name, unit, mean, sd, u, int(turns.shape[0]))
