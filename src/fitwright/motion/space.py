"""Marker recordings in space: both sides by crank angle, and the pedal axle found under each foot.

Points carry `_left`/`_right`: greater_trochanter, lateral_femoral_condyle, lateral_malleolus (needed), heel, toe,
fifth_metatarsal (needed unless pedal_axle is marked), acromion, elbow, wrist, asis; from the static trial also
first_metatarsal, medial_malleolus, medial_femoral_condyle. X forward, Y up, Z to the rider's right, mm.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.motion.angles import flexion, joint_angles, toe_out
from fitwright.motion.circle import fit_circle
from fitwright.motion.crank import (
    CrankMotion,
    cadence_from_crossings,
    cadence_from_slope,
    cadence_from_spectrum,
    crank_from_axle,
)
from fitwright.motion.cycles import Cycles, cut_cycles
from fitwright.motion.front import FrontSystematic, knee_paths
from fitwright.motion.placement import DEFAULT_LANDMARK_U_MM, placement_deltas
from fitwright.motion.ride import CycleCurve, Events, RideResult
from fitwright.motion.rigid_foot import AxleFit, find_axle, fraction_between, rigid_pose, shape_of
from fitwright.motion.smoothing import smooth_trajectories
from fitwright.motion.trajectories import Trajectories
from fitwright.motion.turns import mean_points, sample_points, tell, with_tracking
from fitwright.quantity import Floats, Measured, combine

SIDES = ("right", "left")
CLUSTER = ("heel", "fifth_metatarsal", "toe")
NEEDED = ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus")
SOLE = ("sole_back", "sole_front")
COORDINATES = {"greater_trochanter": "hip", "lateral_femoral_condyle": "knee", "lateral_malleolus": "malleolus",
               "pedal_axle": "axle"}  # fmt: skip


@dataclass(frozen=True)
class SideAxle:
    """The pedal axle of one side, told from the rigid foot.

    Attributes:
        numbers: "crank_radius_mm", "centre_x_mm", "centre_y_mm", "ahead_of_m5_mm", "below_m5_mm", "ahead_of_m1_mm",
            "lambda" and "residual_sd_mm"; relative to the markers in the axes of the static trial.
        rigid_rms_mm: misfit of the three foot markers. fit: for further work.
    """

    numbers: Mapping[str, Measured]
    rigid_rms_mm: float
    fit: AxleFit


@dataclass(frozen=True)
class SpaceResult:
    """Attributes: ride: all quantities and curves. axles: side → axle, where the foot markers allow it.
    static_mm: distances in the static trial. checks: the same thing told other ways."""

    ride: RideResult
    axles: Mapping[str, SideAxle]
    static_mm: Mapping[str, Measured] = field(default_factory=dict)
    checks: Mapping[str, Any] = field(default_factory=dict)


def analyse_space(
    traj: Trajectories,
    static: Trajectories | None,
    landmark_u_mm: Mapping[str, float] = DEFAULT_LANDMARK_U_MM,
) -> SpaceResult:
    """Everything a marker recording tells, both sides.

    Raises:
        InputError: no side has the markers needed; no circle; too few turns.
    """
    sides = [s for s in SIDES if traj.has(*(f"{n}_{s}" for n in NEEDED)) and _has_axle(traj, s)]
    if not sides:
        needed = ", ".join(NEEDED) + " and heel, fifth_metatarsal, toe (or pedal_axle) of one side"
        raise InputError("markers", "no side is complete", value=", ".join(traj.names), allowed=needed)
    rest = None if static is None else _mean_pose(static)
    told = {s: _side(traj, rest, s, landmark_u_mm) for s in sides}
    cadences = [told[s].cycles.cadence(told[s].crank.u_theta_rad) for s in sides]
    cadence = Measured(float(np.mean([c.value for c in cadences])), max(c.u for c in cadences), "rpm",
                       cadences[0].method)  # fmt: skip
    notes = [f"{s}: {n}" for s in sides for n in told[s].notes]
    ride = RideResult(
        "markers", cadence, {s: told[s].cycles.count for s in sides}, {s: told[s].quantities for s in sides},
        {s: told[s].curves for s in sides},
        {"dimension": "3-D", "state": "dynamic", "landmarks": "trochanter, lateral condyle, lateral malleolus"},
        {"frames": int(traj.time_s.size), "rate_hz": float(1 / np.median(np.diff(traj.time_s))),
         "points": {s: told[s].track for s in sides}, "source": traj.source}, tuple(notes),
        {s: told[s].trajectories for s in sides},
    )  # fmt: skip
    axles = {s: axle for s in sides if (axle := told[s].axle) is not None}
    return SpaceResult(ride, axles, {} if rest is None else static_distances(rest), _checks(traj, told))


@dataclass(frozen=True)
class _Side:
    cycles: Cycles
    crank: CrankMotion
    axle: SideAxle | None
    quantities: dict[str, Events]
    curves: dict[str, CycleCurve]
    track: Mapping[str, Any]
    notes: tuple[str, ...]
    trajectories: Trajectories


def _has_axle(traj: Trajectories, side: str) -> bool:
    return traj.has(f"pedal_axle_{side}") or traj.has(*(f"{n}_{side}" for n in CLUSTER))


def _mean_pose(static: Trajectories) -> dict[str, Floats]:
    """name → (3,) mean position while standing still; points never seen are left out."""
    with np.errstate(invalid="ignore"):
        seen = np.isfinite(static.position_mm)
        mean = np.where(seen, static.position_mm, 0).sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    return {n: mean[i] for i, n in enumerate(static.names) if seen[:, i].all(axis=1).any()}


def static_distances(rest: Mapping[str, Floats]) -> dict[str, Measured]:
    """Distances between markers of the static trial, mm: feet, ankle and knee widths, ASIS."""
    pairs = {"asis_width": ("asis_right", "asis_left")}
    for s in SIDES:
        pairs |= {
            f"m1_m5_{s}": (f"first_metatarsal_{s}", f"fifth_metatarsal_{s}"),
            f"heel_toe_{s}": (f"heel_{s}", f"toe_{s}"),
            f"ankle_width_{s}": (f"lateral_malleolus_{s}", f"medial_malleolus_{s}"),
            f"knee_width_{s}": (f"lateral_femoral_condyle_{s}", f"medial_femoral_condyle_{s}"),
        }  # fmt: skip
    return {
        name: Measured(float(np.linalg.norm(rest[a] - rest[b])), 0.5, "mm", "marker centres, static trial")
        for name, (a, b) in pairs.items() if a in rest and b in rest
    }  # fmt: skip


def _side(
    traj: Trajectories, rest: Mapping[str, Floats] | None, side: str, landmark_u: Mapping[str, float]
) -> _Side:
    points = {n.removesuffix(f"_{side}"): traj.point(n) for n in traj.names if n.endswith(f"_{side}")}
    standing = None
    if rest is not None and all(f"{n}_{side}" in rest for n in CLUSTER):
        standing = {n.removesuffix(f"_{side}"): p for n, p in rest.items() if n.endswith(f"_{side}")}
    axle, notes = None, []
    if all(n in points for n in CLUSTER):
        axle, sole = rigid_axle(points, standing, traj.time_s)
        points |= sole | ({} if "pedal_axle" in points else {"pedal_axle": axle.fit.path_mm})
    elif all(n in points for n in ("heel", "fifth_metatarsal")):
        points |= {SOLE[0]: points["heel"], SOLE[1]: points["fifth_metatarsal"]}
        notes.append("no toe marker: the sole is the line heel–M5")
    position = np.stack(list(points.values()), axis=1)
    u = np.full(position.shape, _usual_u(traj))
    one = Trajectories(tuple(points), traj.time_s, position, u, traj.axes, traj.source)
    smoothed, track = smooth_trajectories(one)
    crank = crank_from_axle(traj.time_s, one.point("pedal_axle", "X", "Y"), field=f"pedal axle, {side}")
    if crank.direction < 0:
        raise InputError(
            "markers", "the crank runs backward", hint="X must point forward, Y up, Z to the rider's right"
        )
    check_range(
        f"crank radius, {side}", crank.circle.radius_mm, 100, 220, "mm", "Are the units of the file right?"
    )
    cycles = cut_cycles(traj.time_s, crank.theta_rad)
    origin = np.array([crank.circle.x_mm, crank.circle.y_mm, 0.0])
    turns = sample_points(smoothed, cycles, origin)
    u_mm = with_tracking(landmark_u, one, cycles.count)
    quantities, curves = _angles(turns, side, u_mm)
    if axle is not None and "lambda" in axle.numbers:
        quantities["axle_under_foot"] = {"mean": axle.numbers["lambda"]}
    inward = _half_knee_width(standing)
    paths, path_curves = _paths(turns, traj, side, cycles, u_mm, inward)
    for point, label in COORDINATES.items():
        for i, axis in enumerate("xyz"):
            _, curves[f"{label}_{axis}"] = tell(f"{label}_{axis}", "mm", turns[point][..., i], "markers",
                                                np.zeros((0, 360)), u_mm.get(point, 0.0))  # fmt: skip
    if inward == 0.0:
        notes.append("no medial knee marker: the knee's path is that of the lateral condyle")
    return _Side(
        cycles,
        crank,
        axle,
        quantities | paths,
        curves | path_curves,
        track,
        cycles.notes() + tuple(notes),
        one,
    )


def _usual_u(traj: Trajectories) -> float:
    seen = traj.u_mm[np.isfinite(traj.u_mm)]
    return float(np.median(seen)) if seen.size else 0.0


def _half_knee_width(standing: Mapping[str, Floats] | None) -> float:
    if standing is None or "medial_femoral_condyle" not in standing:
        return 0.0
    return float(np.linalg.norm(standing["medial_femoral_condyle"] - standing["lateral_femoral_condyle"])) / 2


def rigid_axle(
    points: Mapping[str, Floats], standing: Mapping[str, Floats] | None, time_s: Floats
) -> tuple[SideAxle, dict[str, Floats]]:
    """The axle of one side from its foot markers, and the sole line's two ends as paths.

    With a static trial the sole is level while standing and its axes are the lab's; without one the foot's own mean
    shape serves, the sole is the line heel–toe, and M1 is unknown.
    """
    observed = np.stack([points[n] for n in CLUSTER], axis=1)
    reference = shape_of(observed) if standing is None else np.stack([standing[n] for n in CLUSTER])
    pose = rigid_pose(reference, observed)
    heel, m5, toe = reference
    near = (
        m5
        if standing is None or "first_metatarsal" not in standing
        else (m5 + standing["first_metatarsal"]) / 2
    )
    fit = find_axle(pose, np.array([m5[0], m5[1], near[2]]), time_s)
    front = np.array([toe[0], heel[1], toe[2]]) if standing is not None else toe
    sole = {SOLE[0]: pose.path(heel), SOLE[1]: pose.path(front)}
    m1 = None if standing is None else standing.get("first_metatarsal")
    return SideAxle(_axle_numbers(fit, m5, m1, standing is not None), pose.rms_mm, fit), sole


def _axle_numbers(fit: AxleFit, m5: Floats, m1: Floats | None, level: bool) -> dict[str, Measured]:
    u, how = fit.u, "rigid foot, best circle"
    out = {
        "crank_radius_mm": Measured(fit.radius_mm, float(u[4]), "mm", how),
        "centre_x_mm": Measured(float(fit.centre_mm[0]), float(u[2]), "mm", how),
        "centre_y_mm": Measured(float(fit.centre_mm[1]), float(u[3]), "mm", how),
        "residual_sd_mm": Measured(fit.residual_sd_mm, 0.0, "mm", "distance from the circle"),
    }
    if not level:
        return out
    out["ahead_of_m5_mm"] = Measured(float(fit.point_mm[0] - m5[0]), float(u[0]), "mm", how)
    out["below_m5_mm"] = Measured(float(m5[1] - fit.point_mm[1]), float(u[1]), "mm", how)
    if m1 is not None:
        out["ahead_of_m1_mm"] = Measured(float(fit.point_mm[0] - m1[0]), float(u[0]), "mm", how)
        # Against the bones the markers' own placement counts as well, once at each end of the line.
        span = abs(float(m1[0] - m5[0]))
        placement = DEFAULT_LANDMARK_U_MM["fifth_metatarsal"]
        out["lambda"] = Measured(fraction_between(m1, m5, fit), combine(float(u[0]), placement) / max(span, 1.0), "1",
                                 f"{how}; 0 under M1, 1 under M5")  # fmt: skip
    return out


def _angles(
    turns: Mapping[str, Floats], side: str, u_mm: Mapping[str, float]
) -> tuple[dict[str, Events], dict[str, CycleCurve]]:
    def curves_of(points: Mapping[str, Floats]) -> dict[str, Floats]:
        out = joint_angles(points, SOLE)
        hip, knee, ankle = (points[n][..., :2] for n in NEEDED)
        out["knee_flexion_2d"] = flexion(hip, knee, ankle)
        if "heel" in points and "toe" in points:
            out["foot_yaw"] = toe_out(points["heel"], points["toe"], side)
        return out

    u_sole = {n: u_mm.get("heel", 0.0) for n in SOLE}
    deltas = placement_deltas(mean_points(turns), {**u_mm, **u_sole}, curves_of)
    quantities: dict[str, Events] = {}
    curves: dict[str, CycleCurve] = {}
    for name, values in curves_of(turns).items():
        method = "markers, sagittal plane" if name.endswith("_2d") else "markers, 3-D"
        events, curves[name] = tell(name, "deg", values, method, deltas[name])
        if events:
            quantities[f"{name}_deg"] = events
    return quantities, curves


def _paths(
    turns: Mapping[str, Floats],
    traj: Trajectories,
    side: str,
    cycles: Cycles,
    u_mm: Mapping[str, float],
    inward: float,
) -> tuple[dict[str, Events], dict[str, CycleCurve]]:
    sign = np.array([1.0 if side == "right" else -1.0, 1.0])
    names = {"lateral_femoral_condyle": "patella", "pedal_axle": "pedal", "asis": "asis"}
    flat = {new: turns[old][..., [2, 1]] * sign for old, new in names.items() if old in turns}
    u = {f"{new}_{side}": u_mm.get(old, 0.0) for old, new in names.items()}
    return knee_paths(flat, side, cycles, FrontSystematic(), u, inward, "markers")


def _checks(traj: Trajectories, told: Mapping[str, _Side]) -> dict[str, Any]:
    """Cadence three ways per side, the phase between the sides, and the circle of the M5 marker."""
    out: dict[str, Any] = {"cadence_rpm": {}, "m5_circle": {}}
    for side, it in told.items():
        ways = {"crank angle": cadence_from_slope(traj.time_s, it.crank.theta_rad)}
        m5 = f"fifth_metatarsal_{side}"
        if traj.has(m5) and np.isfinite(traj.point(m5)).all(axis=1).mean() > 0.5:
            height = traj.point(m5, "Y")[:, 0]
            ways["M5 height, crossings"] = cadence_from_crossings(traj.time_s, height)[0]
            ways["M5 height, spectrum"] = cadence_from_spectrum(traj.time_s, height)
            circle = fit_circle(*traj.point(m5, "X", "Y").T)
            out["m5_circle"][side] = {"x_mm": circle.x_mm, "y_mm": circle.y_mm, "radius_mm": circle.radius_mm,
                                      "residual_sd_mm": circle.residual_sd_mm}  # fmt: skip
        out["cadence_rpm"][side] = ways
    if len(told) == 2:
        phase = np.degrees(told["right"].crank.theta_rad - told["left"].crank.theta_rad)
        out["right_minus_left_crank_phase_deg"] = float(np.nanmean(phase) % 360.0)
    return out
