"""Numbers at named events of the turn: extremes and where they occur, dead centres, range, mean.

"min" and "max" are means over turns of each turn's own extreme; "min_at"/"max_at" are read from the mean curve. An
extreme between two bins is found by the parabola through its three highest samples.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from fitwright.motion.cycles import (
    CUT_DEG,
    DRAWS,
    bootstrap_weights,
    small_sample_factor,
    u_of_mean,
    weighted_means,
)
from fitwright.motion.ride import THETA_DEG
from fitwright.quantity import Floats, Measured, combine

EVENT_BINS = {"tdc": 0, "q90": 90, "bdc": 180}
ALL_EVENTS = ("min", "max", "range", "mean", "tdc", "q90", "bdc", "min_at", "max_at")
MAX_MISSING = 0.05  # share of a turn that may be unseen before its extremes are not trusted


def extreme(curves: Floats, sign: int, *, closed: bool) -> tuple[Floats, Floats]:
    """Value and crank angle (deg) of the maximum (sign +1) or minimum (−1) of (m, 360) curves.

    `closed` curves (means) continue from 359° to 0°, single turns are torn at
    270°. NaN bins are passed over; a curve with
    over 5 % of them gives NaN.
    """
    y = sign * curves
    missing = ~np.isfinite(y)
    bad = missing.mean(axis=1) > MAX_MISSING
    y = np.where(missing, -np.inf, y)
    rows, k = np.arange(y.shape[0]), y.argmax(axis=1)
    left, top, right = y[rows, k - 1], y[rows, k], y[rows, (k + 1) % 360]
    with np.errstate(invalid="ignore", divide="ignore"):
        bend = left - 2 * top + right
        offset = 0.5 * (left - right) / bend
    usable = np.isfinite(offset) & (np.abs(offset) <= 1) & (closed | ((k != CUT_DEG) & (k != CUT_DEG - 1)))
    offset = np.where(usable, offset, 0.0)
    with np.errstate(invalid="ignore"):
        value = np.where(usable, top - 0.25 * (left - right) * offset, top)
    at = (THETA_DEG[k] + offset) % 360.0
    return np.where(bad, np.nan, sign * value), np.where(bad, np.nan, at)


def turn_events(turns: Floats) -> dict[str, Floats]:
    """Event → (n,) values, one for each turn of (n, 360)."""
    low, high = extreme(turns, -1, closed=False)[0], extreme(turns, 1, closed=False)[0]
    whole = np.isfinite(turns).mean(axis=1) >= 1 - MAX_MISSING
    mean = np.where(
        whole,
        np.where(np.isfinite(turns), turns, 0).sum(1) / np.maximum(np.isfinite(turns).sum(1), 1),
        np.nan,
    )
    out = {"min": low, "max": high, "range": high - low, "mean": mean}
    return out | {name: turns[:, k] for name, k in EVENT_BINS.items()}


def curve_events(curves: Floats) -> dict[str, Floats]:
    """Event → (m,) values of (m, 360) mean curves (closed), angles of the extremes included."""
    low, low_at = extreme(curves, -1, closed=True)
    high, high_at = extreme(curves, 1, closed=True)
    out = {"min": low, "max": high, "range": high - low, "mean": curves.mean(axis=1)}
    return (
        out | {name: curves[:, k] for name, k in EVENT_BINS.items()} | {"min_at": low_at, "max_at": high_at}
    )


def measure_events(
    turns: Floats, unit: str, method: str, deltas: Floats | None = None, u_common: float = 0.0,
    names: Sequence[str] = ALL_EVENTS,
) -> dict[str, Measured]:  # fmt: skip
    """Events of (n, 360) turns with combined uncertainty.

    Args:
        deltas: (S, 360) what each systematic error of one standard uncertainty does to the mean curve; the errors are
            independent of one another, each is fully correlated along the curve (so a plain offset leaves the range).
        u_common: a further offset-like uncertainty of every value, in `unit` (not of range or angles).

    Returns:
        event → value; an event seen in fewer than three turns (or half of them) is absent.
    """
    weights = bootstrap_weights(turns.shape[0])
    factor = small_sample_factor(turns.shape[0])
    mean = weighted_means(np.full((1, turns.shape[0]), 1 / turns.shape[0]), turns)
    shifted = mean + (np.zeros((0, 360)) if deltas is None else deltas)
    base, moved = curve_events(mean), curve_events(shifted)
    out: dict[str, Measured] = {}
    for name, values in turn_events(turns).items():
        seen = np.isfinite(values)
        if name not in names or seen.sum() < min(3, turns.shape[0]) or seen.mean() < 0.5:
            continue
        centre = float(values[seen].mean())
        spread = float(values[seen].std(ddof=1)) if seen.sum() > 1 else 0.0
        random = float(u_of_mean(float(np.nanstd(weighted_means(weights, values))), spread, int(seen.sum())))
        systematic = np.nan_to_num(moved[name] - base[name])
        common = 0.0 if name == "range" else u_common
        out[name] = Measured(centre, combine(random, common, *systematic.tolist()), unit, method)
    draws = weighted_means(weights, turns)
    for name, sign in (("min_at", -1), ("max_at", 1)):
        if name in names and np.isfinite(base[name][0]):
            centre = float(base[name][0])
            random = factor * _circular_spread(extreme(draws, sign, closed=True)[1], centre)
            systematic = np.nan_to_num((moved[name] - centre + 180.0) % 360.0 - 180.0)
            out[name] = Measured(
                centre, combine(random, *systematic.tolist()), "deg", f"crank angle, {method}"
            )
    return out


def _circular_spread(at_deg: Floats, centre_deg: float) -> float:
    away = (at_deg - centre_deg + 180.0) % 360.0 - 180.0
    return float(np.sqrt(np.nanmean(away**2))) if at_deg.size == DRAWS and np.isfinite(away).any() else 0.0
