"""The side view: from named points in the sagittal plane to joint angles by crank angle.

Points (bike frame, X forward, Y up, mm): pedal_axle (needed), greater_trochanter, lateral_femoral_condyle,
lateral_malleolus, heel, fifth_metatarsal, acromion, elbow, wrist. What is missing only limits what is reported.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.motion.angles import joint_angles
from fitwright.motion.axle_under_foot import FootMarks, axle_ahead_of_m5, axle_under_foot
from fitwright.motion.crank import CrankMotion, crank_from_axle
from fitwright.motion.cycles import Cycles, cut_cycles, cycle_curve
from fitwright.motion.placement import DEFAULT_LANDMARK_U_MM, Rereading, placement_deltas, reread_deltas
from fitwright.motion.ride import CycleCurve, Events, RideResult
from fitwright.motion.smoothing import smooth_trajectories
from fitwright.motion.trajectories import Trajectories
from fitwright.motion.turns import mean_points, sample_points, tell, timing_delta, with_tracking
from fitwright.quantity import Floats

COORDINATES = {
    "greater_trochanter": "hip", "lateral_femoral_condyle": "knee", "lateral_malleolus": "malleolus",
    "pedal_axle": "axle", "heel": "heel", "fifth_metatarsal": "m5", "acromion": "acromion", "elbow": "elbow",
    "wrist": "wrist",
}  # fmt: skip
MAX_MISSING = 0.2


@dataclass(frozen=True)
class SideSystematic:
    """What is wrong in the same way in every frame of a side view, as standard uncertainties.

    Attributes:
        scale_u: relative error of the mm scale (0.01 = 1 %). It does not touch angles.
        perspective_u_deg: error of a joint angle from camera yaw, tilt, lens and depth left after correction.
        timing_u_s: error of the frames' time against the crank's (readout, exposure): shifts the crank angle.
        landmark_u_mm: name → error of where the sticker sits, per direction; names not given count as exact.
        rereadings: the same picture read with camera, depths or timing off by their uncertainty, one for each; where
            they are given they say of every curve and event what the three numbers above say roughly.
    """

    scale_u: float = 0.0
    perspective_u_deg: float = 0.0
    timing_u_s: float = 0.0
    landmark_u_mm: Mapping[str, float] = field(default_factory=lambda: dict(DEFAULT_LANDMARK_U_MM))
    rereadings: Sequence[Rereading] = ()


def analyse_side(
    traj: Trajectories, side: str, crank_mm: float, systematic: SideSystematic, method: Mapping[str, str],
    *, foot: FootMarks | None = None,
) -> RideResult:  # fmt: skip
    """Everything a side view tells about the filmed side.

    Args:
        traj: axes ("X", "Y"), raw (unsmoothed) points. side: "left" or "right", the filmed side.
        crank_mm: the crank's true length; compared with the axle's circle, which is not rescaled.
        systematic: see `SideSystematic`. method: goes into the result, e.g. {"dimension": "2-D", "state": "dynamic"}.
        foot: marks of this foot from its sole photograph; adds λ, where the axle runs between M1 and M5.

    Returns:
        quantities and curves under `side`; coordinates have the crank's centre as origin.

    Raises:
        InputError: no axle, axle not on a circle, crank running backward, too few turns.
    """
    check_range("crank_mm", crank_mm, 100, 220, "mm")
    if side not in ("left", "right"):
        raise InputError("side", "unknown", value=side, allowed="left, right")
    if not traj.has("pedal_axle"):
        raise InputError("points", "the pedal axle is not marked, so there is no crank angle",
                         value=", ".join(traj.names), allowed="pedal_axle among them")  # fmt: skip
    smoothed, track = smooth_trajectories(traj)
    crank = crank_from_axle(smoothed.time_s, smoothed.point("pedal_axle", "X", "Y"))
    if crank.direction < 0:
        raise InputError("side", "the crank runs backward in this picture", value=side,
                         hint="Filmed from the other side, mirrored, or the rider pedals backward")  # fmt: skip
    cycles = cut_cycles(smoothed.time_s, crank.theta_rad)
    turns = sample_points(smoothed, cycles, np.array([crank.circle.x_mm, crank.circle.y_mm]))
    u_mm = with_tracking(systematic.landmark_u_mm, traj, cycles.count)
    cadence = cycles.cadence(crank.u_theta_rad)
    mean = mean_points(turns)
    reread = reread_deltas(mean, systematic.rereadings, lambda at: joint_angles(at) | _by_axis(at))
    quantities, curves = _angles(turns, mean, cadence.value, systematic, u_mm, reread)
    curves |= _coordinates(turns, mean, systematic, u_mm, reread)
    if traj.has("heel", "fifth_metatarsal"):
        ahead = axle_ahead_of_m5(turns, FootMarks((0.0, 0.0), (0.0, 0.0)))
        curves["axle_ahead_of_m5"] = cycle_curve("axle_ahead_of_m5", "mm", ahead)
    if foot is not None and traj.has("heel", "fifth_metatarsal"):
        quantities["axle_under_foot"] = axle_under_foot(turns, foot, systematic.scale_u, u_mm)
    return RideResult(
        "side", cadence, {side: cycles.count}, {side: quantities}, {side: curves}, dict(method),
        _quality(traj, crank, crank_mm, cycles, track),
        cycles.notes() + _notes(traj, crank, crank_mm, systematic.scale_u, track), {side: traj},
    )  # fmt: skip


def _by_axis(points: Mapping[str, Floats]) -> dict[str, Floats]:
    """Each coordinate of each point (N, D) as a curve of its own."""
    return {f"{name}_{axis}": x[:, i] for name, x in points.items() for i, axis in enumerate("xy")}


def _angles(
    turns: Mapping[str, Floats], mean: Mapping[str, Floats], cadence_rpm: float, systematic: SideSystematic,
    u_mm: Mapping[str, float], reread: Mapping[str, Floats],
) -> tuple[dict[str, Events], dict[str, CycleCurve]]:  # fmt: skip
    deltas = placement_deltas(mean, u_mm, joint_angles)
    quantities: dict[str, Events] = {}
    curves: dict[str, CycleCurve] = {}
    for name, values in joint_angles(turns).items():
        late = timing_delta(values, cadence_rpm, systematic.timing_u_s)
        # Perspective bends an angle differently at each crank angle: it also counts in a range, so it goes in twice,
        # as an offset of every value and, shared over the turn, as one that changes sign between its halves.
        swing = systematic.perspective_u_deg * np.sin(np.radians(np.arange(360.0)))[None]
        off = np.vstack([deltas[name], reread[name], late, swing])
        events, curves[name] = tell(name, "deg", values, "side view", off, systematic.perspective_u_deg)
        if events:
            quantities[f"{name}_deg"] = events
    return quantities, curves


def _coordinates(
    turns: Mapping[str, Floats], mean: Mapping[str, Floats], systematic: SideSystematic, u_mm: Mapping[str, float],
    reread: Mapping[str, Floats],
) -> dict[str, CycleCurve]:  # fmt: skip
    scale_u = 0.0 if systematic.rereadings else systematic.scale_u
    out = {}
    for point, label in COORDINATES.items():
        if point not in turns:
            continue
        for i, axis in enumerate("xy"):
            camera = np.sqrt(np.sum(np.nan_to_num(reread[f"{point}_{axis}"]) ** 2, axis=0))
            u = np.hypot(np.hypot(u_mm.get(point, 0.0), camera), scale_u * np.nan_to_num(mean[point][:, i]))
            out[f"{label}_{axis}"] = cycle_curve(f"{label}_{axis}", "mm", turns[point][:, :, i], u)
    return out


def _quality(
    traj: Trajectories, crank: CrankMotion, crank_mm: float, cycles: Cycles, track: Mapping[str, Any]
) -> dict[str, Any]:
    return {
        "frames": int(traj.time_s.size), "duration_s": float(traj.time_s[-1] - traj.time_s[0]),
        "rate_hz": float(1 / np.median(np.diff(traj.time_s))), "crank_mm": crank_mm,
        "axle_circle_mm": crank.circle.radius_mm, "axle_residual_mm": crank.circle.residual_sd_mm,
        "cycle_cadence_sd_rpm": float(cycles.cadence_rpm.std(ddof=1)), "cycles_dropped": cycles.dropped,
        "points": {k: dict(v) for k, v in track.items()}, "source": traj.source,
    }  # fmt: skip


def _notes(
    traj: Trajectories, crank: CrankMotion, crank_mm: float, scale_u: float, track: Mapping[str, Any]
) -> tuple[str, ...]:
    out = []
    off = crank.circle.radius_mm / crank_mm - 1
    if abs(off) > max(0.01, 3 * scale_u):
        out.append(f"The axle's circle is {crank.circle.radius_mm:.1f} mm but the crank {crank_mm:g} mm "
                   f"({100 * off:+.1f} %): check the scale or the crank length.")  # fmt: skip
    if crank.circle.residual_sd_mm > 0.02 * crank.circle.radius_mm:
        out.append(f"The axle leaves its circle by {crank.circle.residual_sd_mm:.1f} mm: marked beside the axle, "
                   "a slanted camera, or the point was lost.")  # fmt: skip
    frames = traj.time_s.size
    out += [f"{name}: unseen in {facts['missing']} of {frames} frames." for name, facts in track.items()
            if facts["missing"] > MAX_MISSING * frames]  # fmt: skip
    return tuple(out)
