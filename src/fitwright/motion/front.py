"""The front view: the knees' paths beside the pedals, in mm outward, by crank angle.

Points (bike frame, Z to the rider's right, Y up, mm, already corrected for depth and roll): patella_left/right and
pedal_left/right (needed for a side), asis_left/right (for the hip–foot line), foot_left/right. Outward W is +Z on the
right and −Z on the left.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from fitwright.errors import InputError
from fitwright.motion.crank import TURN, angle_from_height
from fitwright.motion.cycles import Cycles, cut_cycles, sample
from fitwright.motion.placement import DEFAULT_LANDMARK_U_MM
from fitwright.motion.ride import CycleCurve, Events, RideResult
from fitwright.motion.smoothing import Smoothed, smooth_trajectories
from fitwright.motion.trajectories import Trajectories
from fitwright.motion.turns import mean_points, sample_points, tell, timing_delta, with_tracking
from fitwright.quantity import Floats, Measured

SIDES = ("left", "right")
PATH_EVENTS = ("tdc", "q90", "bdc", "range", "mean", "min", "max", "min_at", "max_at")


@dataclass(frozen=True)
class FrontSystematic:
    """What is wrong in the same way in every frame of a front view, as standard uncertainties.

    Attributes:
        scale_u: relative error of the mm scale at the pedals. roll_u_deg: camera roll left after correction.
        depth_u: relative scale error of the knee against the pedals (u of its depth / distance); scales the knee's
            distance from the lens axis. lens_u_mm: lens distance from the mid-plane, times `parallax` = how much
            nearer the knee is than the pedal / distance (about 0.06 at the top at 3.3 m).
        timing_u_s: error of the crank angle's time. landmark_u_mm: patella, pedal, asis, ... per direction.
        rereadings: the same picture read with a camera off by its uncertainty, one for each independent error: mean
            points (360, 2) as Z, Y and their side to the same. They say what the numbers above, timing excepted, say
            roughly.
    """

    scale_u: float = 0.0
    roll_u_deg: float = 0.0
    depth_u: float = 0.0
    lens_u_mm: float = 0.0
    parallax: float = 0.06
    timing_u_s: float = 0.0
    landmark_u_mm: Mapping[str, float] = field(default_factory=lambda: dict(DEFAULT_LANDMARK_U_MM))
    rereadings: Sequence[Callable[[Mapping[str, Floats], str], dict[str, Floats]]] = ()


def analyse_front(
    traj: Trajectories, theta_rad: Floats | None, systematic: FrontSystematic, method: Mapping[str, str],
    *, u_theta_rad: float = 0.01, yaw_deg: Mapping[str, Floats] | None = None, knee_inward_mm: float = 0.0,
    u_yaw_deg: Mapping[str, float] | None = None, smoothed: Smoothed | None = None,
) -> RideResult:  # fmt: skip
    """Knee paths of both sides from a front view.

    Args:
        traj: axes ("Z", "Y"), raw points with `_left`/`_right`. theta_rad: (T,) unwrapped crank angle of the RIGHT
            foot (the left one runs half a turn behind); None finds it from the pedals' heights.
        systematic, method: as in the side view. u_theta_rad: random uncertainty of θ.
        yaw_deg: side → (T,) foot yaw, toe-out positive, where the shoe's mid-line was tracked.
        u_yaw_deg: side → how far that line may be off the shoe's mid-line (1° when not said).
        knee_inward_mm: how far the joint's centre lies inward of the knee sticker (0 for a patella sticker).
        smoothed: what `smooth_trajectories` made of `traj`, where it was asked before.

    Returns:
        per side "knee_path_mm" (outward of the pedal centre; "top" is the value at TDC), "knee_to_line_mm" (outward
        of the hip–foot line), "knee_loop_mm2" (signed area of the knee's path, outward to up positive),
        "foot_yaw_deg"; curves "knee_path", "knee_to_line", "knee_height", "foot_yaw".

    Raises:
        InputError: neither side has knee and pedal; no crank angle; too few turns.
    """
    sides = [s for s in SIDES if traj.has(f"patella_{s}", f"pedal_{s}")]
    if not sides:
        raise InputError("points", "no side has both knee and pedal", value=", ".join(traj.names),
                         allowed="patella_left with pedal_left, or the right ones")  # fmt: skip
    even, track = smoothed or smooth_trajectories(traj)
    theta = crank_angle(even) if theta_rad is None else theta_rad
    quantities: dict[str, dict[str, Events]] = {}
    curves: dict[str, dict[str, CycleCurve]] = {}
    counts, cadences, notes = {}, [], []
    for s in sides:
        cycles = cut_cycles(even.time_s, theta if s == "right" else theta + TURN / 2)
        u_mm = with_tracking({n: systematic.landmark_u_mm.get(n.rsplit("_", 1)[0], 0.0) for n in traj.names}, traj,
                             cycles.count)  # fmt: skip
        turns = sample_points(even, cycles, np.zeros(2))
        quantities[s], curves[s] = knee_paths(outward(turns, s), s, cycles, systematic, u_mm, knee_inward_mm)
        if yaw_deg is not None and s in yaw_deg:
            quantities[s]["foot_yaw_deg"], curves[s]["foot_yaw"] = foot_yaw(
                even.time_s, yaw_deg[s], cycles, (u_yaw_deg or {}).get(s, 1.0)
            )
        counts[s] = cycles.count
        cadences.append(cycles.cadence(u_theta_rad))
        notes += [f"{s}: {note}" for note in cycles.notes()]
    return RideResult(
        "front", _mean_of(cadences), counts, quantities, curves, dict(method),
        {"frames": int(traj.time_s.size), "points": track, "source": traj.source}, tuple(dict.fromkeys(notes)),
        {"both": traj},
    )  # fmt: skip


def crank_angle(traj: Trajectories) -> Floats:
    """(T,) crank angle of the right foot from the pedals' heights; with both, from half their difference."""
    y = {s: traj.point(f"pedal_{s}", "Y")[:, 0] for s in SIDES if traj.has(f"pedal_{s}")}
    if len(y) == 2:
        return angle_from_height(traj.time_s, (y["right"] - y["left"]) / 2)
    if "right" in y:
        return angle_from_height(traj.time_s, y["right"])
    return angle_from_height(traj.time_s, y["left"]) - TURN / 2


def outward(turns: Mapping[str, Floats], side: str) -> dict[str, Floats]:
    """The points of one side without their suffix, first axis turned outward: name → (..., 2) as (W, Y)."""
    sign = np.array([1.0 if side == "right" else -1.0, 1.0])
    return {n.removesuffix(f"_{side}"): x * sign for n, x in turns.items() if n.endswith(f"_{side}")}


def knee_paths(
    turns: Mapping[str, Floats], side: str, cycles: Cycles, systematic: FrontSystematic, u_mm: Mapping[str, float],
    knee_inward_mm: float = 0.0, method: str = "front view",
) -> tuple[dict[str, Events], dict[str, CycleCurve]]:  # fmt: skip
    """Quantities and curves of one knee from (n, 360, 2) points patella, pedal and, if seen, asis, as (W, Y).

    The pedal centre is the mean of the pedal over all turns in W (a pedal does not move sideways).
    """
    mean = mean_points(turns)
    pedal_w = float(np.nanmean(turns["pedal"][..., 0]))
    path = turns["patella"][..., 0] - knee_inward_mm - pedal_w
    u_knee, u_pedal, u_hip = (u_mm.get(f"{n}_{side}", 0.0) for n in ("patella", "pedal", "asis"))
    late = timing_delta(path, float(cycles.cadence_rpm.mean()), systematic.timing_u_s)
    seen_by_lens = _lens_deltas(mean, systematic, pedal_w)
    to_pedal, to_line = _reread(mean, side, systematic)
    quantities: dict[str, Events] = {}
    curves: dict[str, CycleCurve] = {}
    events, curves["knee_path"] = tell(
        "knee_path", "mm", path, f"{method}, outward of the pedal centre", np.vstack([seen_by_lens, late, to_pedal]),
        float(np.hypot(u_knee, u_pedal)), PATH_EVENTS,
    )  # fmt: skip
    quantities["knee_path_mm"] = dict(events) | ({"top": events["tdc"]} if "tdc" in events else {})
    if "asis" in turns:
        off, share = _off_line(turns["asis"], turns["patella"], turns["pedal"])
        weight = mean_points({"share": share})["share"]
        sizes = np.vstack([u_hip * weight, u_pedal * (1 - weight), late, seen_by_lens[:1], to_line])
        about = f"{method}, outward of the hip–foot line"
        off = off - knee_inward_mm
        events, curves["knee_to_line"] = tell("knee_to_line", "mm", off, about, sizes, u_knee, PATH_EVENTS)
        quantities["knee_to_line_mm"] = dict(events) | ({"top": events["tdc"]} if "tdc" in events else {})
    loop = _loop(turns["patella"], systematic.scale_u, method)
    if loop is not None:
        quantities["knee_loop_mm2"] = {"mean": loop}
    _, curves["knee_height"] = tell(
        "knee_height", "mm", turns["patella"][..., 1], method, np.zeros((0, 360)), u_knee
    )
    return quantities, curves


def _lens_deltas(mean: Mapping[str, Floats], systematic: FrontSystematic, pedal_w: float) -> Floats:
    """(4, 360): scale, roll, depth of the knee, lens off the mid-plane."""
    knee = mean["patella"]
    nearer = np.abs(
        np.cos(np.radians(np.arange(360.0)))
    )  # the knee is ahead of the pedal at the dead centres only
    return np.array([
        systematic.scale_u * (knee[:, 0] - pedal_w),
        np.sin(np.radians(systematic.roll_u_deg)) * (knee[:, 1] - mean["pedal"][:, 1]),
        systematic.depth_u * knee[:, 0] * nearer,
        systematic.lens_u_mm * systematic.parallax * nearer,
    ])  # fmt: skip


def _reread(mean: Mapping[str, Floats], side: str, systematic: FrontSystematic) -> tuple[Floats, Floats]:
    """(S, 360) what each other camera makes of the path beside the pedal, and (S or 0, 360) of the distance from the
    hip–foot line, which needs the hip."""
    sign = np.array([1.0 if side == "right" else -1.0, 1.0])

    def told(points: Mapping[str, Floats]) -> tuple[Floats, Floats]:
        path = points["patella"][:, 0] - np.nanmean(points["pedal"][:, 0])
        line = _off_line(points["asis"], points["patella"], points["pedal"])[0] if "asis" in points else path
        return path, line

    base = told(mean)
    moved = [told({n: x * sign for n, x in other({n: x * sign for n, x in mean.items()}, side).items()})
             for other in systematic.rereadings]  # fmt: skip
    to_pedal, to_line = (np.array([m[k] - base[k] for m in moved]).reshape(-1, 360) for k in (0, 1))
    return to_pedal, to_line if "asis" in mean else to_line[:0]


def _off_line(hip: Floats, knee: Floats, foot: Floats) -> tuple[Floats, Floats]:
    """Outward distance of the knee from the line hip–foot at the knee's height, and how far up that is (0 to 1)."""
    share = (knee[..., 1] - foot[..., 1]) / (hip[..., 1] - foot[..., 1])
    return knee[..., 0] - (foot[..., 0] + share * (hip[..., 0] - foot[..., 0])), share


def _loop(knee: Floats, scale_u: float, method: str) -> Measured | None:
    """Mean signed area of the knee's closed path (n, 360, 2), mm²; a turn with unseen bins is left out."""
    w, y = knee[..., 0] - np.nanmean(knee[..., 0]), knee[..., 1] - np.nanmean(knee[..., 1])
    area = 0.5 * np.sum(w * np.roll(y, -1, axis=1) - y * np.roll(w, -1, axis=1), axis=1)
    seen = area[np.isfinite(area)]
    if seen.size < 2:
        return None
    u = float(np.hypot(seen.std(ddof=1) / np.sqrt(seen.size), 2 * scale_u * seen.mean()))
    return Measured(float(seen.mean()), u, "mm²", f"{method}, area enclosed by the knee's path")


def foot_yaw(
    time_s: Floats, yaw_deg: Floats, cycles: Cycles, u_deg: float = 1.0
) -> tuple[Events, CycleCurve]:
    """Yaw (T,) of one foot over the turn, toe-out positive; `u_deg` is the line's own offset."""
    return tell("foot_yaw", "deg", sample(time_s, yaw_deg, cycles.time_s), "sole mid-line, toe-out positive",
                np.zeros((0, 360)), u_deg)  # fmt: skip


def _mean_of(cadences: list[Measured]) -> Measured:
    """Both feet turn one crank: the mean of their cadences, with the larger u."""
    value = float(np.mean([c.value for c in cadences]))
    return Measured(value, max(c.u for c in cadences), "rpm", cadences[0].method)
