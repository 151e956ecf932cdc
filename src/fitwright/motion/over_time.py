"""A ride by time instead of by crank angle: points, angles and crank angle frame by frame, each told what it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.interpolate import CubicSpline

from fitwright.errors import InputError
from fitwright.motion.angles import SOLE, joint_angles, toe_out
from fitwright.motion.crank import crank_from_axle
from fitwright.motion.front import crank_angle
from fitwright.motion.ride import RideResult
from fitwright.motion.smoothing import MAX_GAP_S, smooth_trajectories
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats

AXIS_WORDS = {"X": "forward", "Y": "up", "Z": "to the rider's right"}
SIGNS = {
    "crank_angle": "0 where this foot is at the top, grows in the pedalling direction",
    "knee_flexion": "180 less the angle at the knee, 0 straight",
    "hip_flexion": "180 less the angle trunk to thigh, 0 in line",
    "thigh_to_horizontal": "thigh against the horizontal, knee above hip positive",
    "sole_pitch": "sole against the horizontal, heel up positive",
    "ankle_plantarflexion": "angle shank to sole less 90, toes down positive",
    "trunk_inclination": "hip to acromion against the horizontal, 90 upright",
    "shoulder_flexion": "angle trunk to upper arm, 0 along the trunk",
    "elbow_flexion": "180 less the angle at the elbow, 0 straight",
    "foot_yaw": "sole line in the ground plane, toe-out positive",
    "knee_outward": "knee outward of the pedal centre, front view, outward positive",
}
EVEN_S = 5e-5
"""Frames that lie no further than this from even steps count as evenly spaced."""


@dataclass(frozen=True)
class Channel:
    """One column of numbers: what it is called, its unit, what it means and which way is positive, (T,) values."""

    name: str
    unit: str
    about: str
    values: Floats

    @property
    def header(self) -> str:
        """`knee_flexion_right_deg`."""
        return f"{self.name}_{self.unit}" if self.unit else self.name


@dataclass(frozen=True)
class MotionTable:
    """Points of one recording over time, and what follows from them in each frame.

    Attributes:
        trajectories: names end in the side. smoothed: whether they were. smoothing: per point, see
            `smooth_trajectories`. angles: by their name and side. One time for all.
    """

    trajectories: Trajectories
    smoothed: bool
    smoothing: Mapping[str, Mapping[str, Any]]
    angles: tuple[Channel, ...]

    @property
    def rate_hz(self) -> float:
        """Frames per second, by the usual step."""
        return float(1.0 / np.median(np.diff(self.trajectories.time_s)))

    def channels(self) -> tuple[Channel, ...]:
        """Time, angles, then the coordinates of the points."""
        traj = self.trajectories
        places = (
            Channel(f"{n}_{a.lower()}", "mm", f"{n.replace('_', ' ')}, {AXIS_WORDS[a]}", traj.position_mm[:, i, k])
            for i, n in enumerate(traj.names) for k, a in enumerate(traj.axes)
        )  # fmt: skip
        return (Channel("time", "s", "since the recording began", traj.time_s), *self.angles, *places)


def motion_table(ride: RideResult, smooth: bool = True) -> MotionTable:
    """The ride by time; angles always from smoothed points, the points themselves smoothed or as they were seen.

    Raises:
        InputError: the ride was stored without its points.
    """
    if not ride.trajectories:
        raise InputError(
            "ride", "its points over time were not kept", hint="Follow or import it again, then export"
        )
    parts, angles = [], list[Channel]()
    smoothing: dict[str, Mapping[str, Any]] = {}
    for side, raw in ride.trajectories.items():
        even, facts = smooth_trajectories(raw)
        ends = "" if side == "both" else f"_{side}"
        smoothing |= {f"{n}{ends}": f for n, f in facts.items()}
        shown = even if smooth else raw
        parts.append(replace(shown, names=tuple(f"{n}{ends}" for n in shown.names)))
        angles += _front(even) if side == "both" else _one_side(even, side)
    position = np.concatenate([p.position_mm for p in parts], axis=1)
    whole = replace(parts[0], names=tuple(n for p in parts for n in p.names), position_mm=position,
                    u_mm=np.concatenate([p.u_mm for p in parts], axis=1))  # fmt: skip
    return MotionTable(whole, smooth, smoothing, tuple(angles))


def cycle_table(ride: RideResult) -> tuple[Channel, ...]:
    """The ride by crank angle: mean, SD between turns and standard uncertainty of every curve, 360 rows."""
    out = [Channel("crank_angle", "deg", SIGNS["crank_angle"], np.arange(360.0))]
    for side, curves in ride.curves.items():
        for name, curve in curves.items():
            about = f"{SIGNS.get(name, name.replace('_', ' '))}; {curve.cycles} turns"
            for kind, values in (("mean", curve.mean), ("sd", curve.sd), ("u", curve.u)):
                out.append(Channel(f"{name}_{side}_{kind}", curve.unit, about, values))
    return tuple(out)


def even_steps(table: MotionTable) -> MotionTable:
    """The same at a constant rate; as it is where the frames are evenly spaced already.

    Between frames a cubic spline runs, within stretches without a gap only.
    """
    traj = table.trajectories
    step = float(np.median(np.diff(traj.time_s)))
    counts = np.round((traj.time_s - traj.time_s[0]) / step)
    mean_step = (traj.time_s[-1] - traj.time_s[0]) / counts[-1]
    apart = np.abs(traj.time_s - traj.time_s[0] - mean_step * np.arange(traj.time_s.size))
    if apart.max() <= EVEN_S:
        return table
    grid = np.arange(traj.time_s[0], traj.time_s[-1] + step / 1000, step)
    flat = traj.position_mm.reshape(traj.time_s.size, -1)
    moved = _resampled(traj.time_s, flat, grid).reshape(grid.size, *traj.position_mm.shape[1:])
    u = np.where(np.isfinite(moved), np.nanmedian(traj.u_mm), np.nan)
    angles = tuple(
        replace(c, values=_resampled(traj.time_s, _unwrapped(c)[:, None], grid)[:, 0] % 360.0
                if c.name.startswith("crank_angle") else _resampled(traj.time_s, c.values[:, None], grid)[:, 0])
        for c in table.angles
    )  # fmt: skip
    return replace(table, trajectories=replace(traj, time_s=grid, position_mm=moved, u_mm=u), angles=angles)


def _unwrapped(channel: Channel) -> Floats:
    out = channel.values.copy()
    seen = np.isfinite(out)
    out[seen] = np.unwrap(out[seen], period=360.0)
    return out


def _resampled(time_s: Floats, x: Floats, grid: Floats) -> Floats:
    """(T, C) columns read at other times; NaN where the frame before or after is NaN or far off."""
    out = np.full((grid.size, x.shape[1]), np.nan)
    before = np.clip(np.searchsorted(time_s, grid, side="right") - 1, 0, time_s.size - 2)
    near = time_s[before + 1] - time_s[before] <= MAX_GAP_S
    for k in range(x.shape[1]):
        seen = np.isfinite(x[:, k])
        if seen.sum() >= 4:
            inside = near & seen[before] & seen[before + 1]
            out[inside, k] = CubicSpline(time_s[seen], x[seen, k])(grid[inside])
    return out


def _one_side(traj: Trajectories, side: str) -> list[Channel]:
    points = {n: traj.position_mm[:, i] for i, n in enumerate(traj.names)}
    sole = ("sole_back", "sole_front") if "sole_back" in points else SOLE
    found = joint_angles(points, sole)
    if traj.axes == ("X", "Y", "Z") and "heel" in points and "toe" in points:
        found["foot_yaw"] = toe_out(points["heel"], points["toe"], side)
    out = [Channel(f"{n}_{side}", "deg", SIGNS[n], values) for n, values in found.items()]
    if "pedal_axle" in points:
        theta = crank_from_axle(traj.time_s, points["pedal_axle"][:, :2]).theta_rad
        out.insert(0, _crank(side, theta))
    return out


def _front(traj: Trajectories) -> list[Channel]:
    theta = crank_angle(traj)
    out = []
    for side, sign in (("left", -1.0), ("right", 1.0)):
        if traj.has(f"patella_{side}", f"pedal_{side}"):
            pedal = float(np.nanmean(traj.point(f"pedal_{side}", "Z")))
            out.append(_crank(side, theta + (np.pi if side == "left" else 0.0)))
            values = sign * (traj.point(f"patella_{side}", "Z")[:, 0] - pedal)
            out.append(Channel(f"knee_outward_{side}", "mm", SIGNS["knee_outward"], values))
    return out


def _crank(side: str, theta_rad: Floats) -> Channel:
    return Channel(f"crank_angle_{side}", "deg", SIGNS["crank_angle"], np.degrees(theta_rad) % 360.0)
