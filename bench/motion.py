"""Motion: how near the numbers come to the truth of simulated legs, to a real recording, and how long it takes."""

from __future__ import annotations

import json
import os
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.spatial.transform import Rotation

from bench.measurement import Measurement, Row, Unavailable, in_fresh_process, seconds
from fitwright.linkage.leg import extremes, solve
from fitwright.linkage.twin import LegTwin
from fitwright.motion.crank import TURN, angle_from_height
from fitwright.motion.placement import DEFAULT_LANDMARK_U_MM
from fitwright.motion.rigid_foot import rigid_pose
from fitwright.motion.side import SideSystematic, analyse_side
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Z95, Floats

LEG = LegTwin(405, 420, 125, 105, 172.5, -190, 751, 15.0, (-6.0, 0.0), (10.3923, 0.0))
METHOD = {"dimension": "2-D", "state": "dynamic", "landmarks": "stickers"}
FILMS = 60


def crank_angle(time_s: Floats, rpm: float) -> Floats:
    """Uneven pedalling, rad: the pace swings twice a turn."""
    w = TURN * rpm / 60
    return np.asarray(w * time_s + 0.04 * np.sin(2 * w * time_s) + 0.3)


def film(
    rng: np.random.Generator, seconds_long: float, rate_hz: float, rpm: float, noise_mm: float
) -> Trajectories:
    """Points of the simulated leg with noise and uneven time stamps (a fifth of a frame)."""
    time = np.arange(0, seconds_long, 1 / rate_hz)
    time = time + rng.uniform(-0.1, 0.1, time.size) / rate_hz
    theta = np.degrees(crank_angle(time, rpm))
    pose = solve(LEG, theta)
    points = {
        "pedal_axle": LEG.crank_mm * np.column_stack([np.sin(np.radians(theta)), np.cos(np.radians(theta))]),
        "greater_trochanter": np.tile([LEG.hip_x_mm, LEG.hip_y_mm], (time.size, 1)),
        "lateral_femoral_condyle": np.column_stack([pose.knee_x, pose.knee_y]),
        "lateral_malleolus": np.column_stack([pose.malleolus_x, pose.malleolus_y]),
    }
    position = np.stack(list(points.values()), axis=1)
    position = position + rng.normal(0, noise_mm, position.shape)
    return Trajectories(
        tuple(points), time, position, np.full_like(position, noise_mm), ("X", "Y"), "simulated"
    )


def accuracy() -> list[Row]:
    """Errors of events, cadence and crank angle over simulated films."""
    rng = np.random.default_rng(11)
    truth = extremes(LEG)
    errors: dict[str, list[float]] = {"min": [], "max": [], "bdc": [], "cadence": [], "height": []}
    for _ in range(FILMS):
        rpm, rate = float(rng.uniform(60, 110)), float(rng.choice([30, 60, 120]))
        one = film(rng, 20, rate, rpm, 0.5)
        ride = analyse_side(one, "right", LEG.crank_mm, SideSystematic(landmark_u_mm={}), METHOD)
        knee = ride.quantities["right"]["knee_flexion_deg"]
        for event, true in (("min", truth.low), ("max", truth.high), ("bdc", truth.bdc)):
            errors[event].append(knee[event].value - true)
        errors["cadence"].append(ride.cadence_rpm.value - rpm)
        found = angle_from_height(one.time_s, one.point("pedal_axle", "Y")[:, 0])
        away = (found - crank_angle(one.time_s, rpm) + np.pi) % TURN - np.pi
        errors["height"].append(float(np.degrees(np.sqrt(np.mean(away**2)))))
    rms = {k: float(np.sqrt(np.mean(np.square(v)))) for k, v in errors.items()}
    how = f"simulated, {FILMS} films of 20 s, 30 to 120 frames/s, 60 to 110 rpm, 0.5 mm per point and frame"
    return [
        Row("knee flexion at BDC, RMS error", rms["bdc"], "deg", "≤ 0.5", how),
        Row("smallest knee flexion, RMS error", rms["min"], "deg", "≤ 0.5"),
        Row("largest knee flexion, RMS error", rms["max"], "deg", "≤ 0.5"),
        Row("cadence, RMS error", rms["cadence"], "rpm", "≤ 0.05"),
        Row("crank angle from height alone, RMS error", rms["height"], "deg", "≤ 0.5", "as seen from the front"),
        Row("95 % intervals that hold the truth", coverage(rng), "%", "90 to 98", "smallest knee flexion, stickers "
            "misplaced at random by the stated placement uncertainty"),
    ]  # fmt: skip


def coverage(rng: np.random.Generator, films: int = 150) -> float:
    """Share (%) of stated intervals that hold the true minimum, stickers misplaced on their segments."""
    truth, held = extremes(LEG).low, 0
    u = {
        n: DEFAULT_LANDMARK_U_MM[n]
        for n in ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus")
    }
    on = {"greater_trochanter": (1, 2), "lateral_femoral_condyle": (1, 2), "lateral_malleolus": (2, 3)}
    for _ in range(films):
        one = film(rng, 6, 60, 87, 0.5)
        moved = one.position_mm.copy()
        for name, size in u.items():
            start, end = on[name]
            v = one.position_mm[:, end] - one.position_mm[:, start]
            along = v / np.linalg.norm(v, axis=1, keepdims=True)
            across = np.column_stack([-along[:, 1], along[:, 0]])
            moved[:, one.names.index(name)] += size * (rng.normal() * along + rng.normal() * across)
        ride = analyse_side(replace(one, position_mm=moved), "right", LEG.crank_mm, SideSystematic(landmark_u_mm=u),
                            METHOD)  # fmt: skip
        knee = ride.quantities["right"]["knee_flexion_deg"]["min"]
        held += abs(knee.value - truth) <= Z95 * knee.u
    return 100 * held / films


def recording() -> Path:
    """The open recording of a real rider, where the data is present."""
    default = Path(__file__).resolve().parents[2] / "shared" / "data"
    path = (
        Path(os.environ.get("FITWRIGHT_OUTSIDE_DATA") or default)
        / "cycling-standing"
        / "subject01_standing_10_70.trc"
    )
    if not path.is_file():
        raise Unavailable("the open data is not here (FITWRIGHT_OUTSIDE_DATA names its folder)")
    return path


def real_rider() -> list[Row]:
    """Agreement with the figures that come with the open recording, and the residual of the rigid foot."""
    from fitwright.studio.markers import analyse_markers

    path = recording()
    got, expected = analyse_markers(path), json.loads((path.parent / "expected.json").read_text("utf-8"))
    rows = []
    for side in ("right", "left"):
        e, knee, axle = expected[side], got.ride.quantities[side]["knee_flexion_deg"], got.axles[side].numbers
        theirs = e["pedal_axle_from_rigid_foot"]
        rows += [
            Row(f"{side}: smallest knee flexion, difference", abs(knee["min"].value - e["knee_flexion_deg_3d"][
                "mean_of_cycle_min"]), "deg", "≤ 0.5"),
            Row(f"{side}: largest knee flexion, difference", abs(knee["max"].value - e["knee_flexion_deg_3d"][
                "mean_of_cycle_max"]), "deg", "≤ 0.5"),
            Row(f"{side}: knee sideways range, difference", abs(got.ride.quantities[side]["knee_path_mm"][
                "range"].value - e["knee_frontal_range_mm"]["mean_of_cycles"]), "mm", "≤ 0.5"),
            Row(f"{side}: crank radius, difference", abs(axle["crank_radius_mm"].value - theirs["crank_radius_mm"]),
                "mm", "≤ 0.5"),
            Row(f"{side}: residual of the axle's circle", axle["residual_sd_mm"].value, "mm", "≤ 0.5",
                "a plain M5 marker: 7 to 8 mm"),
            Row(f"{side}: axle ahead of the M5 marker, difference", abs(axle["ahead_of_m5_mm"].value - theirs[
                "axle_ahead_of_mt5_mm_static_axes"]), "mm", "≤ 1.5"),
        ]  # fmt: skip
    return rows


def whole_import(path: str) -> None:
    """One whole import, for a process of its own."""
    from fitwright.studio.markers import analyse_markers

    analyse_markers(Path(path)).to_json()


def speed() -> list[Row]:
    """Time of one side view, of the rigid foot against scipy, and of a whole import."""
    rng = np.random.default_rng(2)
    one = film(rng, 30, 60, 88, 0.3)
    side = seconds(lambda: analyse_side(one, "right", LEG.crank_mm, SideSystematic(), METHOD))
    shape = rng.normal(0, 60, (3, 3))
    seen = Rotation.random(2000, random_state=1).as_matrix() @ shape.T
    seen = np.swapaxes(seen, 1, 2) + rng.normal(0, 0.3, (2000, 3, 3))
    ours = seconds(lambda: rigid_pose(shape, seen))
    centred = shape - shape.mean(0)
    scipys = seconds(lambda: [Rotation.align_vectors(s - s.mean(0), centred) for s in seen], 3)
    rows = [
        Row(
            "side view of 30 s at 60 frames/s, four points",
            side,
            "s",
            "≤ 1",
            "smoothing, turns, angles, uncertainty",
        ),
        Row("rigid foot, 2000 frames", 1000 * ours, "ms"),
        Row(
            "scipy's align_vectors over our rigid fit",
            scipys / ours,
            "times",
            "",
            "same frames, one call per frame",
        ),
    ]
    try:
        whole = in_fresh_process("bench.motion:whole_import", str(recording()))
    except Unavailable:
        return rows
    return [
        *rows,
        Row("whole import of 10 s, 49 markers, both sides", whole["seconds"], "s", "≤ 3", "files included"),
        Row("memory added by that import", whole["growth_mb"], "MB", "≤ 200"),
    ]


MEASUREMENTS = (
    Measurement("motion-accuracy", "Motion: accuracy on simulated legs", accuracy),
    Measurement("motion-rider", "Motion: the open recording of a real rider", real_rider),
    Measurement("motion-speed", "Motion: time and memory", speed),
)
