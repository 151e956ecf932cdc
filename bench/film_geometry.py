"""Films without pictures: where points would be seen, over a grid of cameras, and how often stated intervals hold.

The simulated riders of the demo, seen by a simulated camera with a rolling shutter; the followed points are off by as
much as the tracker says. So hundreds of films a cell can be read, each with other widths of bike and hips, stickers
elsewhere on the limb, another lens, readout, roll, tape and hand. What is drawn has the spread that the program
assumes: this shows whether its sums are right, not whether the world is as it assumes.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.interpolate import CubicSpline

from bench.against_truth import EXACT, Pair, held, marked_axles, of_events, rms_z, side_results
from bench.film_grid import KNEE, RIDE_S, TAPE_U_MM, Filmed, Level, filmed
from bench.measurement import Measurement, Row, rms
from fitwright.demo.camera import SimCamera, studio_camera
from fitwright.demo.conditions import TIMESCALE, Conditions, frame_times
from fitwright.demo.film import at_row_time, sticker_positions
from fitwright.demo.motion3d import Motion, ride
from fitwright.demo.truth import ride_truth
from fitwright.motion.front import analyse_front
from fitwright.motion.ride import RideResult
from fitwright.quantity import Floats
from fitwright.vision.frontal import read_front
from fitwright.vision.sagittal import SideReading, read_side
from fitwright.vision.scene import DEPTH_MM, Scene
from fitwright.vision.track import Tracks
from fitwright.vision.video import ClipInfo

DRAWS = {"side": 48, "front": 24}
NOISE_PX = 0.05
STICKERS = (
    "greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "heel", "fifth_metatarsal", "pedal_axle",
)  # fmt: skip
SIDES, PATH = ("left", "right"), ("top", "q90", "bdc", "range")
OFF_MM = {"patella": (14.0, 0.0, 0.0), "pedal": (0.8, 0.8, 0.0)}
"""How far the stickers of a front film sit from where they belong, X, Y, Z (SD): a kneecap further ahead, a pedal's
sticker put on by eye. Sideways they are taken as exact, like those of the side film in their plane."""
FRONT_STICKERS = tuple(f"{n}_{s}" for n in ("patella", "pedal") for s in SIDES)


@dataclass(frozen=True)
class SideCell:
    """One cell of the side view: the kind of film; whether the distance was taped and the wheel axles marked; whether
    the stickers lie as far out as the program supposes, so that only the camera is put to the test."""

    level: Level
    taped: bool = True
    marked: bool = True
    as_supposed: bool = False

    @property
    def name(self) -> str:
        """For the table."""
        return self.level.name + (", stickers as far out as supposed" if self.as_supposed else "")


@dataclass(frozen=True)
class FrontCell:
    """One cell of the front view: how the camera stands, and what is known beside the film."""

    name: str
    distance_mm: float = 3300.0
    yaw_deg: float = 0.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    aside_mm: float = 0.0
    taped: bool = True


SLANTS = ((10.0, 0.0), (-10.0, 0.0), (10.0, -5.0), (-10.0, 5.0))
CAMERA_ALONE = tuple(
    SideCell(Level(f"yaw {yaw:g}°, tilt {tilt:g}°".replace("-", "−"), "yaw and tilt", yaw_deg=yaw, tilt_deg=tilt),
             as_supposed=True) for yaw, tilt in SLANTS
)  # fmt: skip
"""How much a camera askew costs by itself: its own limit is for these."""
SIDE = (
    SideCell(Level("square, 3.6 m, 60 frames/s", "usual")),
    SideCell(Level("yaw 5°", "yaw", yaw_deg=5)), SideCell(Level("yaw −10°", "yaw", yaw_deg=-10)),
    SideCell(Level("yaw 10°", "yaw", yaw_deg=10)), SideCell(Level("tilt 5°", "tilt", tilt_deg=5)),
    SideCell(Level("yaw 10° and tilt −5°", "yaw and tilt", yaw_deg=10, tilt_deg=-5)),
    SideCell(Level("2.6 m", "distance", distance_mm=2600, focal_px=1110)),
    SideCell(Level("4.6 m", "distance", distance_mm=4600)),
    SideCell(Level("30 frames/s", "frame rate", fps=30)), SideCell(Level("120 frames/s", "frame rate", fps=120)),
    SideCell(Level("60 rpm", "cadence", rpm=60)), SideCell(Level("110 rpm", "cadence", rpm=110)),
    SideCell(Level("time stamps jitter by 4 ms", "frame times", light=Conditions(jitter_s=4e-3))),
    SideCell(Level("readout 20 ms, stated", "rolling shutter", readout_s=20e-3, told=True)),
    SideCell(Level("distance not taped", "known"), taped=False),
    SideCell(Level("nothing level marked", "known"), marked=False),
)  # fmt: skip
FRONT = (
    FrontCell("square, 3.3 m"), FrontCell("yaw 10°", yaw_deg=10.0), FrontCell("tilt 5°", tilt_deg=5.0),
    FrontCell("roll 3°", roll_deg=3.0), FrontCell("2.6 m", distance_mm=2600), FrontCell("4.3 m", distance_mm=4300),
    FrontCell("lens 250 mm off the mid-plane", aside_mm=250.0), FrontCell("distance not taped", taped=False),
)  # fmt: skip
USUAL = SIDE[0]


def seen(
    motion: Motion, camera: SimCamera, names: Sequence[str], times_s: Floats, off_mm: Floats,
    rng: np.random.Generator,
) -> Tracks:  # fmt: skip
    """Tracks of stickers that sit `off_mm` (P, 3) from where they are drawn."""
    fine = np.arange(times_s[0] - 0.05, times_s[-1] + 0.1, 2e-3)
    everywhere = sticker_positions(motion, camera.view, fine)
    uv = np.empty((times_s.size, len(names), 2))
    for i, name in enumerate(names):
        place = CubicSpline(fine, everywhere[name] + off_mm[i])
        uv[:, i] = at_row_time(place, times_s, camera)[1] + rng.normal(0, NOISE_PX, (times_s.size, 2))
    rate = (times_s.size - 1) / (times_s[-1] - times_s[0])
    info = ClipInfo("no picture", "none", camera.width, camera.height, float(rate), float(times_s[-1]), 0, 8, 0.0,
                    camera.exposure_s)  # fmt: skip
    return Tracks(tuple(names), times_s, uv, np.full(uv.shape, NOISE_PX), ("disc",) * len(names), info,
                  {n: {"seen": 1.0} for n in names})  # fmt: skip


def times_of(level: Level, rng: np.random.Generator) -> Floats:
    return np.asarray(frame_times(level.seconds, level.fps, rng, level.light) / TIMESCALE)


def read_from_side(cell: SideCell, who: Filmed) -> SideReading:
    """One film of this cell, read with what is known in it."""
    rng = np.random.default_rng([who.seed, 81])
    motion, times_s = ride(who.rider, who.setup, who.seed), times_of(cell.level, rng)
    beside = who.beside_mm
    if cell.as_supposed:
        drawn = sticker_positions(motion, "side", times_s)
        beside = {n: DEPTH_MM[n][0] - drawn[n][:, 2].mean() for n in STICKERS}
    off = np.array([(0.0, 0.0, beside[n]) for n in STICKERS])
    tracks = seen(motion, who.camera, STICKERS, times_s, off, rng)
    taped = math.hypot(*who.camera.position_mm) + rng.normal(0, TAPE_U_MM) if cell.taped else None
    scene = marked_axles(who.camera, who.seed) if cell.marked else Scene()
    readout_ms = 1e3 * who.camera.readout_s if cell.level.told else None
    return read_side(tracks, "right", who.setup.contact.crank_mm, taped, readout_ms, scene)


def side_film(cell: SideCell, seed: int) -> list[Pair]:
    """Knee flexion at `KNEE` beside the rider's mean."""
    who = filmed(cell.level, seed)
    _, got = side_results(read_from_side(cell, who), who.setup.contact.crank_mm)
    true = _truth(who, "side")["knee_flexion_deg"]
    return list(of_events(got.quantities["right"]["knee_flexion_deg"], true, KNEE).values())


def front_film(cell: FrontCell, seed: int) -> list[Pair]:
    """Both knees' paths at `PATH` beside the rider's mean; their depth comes from a side film of the same ride."""
    rng = np.random.default_rng([zlib.crc32(cell.name.encode()), seed, 82])
    who = filmed(USUAL.level, seed)
    crank = who.setup.contact.crank_mm
    twin, _ = side_results(read_from_side(USUAL, who), crank)
    camera = front_camera(cell, rng)
    off = rng.normal(0, 1, (len(FRONT_STICKERS), 3)) * [OFF_MM[n.split("_")[0]] for n in FRONT_STICKERS]
    motion = ride(who.rider, who.setup, who.seed)
    tracks = seen(motion, camera, FRONT_STICKERS, times_of(USUAL.level, rng), off, rng)
    taped = math.hypot(*camera.position_mm) + rng.normal(0, TAPE_U_MM) if cell.taped else None
    got = _front_result(tracks, crank, taped, twin)
    true = _truth(who, "front")["knee_path_mm"]
    return [p for s in SIDES for p in of_events(got.quantities[s]["knee_path_mm"], true[s], PATH).values()]


def _front_result(tracks: Tracks, crank_mm: float, taped: float | None, twin: RideResult) -> RideResult:
    reading = read_front(tracks, crank_mm, taped, twin)
    exact = replace(reading.systematic, landmark_u_mm={})
    return analyse_front(reading.trajectories, reading.theta_rad, exact, {"dimension": "2-D", "state": "dynamic",
                                                                         "landmarks": "stickers"})  # fmt: skip


def front_camera(cell: FrontCell, rng: np.random.Generator) -> SimCamera:
    """A front camera of this cell, a little off in everything, aimed at the middle of the bike but for its slant."""
    z, y = cell.aside_mm + rng.normal(0, 50), rng.uniform(450, 800)
    yaw, tilt, roll, k1 = rng.normal(0, 1, 4) * [1.0, 1.0, 1.0, 0.01]
    late = float(np.clip(rng.normal(0.010, 0.005), 0.002, 0.022))
    return studio_camera(
        "front", (1280, 720), position_mm=(cell.distance_mm, y, z),
        yaw_deg=cell.yaw_deg + yaw - math.degrees(math.atan2(z, cell.distance_mm)),
        tilt_deg=cell.tilt_deg + tilt + math.degrees(math.atan2(y - 450, cell.distance_mm)),
        roll_deg=cell.roll_deg + roll, focal_px=0.42 * cell.distance_mm, k1=k1, readout_s=late,
        centre_px=(float(rng.normal(0, 4)), float(rng.normal(0, 4))),
    )  # fmt: skip


def _truth(who: Filmed, view: str) -> dict[str, dict[str, float]]:
    """The mean of the ride, that a film's few turns stand for; from the side that of a ride without wandering from
    turn to turn, which is the same to 0.04°. (A mean range is not: wandering makes it larger.)"""
    steady = view == "side"
    seconds = 180.0 / who.rider.habits.cadence_rpm if steady else RIDE_S / 6
    return ride_truth(
        ride(who.rider, who.setup, who.seed, steady=steady), view, 0.0, seconds, sticker_positions
    )


def geometry() -> list[Row]:
    """Errors and coverage, cell by cell, of knee flexion from the side and knee paths from the front."""
    with ProcessPoolExecutor(2) as pool:
        side = {
            c: list(pool.map(partial(side_film, c), range(DRAWS["side"]), chunksize=10))
            for c in (*CAMERA_ALONE, *SIDE)
        }
        front = {
            c: list(pool.map(partial(front_film, c), range(DRAWS["front"]), chunksize=10)) for c in FRONT
        }
    # depths as supposed would flatter the intervals: these cells show their errors alone
    rows = [_error_row("side", c.name, side[c], "knee flexion", "deg", "≤ 0.5") for c in CAMERA_ALONE]
    rows += _rows("side", {c.name: side[c] for c in SIDE}, "knee flexion", "deg", "")
    return rows + _rows("front", {c.name: films for c, films in front.items()}, "knee path", "mm", "≤ 2")


def _error_row(view: str, name: str, films: list[list[Pair]], what: str, unit: str, limit: str) -> Row:
    pairs = [p for film in films for p in film]
    return Row(f"{view}, {name}: {what}, RMS error", rms([m.value - t for m, t in pairs]), unit, limit,
               f"{len(films)} films; stated u, RMS {rms([m.u for m, _ in pairs]):.2f}")  # fmt: skip


def _rows(view: str, cells: dict[str, list[list[Pair]]], what: str, unit: str, limit: str) -> list[Row]:
    rows = []
    for name, films in cells.items():
        pairs = [p for film in films for p in film]
        rows += [
            _error_row(view, name, films, what, unit, limit),
            # some hundred values that hang together: by chance alone a cell's share may be some per cent high
            Row(f"{view}, {name}: 95 % intervals that hold", held(pairs), "%", "≥ 90",
                f"error over u {rms_z(pairs):.2f}"),
        ]  # fmt: skip
    every = [p for films in cells.values() for film in films for p in film]
    return [*rows, Row(f"{view}, all: 95 % intervals of {what} that hold", held(every), "%", "90 to 98",
                       f"{len(every)} values, error over u {rms_z(every):.2f}; {EXACT}")]  # fmt: skip


MEASUREMENTS = (
    Measurement("film-geometry", "Film geometry: cameras of every kind, without pictures", geometry),
)
