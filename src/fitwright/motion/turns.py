"""Named points laid over the turn of the crank, and a quantity told from them: events and curve with combined u.

Shared by the side view, the front view and marker files.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from fitwright.motion.cycles import Cycles, cycle_curve, sample
from fitwright.motion.events import ALL_EVENTS, measure_events
from fitwright.motion.ride import CycleCurve, Events
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats

MANY_TURNS = 150
"""Two minutes at a usual cadence."""


def sample_points(traj: Trajectories, cycles: Cycles, origin_mm: Floats) -> dict[str, Floats]:
    """name → (n, 360, D) positions of every point, relative to `origin_mm` (D,); single precision (0.0001 mm) for a
    long film, whose turns fill the memory."""
    kind = np.float32 if cycles.count > MANY_TURNS else np.float64
    return {  # one by one: the splines of all points at once would take a tenth of a gigabyte for ten minutes
        name: sample(traj.time_s, traj.position_mm[:, i] - origin_mm, cycles.time_s).astype(kind, copy=False)
        for i, name in enumerate(traj.names)
    }


def mean_points(turns: Mapping[str, Floats]) -> dict[str, Floats]:
    """name → (360, D) mean over turns; bins never seen are NaN."""
    out = {}
    for name, x in turns.items():
        seen = np.isfinite(x)
        with np.errstate(invalid="ignore"):
            out[name] = np.where(seen, x, 0.0).sum(axis=0) / np.where(
                seen.any(axis=0), seen.sum(axis=0), np.nan
            )
    return out


def with_tracking(landmark_u_mm: Mapping[str, float], traj: Trajectories, turns: int) -> dict[str, float]:
    """Placement u and the tracker's random u of a mean over turns (cautious: the bootstrap holds part)."""
    out = {}
    for i, name in enumerate(traj.names):
        seen = traj.u_mm[:, i][np.isfinite(traj.u_mm[:, i])]
        random = float(np.median(seen)) / np.sqrt(turns) if seen.size else 0.0
        out[name] = float(np.hypot(landmark_u_mm.get(name, 0.0), random))
    return out


def timing_delta(turns: Floats, cadence_rpm: float, timing_u_s: float) -> Floats:
    """(1, 360) change of a mean curve when the crank angle is off by the timing error."""
    mean = mean_points({"x": turns})["x"]
    slope = (np.roll(mean, -1) - np.roll(mean, 1)) / 2.0
    return np.asarray((slope * cadence_rpm * 6.0 * timing_u_s)[None], dtype=np.float64)


def tell(
    name: str, unit: str, turns: Floats, method: str, deltas: Floats, u_common: float = 0.0,
    names: Sequence[str] = ALL_EVENTS,
) -> tuple[Events, CycleCurve]:  # fmt: skip
    """Events and curve of (n, 360) turns. deltas: (S, 360), u_common: see `measure_events`."""
    systematic = np.sqrt(np.nansum(deltas**2, axis=0) + u_common**2)
    events = measure_events(turns, unit, method, np.nan_to_num(deltas), u_common, names)
    return events, cycle_curve(name, unit, turns, systematic)
