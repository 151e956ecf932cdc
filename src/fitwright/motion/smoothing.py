"""Noise out, motion in: zero-lag Butterworth, its cut-off by residual analysis, short gaps by spline.

A second-order filter run forward and backward is a fourth-order one without lag; each pass must be a little wider
than what is wanted together: C = (2^(1/2) − 1)^(1/4) = 0.802 (Winter 2009, ch. 3). The cut-off is found where the
residual equals the noise (Winter 2009, "residual analysis").
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.signal import butter, detrend, sosfiltfilt
from scipy.signal.windows import blackmanharris

from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats

DOUBLE_PASS = (2.0**0.5 - 1.0) ** 0.25
MIN_SAMPLES = 24
Smoothed = tuple[Trajectories, dict[str, dict[str, Any]]]
"""Trajectories and, per point, what was done to it: see `smooth_trajectories`."""
# Turns are averaged afterwards, which removes noise but no bias. On a simulated leg at 87 rpm a cut-off of 7 Hz lifts
# the smallest knee flexion by 0.2°, 10 Hz by 0.05°, 12 Hz by 0.02°; so residual analysis may not go below 12 Hz.
LOWEST_HZ, HIGHEST_HZ = 12.0, 20.0
TRIED = np.linspace(0.02, 0.42, 81)
"""Cut-offs, as shares of the rate, at which the residual is told."""
TAIL_FROM = 0.25  # of the rate; above that a marker on a rider moves by noise alone
MAX_GAP_S = 0.10


def butterworth(x: Floats, rate_hz: float, cutoff_hz: float) -> Floats:
    """Zero-lag low-pass along axis 0 whose gain is 1/√2 at `cutoff_hz` after both passes.

    x: (T, ...), uniform in time, no NaN; fewer than 24 samples come back as they are.
    """
    if x.shape[0] < MIN_SAMPLES:
        return x.copy()
    pad = min(x.shape[0] - 1, max(9, round(rate_hz / cutoff_hz)))
    return np.asarray(sosfiltfilt(_sections(rate_hz, cutoff_hz), x, axis=0, padlen=pad), dtype=np.float64)


@lru_cache(maxsize=64)
def _sections(rate_hz: float, cutoff_hz: float) -> Floats:
    """Second-order sections of one pass; most points of a film have the same."""
    # The correction belongs to the warped frequency tan(π f / rate), as Winter has it; then the gain is exact.
    corrected = rate_hz / math.pi * math.atan(math.tan(math.pi * cutoff_hz / rate_hz) / DOUBLE_PASS)
    return np.asarray(butter(2, corrected, fs=rate_hz, output="sos"))


@dataclass(frozen=True)
class ResidualAnalysis:
    """What the filter takes away, by cut-off, and where that equals the noise.

    Attributes:
        cutoff_hz: where the residual equals the noise. noise: its standard deviation, unit of the input.
        frequencies_hz, residual: (F,) the curve. line: (F,) what this filter takes away from white noise of that
            size; it was fitted to the curve where `fitted_from_hz` is exceeded.
    """

    cutoff_hz: float
    noise: float
    frequencies_hz: Floats
    residual: Floats
    line: Floats
    fitted_from_hz: float

    def to_json(self, every: int = 2) -> dict[str, Any]:
        """For the record: each `every`-th place of the curve, four significant digits."""

        def pack(x: Floats) -> list[float]:
            return [float(f"{v:.4g}") for v in x[::every]]

        return {
            "found_hz": round(self.cutoff_hz, 3), "fitted_from_hz": round(self.fitted_from_hz, 3),
            "frequencies_hz": pack(self.frequencies_hz), "residual_mm": pack(self.residual),
            "line_mm": pack(self.line),
        }  # fmt: skip


def residual_analysis(x: Floats, rate_hz: float) -> ResidualAnalysis:
    """Noise and cut-off of (T,) or (T, D) uniform samples (D axes share one cut-off).

    The residual is what the filter takes away, by cut-off. Winter draws a straight line through its tail, where only
    noise is left, back to 0 Hz. Here the line is the curve that white noise makes through this very filter, fitted to
    the tail (0.25 to 0.42 of the rate); at 0 Hz it takes all, so its value there
    is the noise. All cut-offs come from one spectrum.
    """
    x = x.reshape(x.shape[0], -1)
    window = blackmanharris(x.shape[0])[:, None]  # keeps the large slow motion out of the small fast noise
    spectrum = np.fft.rfft(window * detrend(x, axis=0), axis=0)
    power = 2.0 * (np.abs(spectrum) ** 2).mean(axis=1) / x.shape[0] / float((window**2).sum())
    frequencies = TRIED * rate_hz
    shares = _shares(x.shape[0])
    squared = (shares @ power.astype(np.float32)).astype(np.float64)
    white = shares.mean(axis=1, dtype=np.float64)
    tail = frequencies >= TAIL_FROM * rate_hz
    variance = float(squared[tail] @ white[tail] / (white[tail] @ white[tail]))
    above = np.flatnonzero(squared >= variance)
    last = int(above[-1]) if above.size else 0
    cutoff = float(frequencies[min(last + 1, frequencies.size - 1)])
    if above.size and last + 1 < frequencies.size:
        step = squared[last] - squared[last + 1]
        share = (squared[last] - variance) / step if step > 0 else 0.0
        cutoff = float(frequencies[last] + share * (frequencies[last + 1] - frequencies[last]))
    return ResidualAnalysis(
        cutoff, float(np.sqrt(variance)), frequencies, np.sqrt(squared), np.sqrt(variance * white),
        TAIL_FROM * rate_hz,
    )  # fmt: skip


@lru_cache(maxsize=1)
def _shares(samples: int) -> NDArray[np.float32]:
    """(F, K) share that a double-pass Butterworth with each of the cut-offs `TRIED` takes of each frequency of so
    many samples; the points of a film have the same."""
    fourth = np.tan(np.pi * np.minimum(np.fft.rfftfreq(samples), 0.4999)) ** 4
    edges = (np.tan(np.pi * TRIED) / DOUBLE_PASS) ** 4
    out = np.empty((edges.size, fourth.size), np.float32)
    for row, edge in zip(out, edges, strict=True):
        row[:] = (fourth / (fourth + edge)) ** 2
    return out


def kept_cutoff(found_hz: float, rate_hz: float) -> float:
    """The cut-off that is used: what the analysis found, within `LOWEST_HZ` to `HIGHEST_HZ` and 0.35 of the rate."""
    return float(min(np.clip(found_hz, LOWEST_HZ, HIGHEST_HZ), 0.35 * rate_hz))


def fill_short_gaps(time_s: Floats, x: Floats, max_gap_s: float = MAX_GAP_S) -> Floats:
    """Bridge gaps of (T, D) by a cubic spline when the hole between seen samples is ≤ `max_gap_s`; longer gaps stay.

    A row counts as seen when all its columns are finite; ends are never extrapolated.
    """
    seen = np.asarray(np.isfinite(x).all(axis=1))
    if seen.all() or seen.sum() < 4:
        return x.copy()
    t = time_s[seen]
    after = np.searchsorted(t, time_s)
    inside = (after > 0) & (after < t.size) & ~seen
    hole = t[np.clip(after, 1, t.size - 1)] - t[np.clip(after, 1, t.size - 1) - 1]
    bridge = inside & (hole <= max_gap_s + 1e-9)
    out = np.where(seen[:, None], x, np.nan)
    if bridge.any():
        out[bridge] = CubicSpline(t, x[seen])(time_s[bridge])
    return out


def smooth(
    time_s: Floats, x: Floats, cutoff_hz: float | None = None
) -> tuple[Floats, float, ResidualAnalysis | None]:
    """Smooth (T, D) samples at true times; NaN rows stay NaN and split the filtering.

    Non-uniform time is resampled by spline to its median step, filtered and read back at the given times.

    Returns:
        the smoothed samples, the cut-off in Hz (by residual analysis of the longest stretch when not given) and that
        analysis (None when the cut-off was given or nothing was long enough).
    """
    out, found = x.copy(), None
    seen = stretches(np.asarray(np.isfinite(x).all(axis=1)))
    for stretch in sorted(
        seen, key=lambda s: s.start - s.stop
    ):  # the longest first: it finds the cut-off for all
        t = time_s[stretch]
        if t.size < MIN_SAMPLES:
            continue
        step = float(np.median(np.diff(time_s)))
        uniform = bool(np.all(np.abs(np.diff(t) - step) < 0.01 * step))
        grid = t if uniform else t[0] + step * np.arange(int(np.ceil((t[-1] - t[0]) / step - 1e-6)) + 1)
        values = x[stretch] if uniform else CubicSpline(t, x[stretch])(np.minimum(grid, t[-1]))
        if cutoff_hz is None:
            found = residual_analysis(values, 1 / step)
            cutoff_hz = kept_cutoff(found.cutoff_hz, 1 / step)
        filtered = butterworth(values, 1 / step, cutoff_hz)
        out[stretch] = filtered if uniform else CubicSpline(grid, filtered)(t)
    return out, float("nan") if cutoff_hz is None else cutoff_hz, found


def stretches(frames: np.ndarray[Any, np.dtype[np.bool_]]) -> list[slice]:
    """Runs of frames (T,) that are all True, in order."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], frames, [False]]).astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def smooth_trajectories(
    traj: Trajectories, cutoff_hz: float | None = None, max_gap_s: float = MAX_GAP_S
) -> Smoothed:
    """All points smoothed, each with its own cut-off, short gaps bridged.

    Returns:
        the trajectories and, per point, `{"cutoff_hz", "noise_mm", "missing", "bridged", "residual"}`: cut-off used
        and noise found (None where no stretch was long enough), frames not seen and bridged, and the curve behind the
        cut-off (`ResidualAnalysis.to_json`, None without one).
    """
    position, facts = traj.position_mm.copy(), dict[str, dict[str, Any]]()
    for i, name in enumerate(traj.names):
        raw = traj.position_mm[:, i]
        filled = fill_short_gaps(traj.time_s, raw, max_gap_s)
        position[:, i], cutoff, found = smooth(traj.time_s, filled, cutoff_hz)
        missing = int((~np.isfinite(raw).all(axis=1)).sum())
        still = int((~np.isfinite(filled).all(axis=1)).sum())
        facts[name] = {
            "cutoff_hz": cutoff if math.isfinite(cutoff) else None,
            "noise_mm": None if found is None else found.noise,
            "missing": missing,
            "bridged": missing - still,
            "residual": None if found is None else found.to_json(),
        }
    return replace(traj, position_mm=position), facts
