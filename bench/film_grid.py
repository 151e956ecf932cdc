"""Rendered films that are hard in one way each: errors of points and angles, and whether stated intervals hold them.

One kind of film is the usual one; every other differs from it in one thing, a few in several at once. Beside that one
thing no two films are alike: two riders on bikes of other widths, hips that are wider or narrower, a camera that is a
little askew, rolled and bent, and a sensor of another readout, each drawn at random. All are simulated, and marked as
a hand would, with both wheel axles and the taped distance, as the instructions ask for.
"""

from __future__ import annotations

import math
import shutil
import zlib
from collections.abc import Mapping
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
from scipy.optimize import fsolve

from bench.against_truth import (
    EXACT,
    Pair,
    curve_error,
    errors_of,
    held,
    marked_axles,
    of_events,
    rms_z,
    side_results,
)
from bench.drawn import SIZE as PATCH
from bench.film_hard import cramer_rao
from bench.measurement import Measurement, Row, rms
from bench.simulated import OUT, drawn_by
from fitwright.demo.camera import SimCamera, studio_camera
from fitwright.demo.conditions import Conditions
from fitwright.demo.film import SIDE_POINTS, render_clip, sticker_positions
from fitwright.demo.motion3d import ride
from fitwright.demo.riders import FIRST, SECOND, SimRider, SimSetup
from fitwright.demo.stickers import INNER_MM, OUTER_MM
from fitwright.demo.truth import Truth, hand_marks, ride_truth
from fitwright.errors import InputError
from fitwright.quantity import Z95, Floats, Measured
from fitwright.vision.sagittal import read_side
from fitwright.vision.scene import DEPTH_MM, sticker_shifts
from fitwright.vision.track import track_points

SIZE = (1280, 720)
SEEDS = (3, 4)
KNEE = ("min", "max", "bdc")
RIDE_S = 240.0
"""So long the whole ride is of which a film shows some seconds: its mean is what a stated knee angle is about."""
TAPE_U_MM = 15.0


@dataclass(frozen=True)
class Level:
    """One kind of film: the `axis` of the grid along which it differs from the usual one, and how.

    `readout_s` None draws one as telephones have it; `told`: the reading knows it.
    """

    name: str
    axis: str
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
    readout_s: float | None = None
    told: bool = False

    @property
    def drawn(self) -> tuple[object, ...]:
        """What the film itself depends on."""
        return tuple(v for k, v in asdict(self).items() if k not in ("name", "axis", "told"))


LEVELS = (
    Level("usual film", "usual"),
    Level("near, 2.6 m", "distance", distance_mm=2600, focal_px=1110),
    Level("far, 4.6 m: discs of 8 px", "distance", distance_mm=4600),
    Level("yaw 5°", "yaw and tilt", yaw_deg=5), Level("yaw −10°", "yaw and tilt", yaw_deg=-10),
    Level("yaw 10°", "yaw and tilt", yaw_deg=10), Level("tilt 5°", "yaw and tilt", tilt_deg=5),
    Level("yaw 10° and tilt −5°", "yaw and tilt", yaw_deg=10, tilt_deg=-5),
    Level("yaw −10° and tilt 5°", "yaw and tilt", yaw_deg=-10, tilt_deg=5),
    Level("noise of 4 grey levels", "noise", light=Conditions(noise_dn=4.0)),
    Level("noise of 8 grey levels", "noise", light=Conditions(noise_dn=8.0)),
    Level("noise of 8 grey levels, 150 Mb/s", "noise", light=Conditions(noise_dn=8.0), bit_rate=150e6),
    Level("exposure 1/1000 s", "blur", exposure_s=1 / 1000), Level("exposure 1/120 s", "blur", exposure_s=1 / 120),
    Level("flicker of 4 %", "light", light=Conditions(flicker=0.04)),
    Level("light drifts by 12 %", "light", light=Conditions(drift=0.12)),
    Level("30 frames/s", "frame rate", fps=30, seconds=8), Level("120 frames/s", "frame rate", fps=120, seconds=4),
    Level("240 frames/s", "frame rate", fps=240, seconds=3),
    Level("60 rpm", "cadence", rpm=60, seconds=8), Level("75 rpm", "cadence", rpm=75),
    Level("110 rpm", "cadence", rpm=110),
    Level("time stamps jitter by 4 ms", "frame times", light=Conditions(jitter_s=4e-3)),
    Level("one frame in twelve lost", "frame times", light=Conditions(lost=1 / 12)),
    Level("a hand over the hip for 0.3 s", "occlusion", light=Conditions(covered_s=0.3)),
    Level("patterned clothes", "clothes", light=Conditions(pattern_dn=20.0)),
    Level("readout 4 ms, not known", "rolling shutter", readout_s=4e-3),
    Level("readout 4 ms, stated", "rolling shutter", readout_s=4e-3, told=True),
    Level("readout 20 ms, not known", "rolling shutter", readout_s=20e-3),
    Level("readout 20 ms, stated", "rolling shutter", readout_s=20e-3, told=True),
    Level("5 Mb/s", "bit rate", bit_rate=5e6),
    Level("30 frames/s, 1/240 s, 110 rpm", "several", fps=30, rpm=110, exposure_s=1 / 240, seconds=8),
    Level("30 frames/s, 1/120 s, 90 rpm, 5 Mb/s", "several", fps=30, rpm=90, exposure_s=1 / 120, bit_rate=5e6,
          seconds=8),
    Level("30 frames/s, 1/120 s, 110 rpm, 5 Mb/s", "several", fps=30, rpm=110, exposure_s=1 / 120, bit_rate=5e6,
          seconds=8),
)  # fmt: skip


@dataclass(frozen=True)
class Filmed:
    """Who is filmed in one film, on what, by which camera, in which ride, and how much further out stickers lie."""

    rider: SimRider
    setup: SimSetup
    camera: SimCamera
    seed: int
    beside_mm: Mapping[str, float]


@dataclass(frozen=True)
class Outcome:
    """One film followed and read: point errors and their stated u (N,) px; share unseen; `KNEE` beside the whole
    ride's mean, and beside the mean of the film's own turns; cadence; error of the knee's curve (RMS, deg) and the
    shift of crank angle in it (deg)."""

    point_px: Floats
    point_u: Floats
    unseen: float
    knee: Mapping[str, Pair]
    own_turns: Mapping[str, Pair]
    cadence: Pair
    curve_deg: float
    crank_deg: float


def rider_of(seed: int) -> SimRider:
    """Both riders take turns."""
    return FIRST if seed % 2 else SECOND


def filmed(level: Level, seed: int) -> Filmed:
    """What is drawn at random in a film: half the widths of bike and hips (SD 7 and 12 mm), the camera's aim (1°),
    roll (0.7°), lens (k1 0.01, centre 4 px) and readout (10 ± 5 ms), how far out each sticker lies (as assumed)."""
    rng = np.random.default_rng([zlib.crc32(repr(level.drawn).encode()), seed])
    rider = rider_of(seed)
    wider, hip = rng.normal(0, 14), rng.normal(0, 12)
    legs = {s: replace(rider.leg(s), hip_out_mm=rider.leg(s).hip_out_mm + hip) for s in ("left", "right")}
    contact = replace(rider.setup.contact, q_factor_mm=rider.setup.contact.q_factor_mm + wider)
    setup = replace(rider.setup, contact=contact)
    rpm = rider.habits.cadence_rpm if level.rpm is None else level.rpm
    rider = replace(rider, **legs, setup=setup, habits=replace(rider.habits, cadence_rpm=rpm))
    yaw, tilt, roll, k1 = rng.normal(0, 1, 4) * [1.0, 1.0, 0.7, 0.01]
    late = (
        float(np.clip(rng.normal(0.010, 0.005), 0.002, 0.022)) if level.readout_s is None else level.readout_s
    )
    centre = tuple(float(c) for c in rng.normal(0, 4, 2))
    camera = _aimed(level, yaw, tilt, roll, k1, late, (centre[0], centre[1]))
    turned, *own = sticker_shifts(tuple(n for n in SIDE_POINTS if n in DEPTH_MM))
    by = rng.normal(0, 1, len(own)).tolist()
    seed_of_ride = int(rng.integers(1 << 30))
    out = float(rng.normal())  # drawn last: the films stay what they were but for the turned foot
    beside = {
        n: k * mm + out * turned.get(n, 0.0)
        for k, shift in zip(by, own, strict=True)
        for n, mm in shift.items()
    }
    return Filmed(rider, setup, camera, seed_of_ride, beside)


def _aimed(
    level: Level,
    yaw: float,
    tilt: float,
    roll: float,
    k1: float,
    readout_s: float,
    centre: tuple[float, float],
) -> SimCamera:
    """A camera of this kind, aimed so that the rider stays in the picture's middle."""
    aim, wanted = np.array([-60.0, 520.0, 0.0]), np.array([0.55, 0.49]) * SIZE

    def at(xy: Floats) -> SimCamera:
        return studio_camera(
            "side", SIZE, position_mm=(float(xy[0]), float(xy[1]), level.distance_mm),
            yaw_deg=level.yaw_deg + yaw, tilt_deg=level.tilt_deg + tilt, roll_deg=roll, focal_px=level.focal_px,
            k1=k1, centre_px=centre, readout_s=readout_s, exposure_s=level.exposure_s,
        )  # fmt: skip

    return at(fsolve(lambda xy: at(xy).project(aim)[0] - wanted, np.array([-130.0, 560.0])))


def film_of(level: Level, seed: int) -> Path:
    """The rendered film, kept in bench/out until what draws it changes."""
    folder = OUT / f"grid-{drawn_by('fitwright.demo.film')}"
    who = filmed(level, seed)
    path = folder / f"{zlib.crc32(repr((level.drawn, who)).encode()):08x}.mp4"
    if not path.is_file():
        render_clip(
            who.rider, who.setup, "side", path, seconds=level.seconds, fps=level.fps, seed=who.seed,
            bit_rate=level.bit_rate, camera=who.camera, conditions=level.light,
            beside_mm=who.beside_mm,
        )  # fmt: skip
    return path


def outcome_of(job: tuple[Level, int]) -> Outcome | str:
    """Render (unless there), follow, read; the words when the program refuses the film."""
    try:
        return _read(*job)
    except InputError as refused:
        return str(refused)


def _read(level: Level, seed: int) -> Outcome:
    path, who = film_of(level, seed), filmed(level, seed)
    rng = np.random.default_rng([who.seed, 78])
    truth, marks = Truth.load(path), hand_marks(Truth.load(path), 1.3, who.seed)
    tracks = track_points(path, marks["time_s"], {n: np.array(p) for n, p in marks["points"].items()})
    taped = math.hypot(*who.camera.position_mm) + rng.normal(0, TAPE_U_MM)
    readout_ms = 1e3 * who.camera.readout_s if level.told else None
    crank = who.setup.contact.crank_mm
    reading = read_side(tracks, "right", crank, taped, readout_ms, marked_axles(who.camera, who.seed))
    _, got = side_results(reading, crank)
    _, turns = side_results(replace(reading, systematic=replace(reading.systematic, rereadings=())), crank)
    points = errors_of(tracks, truth).values()
    knee = got.quantities["right"].get("knee_flexion_deg", {})
    own = of_events(knee, truth.data["knee_flexion_deg"], KNEE)
    whole = ride_truth(ride(who.rider, who.setup, who.seed), "side", 0.0, RIDE_S, sticker_positions)
    curve = curve_error(
        got.curves["right"]["knee_flexion"].mean, np.asarray(truth.data["knee_flexion_deg"]["curve"])
    )
    return Outcome(
        np.concatenate([e.ravel() for e, _, _ in points]), np.concatenate([u.ravel() for _, u, _ in points]),
        1 - float(np.mean([seen for _, _, seen in points])),
        of_events(knee, whole["knee_flexion_deg"], KNEE),
        _without_turns(own, turns.quantities["right"].get("knee_flexion_deg", {})),
        (got.cadence_rpm, float(truth.data["cadence_rpm"])), curve[0], curve[1],
    )  # fmt: skip


def _without_turns(pairs: Mapping[str, Pair], turns: Mapping[str, Measured]) -> dict[str, Pair]:
    """The same with the part of u taken off that says how a few turns stand for a ride: the film's own turns are
    known."""
    return {
        e: (replace(m, u=math.sqrt(max(m.u**2 - turns[e].u**2, 1e-6))), true) for e, (m, true) in pairs.items()
    }  # fmt: skip


@lru_cache(maxsize=1)
def outcomes() -> tuple[Mapping[Level, tuple[Outcome, ...]], Mapping[str, str]]:
    """All films, two at a time; and those that were refused, with the words."""
    kept = OUT / f"grid-{drawn_by('fitwright.demo.film')}"
    for old in OUT.glob("grid-*"):
        if old != kept:
            shutil.rmtree(old, ignore_errors=True)
    jobs = [(level, seed) for level in LEVELS for seed in SEEDS]
    drawn = {(repr(level.drawn), seed): (level, seed) for level, seed in jobs}
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(film_of, *zip(*drawn.values(), strict=True)))  # two kinds may be of one film
        found = list(pool.map(outcome_of, jobs))
    by: dict[Level, tuple[Outcome, ...]] = {}
    refused: dict[str, str] = {}
    for (level, seed), one in zip(jobs, found, strict=True):
        if isinstance(one, str):
            refused[f"{level.name}, {rider_of(seed).key} rider"] = one
        else:
            by[level] = (*by.get(level, ()), one)
    return by, refused


def points() -> list[Row]:
    """Errors of the followed points in px, and their stated intervals."""
    rows, inside = [], []
    known, refused = outcomes()
    for level, films in known.items():
        error, u = (np.concatenate([getattr(o, k) for o in films]) for k in ("point_px", "point_u"))
        inside.append(np.abs(error) <= Z95 * u)
        rows.append(
            Row(f"{level.name}: points, RMS error per axis", rms(error), "px",
                "≤ 0.1" if level.bit_rate < 6e6 else "≤ 0.05",
                f"95 % intervals that hold: {100 * inside[-1].mean():.1f} %, error over u {rms(error / u):.2f}, "
                f"unseen {100 * np.mean([o.unseen for o in films]):.1f} %{_beside_the_bound(level, error)}")
        )  # fmt: skip
    rows.append(
        Row("all films: 95 % intervals of points that hold", 100 * float(np.concatenate(inside).mean()), "%",
            "90 to 98", f"{len(LEVELS)} kinds of film, {len(SEEDS)} of each, 10 points")
    )  # fmt: skip
    rows.append(
        Row("films that the program refuses", len(refused), "films", "≤ 0",
            "; ".join(f"{name}: {words.split(';')[0]}" for name, words in refused.items()))
    )  # fmt: skip
    return rows


def _beside_the_bound(level: Level, error: Floats) -> str:
    """In a noisy film: how far the errors are above what the sensor's noise alone allows of a still disc."""
    if level.axis != "noise":
        return ""
    px_per_mm, middle = level.focal_px / level.distance_mm, np.full(2, PATCH / 2)
    radii = (INNER_MM * px_per_mm, OUTER_MM * px_per_mm)
    bound = float(np.sqrt(np.mean(cramer_rao(middle, (0.0, 0.0), radii, level.light.noise_dn))))
    return f"; {rms(error) / bound:.1f} times the Cramér–Rao bound of the noise before coding, {bound:.3f} px"


def angles() -> list[Row]:
    """Errors of knee flexion, cadence and crank angle, and their stated intervals."""
    known = outcomes()[0]
    rows = [_angle_row(level, films) for level, films in known.items()]
    every = [o for films in known.values() for o in films]
    turned = [o for o in every if math.isfinite(o.curve_deg)]
    told, own = ([p for o in every for p in getattr(o, k).values()] for k in ("knee", "own_turns"))
    return [
        *rows,
        Row("all films: knee flexion, RMS error", rms([m.value - t for m, t in own]), "deg", "≤ 0.5",
            ", ".join(KNEE)),
        Row("all films: knee flexion over the mean turn, RMS error", rms([o.curve_deg for o in turned]), "deg",
            "≤ 0.5", f"{len(every) - len(turned)} films have no mean turn" if len(turned) < len(every) else ""),
        Row("all films: crank angle, RMS error", rms([o.crank_deg for o in turned]), "deg", "≤ 0.5"),
        Row("all films: cadence, RMS error", rms([m.value - t for m, t in (o.cadence for o in every)]), "rpm",
            "≤ 0.05"),
        *(_coverage_row(axis, [p for level, films in known.items() if level.axis == axis for o in films
                               for p in o.own_turns.values()], "")
          for axis in dict.fromkeys(level.axis for level in known)),
        _coverage_row("all films", own, "90 to 98"),
        Row("all films: 95 % intervals, as stated, of knee flexion that hold the whole ride's mean", held(told), "%",
            "≥ 90", f"error over u {rms_z(told):.2f}; a few turns stand for the ride, which u counts in"),
    ]  # fmt: skip


def _angle_row(level: Level, films: tuple[Outcome, ...]) -> Row:
    off = [m.value - t for m, t in (o.own_turns["bdc"] for o in films if "bdc" in o.own_turns)]
    untold = len(films) * len(KNEE) - sum(len(o.knee) for o in films)
    return Row(f"{level.name}: knee flexion at BDC, RMS error", rms(off), "deg", "≤ 0.5",
               f"crank angle off by {rms([o.crank_deg for o in films]):.2f}°, cadence by "
               f"{rms([o.cadence[0].value - o.cadence[1] for o in films]):.3f} rpm; error over u of "
               f"{', '.join(KNEE)} {rms_z([p for o in films for p in o.knee.values()]):.2f}"
               + (f"; {untold} of {3 * len(films)} not told: too few whole turns" if untold else ""))  # fmt: skip


def _coverage_row(which: str, pairs: list[Pair], limit: str) -> Row:
    """Of the film's own turns, so that camera, depths and tracking alone are put to the test."""
    return Row(f"{which}: 95 % intervals of knee flexion in these turns that hold", held(pairs), "%", limit,
               f"{len(pairs)} values, error over u {rms_z(pairs):.2f}" + (f"; {EXACT}" if limit else ""))  # fmt: skip


MEASUREMENTS = (
    Measurement("film-grid-points", "Film grid: points in films that are hard in one way each", points),
    Measurement("film-grid-angles", "Film grid: angles in the same films", angles),
)
