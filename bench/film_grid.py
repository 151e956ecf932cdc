"""Rendered films that are hard in one way each: errors of points and angles, and whether stated intervals hold them.

One film is the usual one; every other differs from it in one thing, a few in several at once. All are simulated. The
films are marked as a hand would, with both wheel axles and the taped distance, as the instructions ask for.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy.optimize import fsolve

from bench.measurement import Measurement, Row, rms
from bench.simulated import OUT, fingerprint
from fitwright.demo.camera import SimCamera, studio_camera
from fitwright.demo.film import Conditions, render_clip
from fitwright.demo.riders import FIRST
from fitwright.demo.scene import axles_mm
from fitwright.demo.truth import Truth, hand_marks
from fitwright.errors import InputError
from fitwright.motion.side import analyse_side
from fitwright.quantity import Z95, Floats, Measured
from fitwright.studio.film import LANDMARKS
from fitwright.vision.sagittal import read_side
from fitwright.vision.scene import Scene
from fitwright.vision.track import track_points

SIZE = (1280, 720)
SEEDS = (3, 4)
KNEE = ("min", "max", "bdc")
EXACT = "stickers sit exactly on their landmarks, so the part for their placement is left out"


@dataclass(frozen=True)
class Level:
    """One film of the grid: what differs from the usual one."""

    name: str
    distance_mm: float = 3600.0
    focal_px: float = 1533.0
    yaw_deg: float = 0.0
    tilt_deg: float = 0.0
    fps: float = 60.0
    rpm: float | None = None
    exposure_s: float = 1 / 400
    bit_rate: float = 18e6
    seconds: float = 6.0
    light: Conditions = field(default_factory=Conditions)


LEVELS = (
    Level("usual film"),
    Level("near, 2.6 m", distance_mm=2600, focal_px=1110),
    Level("far, 4.6 m: discs of 8 px", distance_mm=4600),
    Level("yaw 5°", yaw_deg=5), Level("yaw −10°", yaw_deg=-10), Level("yaw 10°", yaw_deg=10),
    Level("tilt 5°", tilt_deg=5), Level("yaw 10° and tilt −5°", yaw_deg=10, tilt_deg=-5),
    Level("noise of 4 grey levels", light=Conditions(noise_dn=4.0)),
    Level("noise of 8 grey levels", light=Conditions(noise_dn=8.0)),
    Level("exposure 1/1000 s", exposure_s=1 / 1000),
    Level("exposure 1/120 s", exposure_s=1 / 120),
    Level("flicker of 4 %", light=Conditions(flicker=0.04)),
    Level("light drifts by 12 %", light=Conditions(drift=0.12)),
    Level("30 frames/s", fps=30, seconds=8), Level("120 frames/s", fps=120, seconds=4),
    Level("240 frames/s", fps=240, seconds=3),
    Level("60 rpm", rpm=60, seconds=8), Level("110 rpm", rpm=110),
    Level("time stamps jitter by 4 ms", light=Conditions(jitter_s=4e-3)),
    Level("one frame in twelve lost", light=Conditions(lost=1 / 12)),
    Level("5 Mb/s", bit_rate=5e6),
    Level("30 frames/s, 1/120 s, 110 rpm, 5 Mb/s", fps=30, rpm=110, exposure_s=1 / 120, bit_rate=5e6, seconds=8),
)  # fmt: skip


@dataclass(frozen=True)
class Outcome:
    """One film followed and read: point errors and their stated u (N,) px; quantities asked for, with their truth."""

    point_px: Floats
    point_u: Floats
    unseen: float
    knee: tuple[tuple[Measured, float], ...]
    cadence: tuple[Measured, float]
    crank_deg: float


def camera_of(level: Level) -> SimCamera:
    """The camera of a level, aimed so that the rider stays where the usual film has them."""
    usual = studio_camera(
        "side",
        SIZE,
        position_mm=(-130.0, 560.0, 3600.0),
        yaw_deg=0.0,
        tilt_deg=0.0,
        focal_px=1533.0,
        roll_deg=0.8,
    )
    aim = np.array([-60.0, 520.0, 0.0])
    wanted = usual.project(aim)[0]

    def at(xy: Floats) -> SimCamera:
        return replace(
            usual, position_mm=(float(xy[0]), float(xy[1]), level.distance_mm), yaw_deg=level.yaw_deg,
            tilt_deg=level.tilt_deg, focal_px=level.focal_px, exposure_s=level.exposure_s,
        )  # fmt: skip

    place = fsolve(lambda xy: at(xy).project(aim)[0] - wanted, np.array(usual.position_mm[:2]))
    return at(place)


def film_of(level: Level, seed: int) -> Path:
    """The rendered film, kept in bench/out until a room that draws changes."""
    folder = OUT / f"grid-{fingerprint(('demo', 'linkage'))}"
    path = folder / f"{zlib.crc32(repr((level, seed)).encode()):08x}.mp4"
    if not path.is_file():
        rider = FIRST
        if level.rpm is not None:
            rider = replace(FIRST, habits=replace(FIRST.habits, cadence_rpm=level.rpm))
        render_clip(
            rider, FIRST.setup, "side", path, seconds=level.seconds, fps=level.fps, seed=seed,
            bit_rate=level.bit_rate, camera=camera_of(level), conditions=level.light,
        )  # fmt: skip
    return path


def outcome_of(job: tuple[Level, int]) -> Outcome | str:
    """Render (unless there), follow, read; the words when the program refuses the film."""
    try:
        return _read(*job)
    except InputError as refused:
        return str(refused)


def _read(level: Level, seed: int) -> Outcome:
    path, rng = film_of(level, seed), np.random.default_rng([seed, 77])
    truth, camera = Truth.load(path), camera_of(level)
    marks = hand_marks(truth, 1.3, seed)
    tracks = track_points(path, marks["time_s"], {n: np.array(p) for n, p in marks["points"].items()})
    still = {n: camera.project(np.array(p))[0] + rng.normal(0, 0.7, 2) for n, p in axles_mm().items()}
    taped = math.dist(camera.position_mm, (0.0, 0.0, 0.0)) + rng.normal(0, 15)
    crank = FIRST.setup.contact.crank_mm
    reading = read_side(tracks, "right", crank, taped, None, Scene(still))
    method = {"dimension": "2-D", "state": "dynamic", "landmarks": LANDMARKS["side"]}
    got = analyse_side(
        reading.trajectories, "right", crank, replace(reading.systematic, landmark_u_mm={}), method
    )
    return _against(got, tracks, truth)


def _against(got, tracks, truth: Truth) -> Outcome:  # type: ignore[no-untyped-def]
    at = np.abs(truth.time_s[None, :] - tracks.time_s[:, None]).argmin(axis=1)
    errors, us, unseen = [], [], []
    for i, name in enumerate(tracks.names):
        free = truth.visible(name)[at]
        error, u = (tracks.uv_px[:, i] - truth.px(name)[at])[free], tracks.u_px[:, i][free]
        seen = np.isfinite(error[:, 0])
        errors.append(error[seen].ravel())
        us.append(np.broadcast_to(u[seen].reshape(seen.sum(), -1), (int(seen.sum()), 2)).ravel())
        unseen.append(1 - seen.mean())
    knee = got.quantities["right"]["knee_flexion_deg"]
    curve, true = (
        got.curves["right"]["knee_flexion"].mean,
        np.asarray(truth.data["knee_flexion_deg"]["curve"]),
    )
    shifts, theta = np.arange(-300, 301) / 100, np.arange(360.0)
    left = [np.nanmean((curve - np.interp(theta + s, theta, true, period=360)) ** 2) for s in shifts]
    return Outcome(
        np.concatenate(errors), np.concatenate(us), float(np.mean(unseen)),
        tuple((knee[e], float(truth.data["knee_flexion_deg"][e])) for e in KNEE),
        (got.cadence_rpm, float(truth.data["cadence_rpm"])), float(shifts[int(np.argmin(left))]),
    )  # fmt: skip


@lru_cache(maxsize=1)
def outcomes() -> tuple[Mapping[str, tuple[Outcome, ...]], Mapping[str, str]]:
    """All films, two at a time; and those that were refused, with the words."""
    jobs = [(level, seed) for level in LEVELS for seed in SEEDS]
    with ProcessPoolExecutor(2) as pool:
        found = list(pool.map(outcome_of, jobs))
    by: dict[str, tuple[Outcome, ...]] = {}
    refused: dict[str, str] = {}
    for (level, seed), one in zip(jobs, found, strict=True):
        if isinstance(one, str):
            refused[f"{level.name}, seed {seed}"] = one
        else:
            by[level.name] = (*by.get(level.name, ()), one)
    return by, refused


def points() -> list[Row]:
    """Errors of the followed points in px, and their stated intervals."""
    rows, held = [], []
    known, refused = outcomes()
    for name, films in known.items():
        error, u = (np.concatenate([getattr(o, k) for o in films]) for k in ("point_px", "point_u"))
        inside = np.abs(error) <= Z95 * u
        held.append(inside)
        rows.append(
            Row(f"{name}: points, RMS error per axis", rms(error), "px", "≤ 0.1" if "5 Mb" in name else "≤ 0.05",
                f"95 % intervals that hold: {100 * inside.mean():.1f} %, error over u {rms(error / u):.2f}, unseen "
                f"{100 * np.mean([o.unseen for o in films]):.1f} %")
        )  # fmt: skip
    rows.append(
        Row("all films: 95 % intervals of points that hold", 100 * float(np.concatenate(held).mean()), "%",
            "90 to 98", f"{len(LEVELS)} kinds of film, {len(SEEDS)} of each, 10 points")
    )  # fmt: skip
    rows.append(
        Row("films that the program refuses", len(refused), "films", "≤ 0",
            "; ".join(f"{name}: {words.split(';')[0]}" for name, words in refused.items()))
    )  # fmt: skip
    return rows


def angles() -> list[Row]:
    """Errors of knee flexion, cadence and crank angle, and their stated intervals."""
    rows, asked = [], []
    for name, films in outcomes()[0].items():
        knee = [pair for o in films for pair in o.knee]
        asked += knee
        bdc = [o.knee[KNEE.index("bdc")] for o in films]
        z = [(m.value - t) / m.u for m, t in knee]
        rows.append(
            Row(f"{name}: knee flexion at BDC, RMS error", rms([m.value - t for m, t in bdc]), "deg", "≤ 0.5",
                f"crank angle off by {rms([o.crank_deg for o in films]):.2f}°, cadence by "
                f"{rms([o.cadence[0].value - o.cadence[1] for o in films]):.3f} rpm; error over u of "
                f"{', '.join(KNEE)} {rms(z):.2f}")
        )  # fmt: skip
    every = [o for films in outcomes()[0].values() for o in films]
    knee_off, cadence_off = (
        [m.value - t for m, t in asked],
        [o.cadence[0].value - o.cadence[1] for o in every],
    )
    rows += [
        Row("all films: knee flexion, RMS error", rms(knee_off), "deg", "≤ 0.5", ", ".join(KNEE)),
        Row("all films: crank angle, RMS error", rms([o.crank_deg for o in every]), "deg", "≤ 0.5"),
        Row("all films: cadence, RMS error", rms(cadence_off), "rpm", "≤ 0.05"),
        Row("all films: 95 % intervals of knee flexion that hold",
            100 * float(np.mean([abs(m.value - t) <= Z95 * m.u for m, t in asked])), "%", "90 to 98",
            f"of {len(asked)} values; {EXACT}"),
    ]  # fmt: skip
    return rows


MEASUREMENTS = (
    Measurement("film-grid-points", "Film grid: points in films that are hard in one way each", points),
    Measurement("film-grid-angles", "Film grid: angles in the same films", angles),
)
