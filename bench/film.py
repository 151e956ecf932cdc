"""Film: time against decoding, errors against the simulated truth, whether stated intervals hold it, and memory."""

from __future__ import annotations

import json
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from statistics import median

import numpy as np

from bench.against_truth import (
    Pair,
    camera_of,
    curve_error,
    errors_of,
    held,
    marked_axles,
    of_events,
    rms_z,
    side_results,
    z_of,
)
from bench.measurement import Measurement, Row, in_fresh_process, rms
from bench.simulated import REFERENCE_S, SECONDS, SimClip, clips, half_minute, longer, signed
from fitwright.demo.truth import Truth
from fitwright.motion.front import analyse_front
from fitwright.motion.ride import RideResult
from fitwright.motion.smoothing import smooth_trajectories
from fitwright.motion.under_load import SHOE_LINE, shoe_yaws
from fitwright.quantity import Floats
from fitwright.studio.film import LANDMARKS, Marks, analyse_clip
from fitwright.vision.frontal import read_front
from fitwright.vision.sagittal import read_side
from fitwright.vision.scene import Scene
from fitwright.vision.track import Tracks, track_points
from fitwright.vision.video import luma_frames

KNEE = ("min", "max", "bdc")
PATH = ("top", "q90", "bdc", "range")
ROUNDS = 7
LENGTHS = 3
"""So many times the demo's film end to end: about half a minute."""
MINUTES_10 = 50
TAPE_OFF_MM = 4.0
"""How far the simulated tape is off (it is trusted to a few millimetres in three metres)."""
SIDES = ("left", "right")
EXACT = "the simulated stickers sit exactly on their landmarks"
PRIOR = "a prior from the literature or our assumption, not measured here"


@dataclass(frozen=True)
class Read:
    """One film read as the program reads it, and again as if placement of stickers were exact."""

    clip: SimClip
    ride: RideResult
    without_placement: RideResult
    tracks: Tracks


def crank_mm(clip: SimClip) -> float:
    """Crank length of the simulated bike."""
    return clip.rider.setup.contact.crank_mm


def taped_mm(film: Path) -> float:
    """Lens to bottom bracket of a front film as the tape reads it."""
    return float(Truth.load(film).data["camera_to_bottom_bracket_mm"]) + TAPE_OFF_MM


@lru_cache(maxsize=1)
def read_all() -> tuple[Read, ...]:
    """Every film of the demo; a front film is read with the side film of the same rider and moment."""
    out: list[Read] = []
    for clip in (*clips("side"), *clips("front")):
        marks = Marks.read(clip.marks)
        tracks = track_points(clip.path, marks.time_s, {n: np.array(p) for n, p in marks.points.items()})
        if clip.view == "side":
            out.append(_side(clip, tracks))
        else:
            twin = next(r.ride for r in out if r.clip.rider is clip.rider and r.clip.when == clip.when)
            out.append(_front(clip, tracks, twin))
    return tuple(out)


def _side(clip: SimClip, tracks: Tracks, scene: Scene | None = None) -> Read:
    scene = scene or marked_axles(camera_of(clip.truth), len(clip.label))
    reading = read_side(tracks, "right", crank_mm(clip), None, None, scene)
    return Read(clip, *side_results(reading, crank_mm(clip)), tracks)


def _front(clip: SimClip, tracks: Tracks, twin: RideResult) -> Read:
    reading = read_front(tracks, crank_mm(clip), taped_mm(clip.path), twin)
    method = {"dimension": "2-D", "state": "dynamic", "landmarks": LANDMARKS["front"]}
    lens = (reading.facts["x_mm"], reading.facts["y_mm"], reading.facts["z_mm"])
    smoothed = smooth_trajectories(reading.trajectories)
    yaw = shoe_yaws(smoothed[0], dict.fromkeys(SIDES, SHOE_LINE), lens)
    both = [
        analyse_front(
            reading.trajectories,
            reading.theta_rad,
            s,
            method,
            yaw_deg={k: y for k, (y, _) in yaw.items()},
            u_yaw_deg={k: u for k, (_, u) in yaw.items()},
            smoothed=smoothed,
        )
        for s in (reading.systematic, replace(reading.systematic, landmark_u_mm={}))
    ]
    return Read(clip, both[0], both[1], tracks)


def films(view: str) -> tuple[Read, ...]:
    """Those of one view."""
    return tuple(r for r in read_all() if r.clip.view == view)


# --- accuracy ---


def accuracy() -> list[Row]:
    """Errors of angles, knee paths, cadence and points against the simulated truth."""
    side, front = films("side"), films("front")
    told = f"simulated, {len(side)} films of {SECONDS} s: " + ", ".join(r.clip.label for r in side)
    curves = [_knee_curve(r) for r in side]
    blind = [_knee_curve(_side(r.clip, r.tracks, Scene())) for r in side]
    rows = [
        Row("knee flexion over the mean turn, RMS error", rms([c[0] for c in curves]), "deg", "≤ 0.5", told),
        Row("knee flexion over the mean turn: shift of the crank angle", rms([c[1] for c in curves]), "deg", "≤ 0.5",
            f"each: {signed([c[1] for c in curves])}"),
        Row("knee flexion over the mean turn: left without that shift", rms([c[2] for c in curves]), "deg", "≤ 0.5"),
        Row("shift of the crank angle when no axles are marked", rms([c[1] for c in blind]), "deg", "",
            f"each: {signed([c[1] for c in blind])}"),
    ]  # fmt: skip
    names = {"min": "smallest knee flexion", "max": "largest knee flexion", "bdc": "knee flexion at BDC"}
    for event in KNEE:
        pairs = [_knee_events(r, r.ride)[event] for r in side]
        errors = [told.value - true for told, true in pairs]
        rows.append(Row(f"{names[event]}, RMS error", rms(errors), "deg", "≤ 0.5", f"each: {signed(errors)}"))
    for s in SIDES:
        for event in PATH:
            pairs = [_paths(r, r.ride, s)[event] for r in front]
            errors = [told.value - true for told, true in pairs]
            rows.append(
                Row(f"{s} knee path, {event}, RMS error", rms(errors), "mm", "≤ 2", f"each: {signed(errors)}")
            )
    rows += _yaw_rows(front)
    for view, reads in (("side", side), ("front", front)):
        errors = [r.ride.cadence_rpm.value - r.clip.truth.data["cadence_rpm"] for r in reads]
        note = "a turn at either end may be counted on one side only" if view == "front" else ""
        rows.append(Row(f"cadence from the {view}, RMS error", rms(errors), "rpm", "≤ 0.05", note))
    return rows + [
        row for view, reads in (("side", side), ("front", front)) for row in _point_rows(view, reads)
    ]


def _yaw_rows(front: Sequence[Read]) -> list[Row]:
    """Yaw of both feet from the line on the shoe, taken as long as people put it on by eye."""
    pairs = [
        of_events(r.ride.quantities[s]["foot_yaw_deg"], r.clip.truth.data["foot_yaw_deg"][s], ("mean",))["mean"]
        for r in front for s in SIDES if "foot_yaw_deg" in r.ride.quantities[s]
    ]  # fmt: skip
    errors = [told.value - true for told, true in pairs]
    return [Row("foot yaw from the front, mean over the turn, RMS error", rms(errors), "deg", "",
                f"each: {signed(errors)}; stated u about {rms([told.u for told, _ in pairs]):.1f}°")]  # fmt: skip


def _knee_curve(read: Read) -> tuple[float, float, float]:
    true = np.asarray(read.clip.truth.data["knee_flexion_deg"]["curve"])
    return curve_error(read.ride.curves["right"]["knee_flexion"].mean, true)


def _point_rows(view: str, reads: Sequence[Read]) -> list[Row]:
    errors: dict[str, list[Floats]] = {}
    lost = []
    for r in reads:
        for name, (e, _, seen) in errors_of(r.tracks, r.clip.truth).items():
            errors.setdefault(name, []).append(e)
            lost.append(1 - seen)
    each = {n: rms(np.concatenate(e)) for n, e in errors.items()}
    worst = max(each, key=lambda n: each[n])
    whole = rms(np.concatenate([np.concatenate(e) for e in errors.values()]))
    rate = reads[0].tracks.info.bit_rate / 1e6
    return [
        Row(f"points from the {view}, RMS error per axis", whole, "px", "≤ 0.05",
            f"{len(each)} points, {rate:.0f} Mb/s"),
        Row(f"worst point from the {view}, RMS error per axis", each[worst], "px", "≤ 0.05", worst.replace("_", " ")),
        Row(f"free stickers not seen from the {view}", 100 * float(np.mean(lost)), "%", "≤ 1", "of all frames"),
    ]  # fmt: skip


def _paths(read: Read, ride: RideResult, side: str) -> dict[str, Pair]:
    """Knee path of one side at `PATH`, beside the truth."""
    return of_events(ride.quantities[side]["knee_path_mm"], read.clip.truth.data["knee_path_mm"][side], PATH)


# --- intervals ---


def coverage() -> list[Row]:
    """How many stated 95 % intervals hold the truth, with and without the part that stands for sticker placement."""
    rows = []
    asked: tuple[tuple[str, str, Callable[[Read, RideResult], list[Pair]]], ...] = (
        ("side", "knee flexion", _asked_side),
        ("front", "knee paths", _asked_front),
    )
    for view, what, ask in asked:
        told = [p for r in films(view) for p in ask(r, r.ride)]
        bare = [p for r in films(view) for p in ask(r, r.without_placement)]
        shares = [1 - (b.u / w.u) ** 2 for (w, _), (b, _) in zip(told, bare, strict=True)]
        n = f"of {len(told)} values, which are not independent"
        rows += [
            Row(f"{what}: intervals as stated that hold the truth", held(told), "%", "≥ 95",
                f"{n}; their placement part is not put to the test here: {EXACT}"),
            Row(f"{what}: the same without the placement part", held(bare), "%", "≥ 85", n),
            Row(f"{what}: RMS of error over u, without the placement part", rms_z(bare), "",
                "≤ 1.3", f"1 would be just right; worst {max(abs(z_of(p)) for p in bare):.1f}"),
            Row(f"{what}: placement's share of the stated variance", 100 * median(shares), "%", "",
                f"median; {PRIOR}"),
        ]  # fmt: skip
    return rows


def _knee_events(read: Read, ride: RideResult) -> dict[str, Pair]:
    """Knee flexion at `KNEE`, beside the truth."""
    knee = ride.quantities["right"]["knee_flexion_deg"]
    return of_events(knee, read.clip.truth.data["knee_flexion_deg"], KNEE)


def _asked_side(read: Read, ride: RideResult) -> list[Pair]:
    return list(_knee_events(read, ride).values())


def _asked_front(read: Read, ride: RideResult) -> list[Pair]:
    return [pair for side in SIDES for pair in _paths(read, ride, side).values()]


# --- time and memory ---


def speed() -> list[Row]:
    """Whole analysis over decoding alone, the same film in turns: processor time and the clock's."""
    rows = []
    twin = films("side")[0].ride
    for view in ("side", "front"):
        clip = half_minute(view)
        rounds = [_one_round(clip, twin) for _ in range(ROUNDS)]
        cpu, clock = (median(r[k + 2] / r[k] for r in rounds) for k in (1, 0))
        decode, whole = median(r[0] for r in rounds), median(r[2] for r in rounds)
        points = len(json.loads(clip.marks.read_text("utf-8"))["points"])
        rows += [
            Row(f"{view} film: analysis over decoding alone", clock, "times", "≤ 1.15",
                f"median of {ROUNDS} in turns; {REFERENCE_S} s of 1080p at 60 frames/s, {points} points, "
                "one slice per frame, fastest decoder settings"),
            Row(f"{view} film: the same in processor time", cpu, "times", "≤ 1.15", "of both processors together"),
            Row(f"{view} film: analysis", whole, "s", "", f"marked at {Marks.read(clip.marks).time_s:.1f} s"),
            Row(f"{view} film: decoding alone", clip.truth.time_s.size / decode, "frames/s", "≥ 240",
                "brightness only"),
        ]  # fmt: skip
    return rows


def _one_round(clip: SimClip, twin: RideResult) -> tuple[float, float, float, float]:
    """Seconds of decoding by the clock and of the processors, then those of the whole analysis."""
    clock, cpu = time.perf_counter(), time.process_time()
    for _ in luma_frames(clip.path):
        pass
    middle, cpu_middle = time.perf_counter(), time.process_time()
    camera_mm = taped_mm(clip.path) if clip.view == "front" else None
    analyse_file(str(clip.path), str(clip.marks), clip.view, str(crank_mm(clip)), twin, camera_mm)
    return middle - clock, cpu_middle - cpu, time.perf_counter() - middle, time.process_time() - cpu_middle


def analyse_file(
    path: str,
    marks: str,
    view: str,
    crank: str,
    twin: RideResult | None = None,
    camera_mm: float | None = None,
) -> None:
    """One film through the whole analysis, up to its JSON (also for a process of its own)."""
    side = "right" if view == "side" else None
    camera = camera_mm if view == "front" else None
    analyse_clip(
        Path(path), view, side, Marks.read(Path(marks)), float(crank), camera_mm=camera,
        twin=twin if view == "front" else None,
    ).contract_json()  # fmt: skip


def decode_file(path: str) -> None:
    """Decoding alone, for a process of its own."""
    for _ in luma_frames(Path(path)):
        pass


def memory() -> list[Row]:
    """Peak memory added by one analysis in a process of its own, for one film and the same again and again."""
    clip, rows = clips("side")[0], []
    for times in (1, LENGTHS, MINUTES_10):
        path = longer(clip, times) if times > 1 else clip.path
        told = in_fresh_process(
            "bench.film:analyse_file", str(path), str(clip.marks), "side", str(crank_mm(clip))
        )
        if times == MINUTES_10:
            path.unlink()  # a gigabyte
        rows.append(Row(f"analysis of {times * SECONDS} s, memory above start", told["growth_mb"], "MB", "≤ 200",
                        f"1080p, side, ten points; took {told['seconds']:.0f} s"))  # fmt: skip
    alone = in_fresh_process("bench.film:decode_file", str(clip.path))["growth_mb"]
    return [
        *rows,
        Row(f"growth from {SECONDS} to {LENGTHS * SECONDS} s", rows[1].value - rows[0].value, "MB", "≤ 20",
            "flat whatever the length, but for the points themselves"),
        Row(f"growth from {SECONDS} s to ten minutes", rows[2].value - rows[0].value, "MB", "≤ 50",
            "what a record keeps of every frame"),
        Row(f"decoding {SECONDS} s alone, memory above start", alone, "MB", "≤ 108"),
    ]  # fmt: skip


MEASUREMENTS = (
    Measurement("film-speed", "Film: time against decoding alone", speed),
    Measurement("film-accuracy", "Film: errors against the simulated truth", accuracy),
    Measurement("film-intervals", "Film: whether the stated intervals hold the truth", coverage),
    Measurement("film-memory", "Film: memory", memory),
)
