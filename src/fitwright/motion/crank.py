"""From the path of a pedal axle to the crank angle, its dead centres and the cadence.

Crank angle θ: 0 at top dead centre, growing in the pedalling direction; axle at X = L sin θ, Y = L cos θ with X
forward. A cadence is told three ways (turns over time, zero crossings, spectrum) so that they can check one another.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d
from scipy.signal import detrend

from fitwright.errors import InputError
from fitwright.motion.circle import Circle, fit_circle
from fitwright.quantity import Floats

TURN = 2.0 * math.pi
HEIGHT_PASSES = 8


@dataclass(frozen=True)
class CrankMotion:
    """The crank during a recording.

    Attributes:
        theta_rad: (T,) unwrapped crank angle, NaN where the axle was not seen for long.
        u_theta_rad: random standard uncertainty of one θ. circle: the axle's circle (its centre is the
        bottom-bracket axis). direction: +1 pedalling forward, −1 backward (or a mirrored picture).
    """

    theta_rad: Floats
    u_theta_rad: float
    circle: Circle
    direction: int


def crank_from_axle(time_s: Floats, axle_xy_mm: Floats, *, field: str = "pedal_axle") -> CrankMotion:
    """Crank angle from the (T, 2) path of the pedal axle, X forward and Y up.

    The angle grows with time whichever way the path turns; `direction` says which way that was.

    Raises:
        InputError: no circle, or less than one turn.
    """
    circle = fit_circle(axle_xy_mm[:, 0], axle_xy_mm[:, 1], field=field)
    raw = np.arctan2(axle_xy_mm[:, 0] - circle.x_mm, axle_xy_mm[:, 1] - circle.y_mm)
    seen = np.isfinite(raw)
    theta = np.full(raw.shape, np.nan)
    theta[seen] = np.unwrap(raw[seen])
    span = float(theta[seen][-1] - theta[seen][0])
    direction = 1 if span >= 0 else -1
    if abs(span) < TURN:
        raise InputError(
            field,
            "less than one turn of the crank",
            value=round(abs(span) / TURN, 2),
            allowed="1 turn or more",
        )
    # A path seen mirrored runs backward: 0 stays at the top, the angle counts in the direction of motion.
    return CrankMotion(direction * theta, circle.residual_sd_mm / circle.radius_mm, circle, direction)


def angle_from_height(time_s: Floats, height_mm: Floats, *, field: str = "pedal") -> Floats:
    """(T,) unwrapped crank angle from a pedal's height alone (front view, where X is not seen).

    Height = mean + L cos θ is steep at 90° and 270° and flat at the dead centres. So θ runs through the mid-height
    crossings first, and is then corrected by the height with weight sin²θ, averaged over a tenth of half
    a turn, until it settles.
    """
    seen = np.isfinite(height_mm)
    t, y = time_s[seen], height_mm[seen]
    if t.size < 8:
        raise InputError(field, "seen in too few frames", value=int(t.size), allowed="8 or more")
    middle, amplitude = _height_range(y)
    down, up = crossings(t, y - middle, rising=False), crossings(t, y - middle, rising=True)
    if down.size + up.size < 3:
        raise InputError(field, "does not go up and down often enough", value=int(down.size + up.size),
                         allowed="3 or more crossings of mid-height")  # fmt: skip
    at = np.sort(np.concatenate([down, up]))
    start = 0.5 if down.size and down[0] == at[0] else 1.5  # going down through the middle is θ = 90°
    theta = _extended(at, math.pi * (start + np.arange(at.size, dtype=np.float64)), t)
    for _ in range(HEIGHT_PASSES):
        theta = theta + _height_correction(t, theta, (y - middle) / amplitude, at)
        design = np.column_stack([np.ones_like(t), np.cos(theta)])
        (middle, amplitude), *_ = np.linalg.lstsq(design, y, rcond=None)
    out = np.full(height_mm.shape, np.nan)
    out[seen] = theta
    return out


def _height_range(y: Floats) -> tuple[float, float]:
    low, high = np.percentile(y, [1, 99])
    return float(low + high) / 2, max(float(high - low) / 2, 1e-9)


def _extended(at: Floats, theta_at: Floats, t: Floats) -> Floats:
    """θ through known times, straight beyond the first and last of them."""
    inside = PchipInterpolator(at, theta_at)(np.clip(t, at[0], at[-1]))
    rate = (theta_at[-1] - theta_at[0]) / (at[-1] - at[0])
    return np.asarray(
        inside + rate * (np.minimum(t - at[0], 0) + np.maximum(t - at[-1], 0)), dtype=np.float64
    )


def _height_correction(t: Floats, theta: Floats, cosine: Floats, at: Floats) -> Floats:
    half_turn = float(np.median(np.diff(at)))
    sine = np.sin(theta)
    pull = -sine * (cosine - np.cos(theta))  # = weight sin² × error of θ, finite at the dead centres
    step = float(np.median(np.diff(t)))
    grid = np.arange(t[0], t[-1] + step, step)
    width = half_turn / 10 / step
    top = gaussian_filter1d(np.interp(grid, t, pull), width)
    weight = gaussian_filter1d(np.interp(grid, t, sine**2), width)
    return np.asarray(np.interp(t, grid, top / np.maximum(weight, 1e-9)), dtype=np.float64)


def crossings(time_s: Floats, value: Floats, *, rising: bool = True) -> Floats:
    """Times at which a curve crosses zero upward (or downward), by straight interpolation; NaN never counts."""
    x = value if rising else -value
    i = np.flatnonzero((x[:-1] < 0) & (x[1:] >= 0))
    return np.asarray(time_s[i] - x[i] / (x[i + 1] - x[i]) * (time_s[i + 1] - time_s[i]), dtype=np.float64)


def times_at_angle(time_s: Floats, theta_rad: Floats, wanted_rad: Floats) -> Floats:
    """Times (any shape) at which the crank passes the wanted unwrapped angles; NaN outside the recording.

    Monotone in θ: frames that step back (a rider who stops or turns back, noise) are skipped until the largest angle
    so far is exceeded again, so that each angle has one time.
    """
    seen = np.isfinite(theta_rad)
    theta, t = theta_rad[seen], time_s[seen]
    forward = np.concatenate([[True], theta[1:] > np.maximum.accumulate(theta)[:-1] + 1e-9])
    return np.asarray(
        PchipInterpolator(theta[forward], t[forward], extrapolate=False)(wanted_rad), dtype=np.float64
    )


def tdc_times(time_s: Floats, theta_rad: Floats) -> Floats:
    """Times of top dead centre (θ a whole multiple of 2π), in order."""
    low, high = np.nanmin(theta_rad), np.nanmax(theta_rad)
    turns = np.arange(math.ceil(low / TURN), math.floor(high / TURN) + 1, dtype=np.float64)
    t = times_at_angle(time_s, theta_rad, turns * TURN)
    return t[np.isfinite(t)]


def cadence_from_slope(time_s: Floats, theta_rad: Floats) -> float:
    """Cadence in rpm as the whole angle over the whole time, parts of turns included."""
    seen = np.flatnonzero(np.isfinite(theta_rad))
    a, b = seen[0], seen[-1]
    return float((theta_rad[b] - theta_rad[a]) / TURN / (time_s[b] - time_s[a]) * 60.0)


def cadence_from_crossings(time_s: Floats, height_mm: Floats) -> tuple[float, int]:
    """Cadence in rpm from upward crossings of a foot point's mean height, and the number of whole cycles."""
    t = crossings(time_s, height_mm - np.nanmean(height_mm))
    if t.size < 2:
        raise InputError("height", "fewer than two upward crossings", value=int(t.size), allowed="2 or more")
    return 60.0 * (t.size - 1) / float(t[-1] - t[0]), int(t.size - 1)


def cadence_from_spectrum(time_s: Floats, height_mm: Floats) -> float:
    """Cadence in rpm at the peak of the Hann-windowed spectrum (zero-padded); time must be nearly uniform."""
    seen = np.isfinite(height_mm)
    step = float(np.median(np.diff(time_s)))
    grid = np.arange(time_s[0], time_s[-1] + step / 2, step)
    x = detrend(np.interp(grid, time_s[seen], height_mm[seen])) * np.hanning(grid.size)
    size = 1 << max(14, math.ceil(math.log2(grid.size)) + 8)
    power = np.abs(np.fft.rfft(x, size))
    return float(60.0 * np.fft.rfftfreq(size, step)[int(power.argmax())])
