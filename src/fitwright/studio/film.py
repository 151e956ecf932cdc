"""One film of the ride: marked points followed, put into the bike's frame, read by crank angle."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.given import check_file, read_json
from fitwright.motion.crank import crank_from_axle
from fitwright.motion.estimate import U_POINT_MM, as_estimates
from fitwright.motion.front import analyse_front
from fitwright.motion.ride import RideResult
from fitwright.motion.side import analyse_side
from fitwright.motion.smoothing import smooth_trajectories
from fitwright.motion.under_load import SHOE_LINE, shoe_yaws
from fitwright.quantity import Floats, Measured, listed
from fitwright.studio.point_origins import KINDS, Origin, origins_of
from fitwright.vision.disc import compiled_before
from fitwright.vision.film_card import cards_in
from fitwright.vision.frontal import read_front
from fitwright.vision.kept import give_back
from fitwright.vision.repair import CORRECTED
from fitwright.vision.rereading import PictureFrame
from fitwright.vision.sagittal import read_side
from fitwright.vision.scene import STEADY_POINTS, STILL_POINTS, Scene
from fitwright.vision.track import Tracks, track_points
from fitwright.vision.video import ClipInfo, probe, to_sensor

Progress = Callable[[float, str], None]
Cancelled = Callable[[], bool]

SIDE_POINTS = (
    "acromion", "elbow", "wrist", "greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "heel",
    "fifth_metatarsal", "pedal_axle", *STILL_POINTS,
)  # fmt: skip
FRONT_POINTS = tuple(
    f"{n}_{s}" for n in ("asis", "patella", "foot", "foot_rear", "pedal") for s in ("left", "right")
)
POINTS = {"side": SIDE_POINTS, "front": FRONT_POINTS}
CLOCK_U, STAMP_U_S = 1e-4, 1e-3
"""Rate of a camera's clock, as a share, and error of one time stamp (our choice)."""
LARGEST_MARKS_BYTES = 1_000_000
"""A file of marked points has a few thousand; something else was given by mistake."""
SAME_PLACE_PX = 0.5
ORIGINS = "origins"
"""Entry of a ride's quality: name → where the marked point came from."""
LANDMARKS = {
    "side": "stickers: greater trochanter, lateral femoral condyle, lateral malleolus; acromion; shoe heel and M5",
    "front": "stickers: patella, ASIS; pedal centre",
}


@dataclass(frozen=True)
class Marks:
    """Points marked in one frame: `time_s` of that frame, name → (u, v) in pixels of the upright picture; `guessed`:
    those among them that a network guessed and nobody confirmed; `origins`: where each came from."""

    time_s: float
    points: Mapping[str, tuple[float, float]]
    guessed: frozenset[str] = frozenset()
    origins: Mapping[str, Origin] = field(default_factory=dict)

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Marks:
        """From `{"time_s": t, "points": {name: [u, v]}, "guessed": [name], "origin": {name: {"how", "u_px"}}}`, the
        last two only where there are such.

        Raises:
            InputError: not of that shape, a number that is none, or no point at all.
        """
        if not isinstance(data, Mapping) or not isinstance(data.get("points"), Mapping):
            raise InputError(
                "points", "not the form expected", allowed='{"time_s": t, "points": {"name": [u, v]}}'
            )
        if not data["points"]:
            raise InputError("points", "no point is marked", allowed=", ".join(SIDE_POINTS + FRONT_POINTS))
        points = {str(name): _pair(str(name), uv) for name, uv in data["points"].items()}
        time_s = check_range("time_s", _number("time_s", data.get("time_s", 0.0)), 0.0, 36_000.0, "s")
        guessed = _guessed(data.get("guessed", ()), points)
        return Marks(
            time_s, points, guessed, origins_of({**data, "origin": _origins(data.get("origin", {}), points)})
        )

    @staticmethod
    def read(path: Path) -> Marks:
        """From a JSON file.

        Raises:
            InputError: no file, no JSON, or as `from_json`.
        """
        check_file("points", path)
        if path.stat().st_size > LARGEST_MARKS_BYTES:
            raise InputError("points", f"{path.name} is too large for marked points", hint="Is it the film?",
                             allowed=f"a JSON file of up to {LARGEST_MARKS_BYTES // 1_000_000} MB")  # fmt: skip
        return Marks.from_json(read_json("points", path))

    def checked(self, view: str, info: ClipInfo) -> Marks:
        """The marks themselves when their names fit the view and their places and time the clip.

        Raises:
            InputError: a point of another view, outside the picture or where another one is; a time after the end.
        """
        unknown = sorted(set(self.points) - set(POINTS[view]))
        if unknown:
            raise InputError("points", f"not a point of the {view} view", value=", ".join(unknown),
                             allowed=", ".join(POINTS[view]))  # fmt: skip
        width, height = info.upright_size_px
        for name, (u, v) in self.points.items():
            if not (0 <= u <= width - 1 and 0 <= v <= height - 1):
                raise InputError(name, "outside the picture", value=f"{u:g}, {v:g}",
                                 allowed=f"across 0 to {width - 1}, down 0 to {height - 1} px")  # fmt: skip
        self._check_apart()
        if info.duration_s and self.time_s > info.duration_s:
            raise InputError("time_s", "after the end of the film", value=self.time_s,
                             allowed=f"0 to {info.duration_s:.2f} s")  # fmt: skip
        return self

    def _check_apart(self) -> None:
        """Refuse two points of the rider at one place; those of floor and wheels may meet."""
        own = {n: uv for n, uv in self.points.items() if n not in STILL_POINTS}
        for (one, a), (other, b) in combinations(own.items(), 2):
            if math.dist(a, b) < SAME_PLACE_PX:
                raise InputError(other, f"is marked at the same place as {one}", value=f"{b[0]:g}, {b[1]:g}",
                                 hint="Mark each on its own sticker")  # fmt: skip


def _number(field: str, value: Any) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(field, "not a number", value=value)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise InputError(field, "not a number", value=number, allowed="a finite number")
    return number


def _pair(name: str, uv: Any) -> tuple[float, float]:
    if not isinstance(uv, list | tuple) or len(uv) != 2:
        raise InputError(name, "not a pair of pixels", value=uv, allowed="[u, v]")
    return _number(name, uv[0]), _number(name, uv[1])


def _guessed(said: Any, points: Mapping[str, Any]) -> frozenset[str]:
    """Names of guessed points; anything that is not a list of marked points that can be guessed is refused, for it
    would let a guess pass as a marked point."""
    allowed = [n for n in points if n in U_POINT_MM]
    if not isinstance(said, list | tuple | dict) or not all(
        isinstance(n, str) and n in allowed for n in said
    ):
        raise InputError("guessed", "not a list of marked points of the leg", value=str(said)[:80],
                         allowed=", ".join(allowed) or "none of these points")  # fmt: skip
    return frozenset(said)


def _origins(said: Any, points: Mapping[str, Any]) -> Mapping[str, Any]:
    """Where points came from, as a file or the record says it; a word that is not known is refused."""
    if not isinstance(said, Mapping):
        raise InputError("origin", "not the form expected", allowed='{"name": {"how": ..., "u_px": ...}}')
    for name, one in said.items():
        how = one.get("how") if isinstance(one, Mapping) else None
        if how not in KINDS:
            raise InputError(
                f"origin of {str(name)[:40]}", "unknown", value=str(how)[:40], allowed=", ".join(KINDS)
            )
        if one.get("u_px") is not None:
            check_range(f"origin of {name}", _number(str(name), one["u_px"]), 0.0, 500.0, "px")
    return {n: o for n, o in said.items() if n in points}


@dataclass(frozen=True)
class FilmResult:
    """`ride`: the result; `followed`: where each point was seen; `theta_deg`: the crank's angle in each frame of it,
    unwrapped, NaN where not known (of the right foot in the front view)."""

    ride: RideResult
    followed: Tracks
    theta_deg: Floats

    def to_json(self) -> dict[str, Any]:
        """`{"ride", "tracks", "theta_deg"}`: the record's form."""
        return {
            "ride": self.ride.to_json(), "tracks": self.followed.to_json(), "theta_deg": listed(self.theta_deg, 2),
        }  # fmt: skip

    def contract_json(self) -> dict[str, Any]:
        """What `fitwright ride analyse` writes: the ride, its quantities at the top level, and track quality."""
        top: dict[str, Any] = {}
        for side, quantities in self.ride.quantities.items():
            for name, events in quantities.items():
                told = {event: m.to_json() for event, m in events.items()}
                if self.ride.view == "side":
                    top[name] = told
                else:
                    top.setdefault(name, {})[side] = told
        return top | self.ride.to_json() | {
            "track_quality": {n: dict(q) for n, q in self.followed.quality.items()},
            "clip": self.followed.info.to_json(),
        }  # fmt: skip


def analyse_clip(
    video: Path,
    view: str,
    side: str | None,
    marks: Marks,
    crank_mm: float,
    camera_mm: float | None = None,
    twin: RideResult | None = None,
    readout_ms: float | Measured | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
    shoe_line: Mapping[str, Measured] | None = None,
    scene: Scene | None = None,
    card_depth_mm: float | None = None,
) -> FilmResult:
    """Follow the marked points through a film and tell what the body does by crank angle.

    Args:
        video: the film. view: "side" or "front". side: the filmed side, for the side view.
        marks: the points, marked once. crank_mm: crank length.
        camera_mm: lens to bottom bracket, by tape; None = prior with larger u.
        twin: the side film's result, for the knees' depth in the front view.
        readout_ms: time the sensor takes for all rows; None = prior; a `Measured` in s takes the prior's place.
        progress: called with the share done (0 to 1) and what is being done. cancelled: asked once per frame.
        shoe_line: side → distance of the two shoe points in the front view; not needed for anything else.
        scene: lengths around a side film; still points among the marks are added to it.
        card_depth_mm: look for the scale card in the marked frame, held so far beside the mid-plane.

    Raises:
        InputError: anything that can be mended, in one line. Stopped: cancelled.
    """
    _check_call(view, side, crank_mm, readout_ms)
    info = probe(video)
    marks = marks.checked(view, info)
    scene, followed = scene_and_followed(marks, scene or Scene())
    scene = with_card(scene, video, marks.time_s, info, side, card_depth_mm)
    points = {n: to_sensor(np.array(uv), info) for n, uv in followed.items()}
    told = None if progress is None else (lambda share: progress(0.97 * share, "following the points"))
    if progress is not None and not compiled_before():
        progress(0.0, "making ready to follow points, once on this computer")
    tracks = track_points(video, marks.time_s, points, told, cancelled, info)
    give_back()
    if progress is not None:
        progress(0.97, "reading the turns")
    result = read_tracks(
        tracks,
        view,
        side,
        crank_mm,
        camera_mm,
        twin,
        readout_ms,
        shoe_line,
        scene,
        marks.guessed,
        marks.origins,
    )
    if progress is not None:
        progress(1.0, "done")
    return result


def read_tracks(
    tracks: Tracks,
    view: str,
    side: str | None,
    crank_mm: float,
    camera_mm: float | None = None,
    twin: RideResult | None = None,
    readout_ms: float | Measured | None = None,
    shoe_line: Mapping[str, Measured] | None = None,
    scene: Scene | None = None,
    guessed: Collection[str] = (),
    origins: Mapping[str, Origin] | None = None,
) -> FilmResult:
    """What the body does by crank angle, from points that were followed; arguments and errors as `analyse_clip`.

    guessed: points that a network guessed and nobody confirmed: what hangs from them is an estimate. One that was put
        right in the film is confirmed by that.
    origins: where the points came from; kept with the ride.
    """
    ride, theta_rad = (
        _side(tracks, str(side), crank_mm, camera_mm, readout_ms, scene or Scene()) if view == "side"
        else _front(tracks, crank_mm, camera_mm, twin, readout_ms, shoe_line or {})
    )  # fmt: skip
    corrected = {n: tuple(q[CORRECTED]) for n, q in tracks.quality.items() if q.get(CORRECTED)}
    told = as_estimates(ride, [n for n in guessed if n not in corrected])
    if origins:
        whole = {n: replace(o, corrected_s=corrected.get(n, ())).to_json() for n, o in origins.items()}
        told = replace(told, quality={**told.quality, ORIGINS: whole})
    return FilmResult(told, tracks, np.degrees(theta_rad))


def _check_call(view: str, side: str | None, crank_mm: float, readout_ms: float | Measured | None) -> None:
    if view not in POINTS:
        raise InputError("view", "unknown", value=view, allowed="side, front")
    if view == "side" and side not in ("left", "right"):
        raise InputError("side", "say which side was filmed", value=side, allowed="left, right")
    check_range("crank_mm", crank_mm, 100, 220, "mm")
    if readout_ms is not None and not isinstance(readout_ms, Measured):
        check_range("readout_ms", readout_ms, 0, 50, "ms")


def scene_and_followed(marks: Marks, scene: Scene) -> tuple[Scene, dict[str, tuple[float, float]]]:
    """Still points that count where they were marked go to the scene; the others are followed through the film."""
    once = [n for n in marks.points if n in STILL_POINTS and n not in STEADY_POINTS]
    still = {n: np.array(marks.points[n]) for n in once}
    return (
        replace(scene, still_px={**scene.still_px, **still}, marked_s=marks.time_s),
        {n: uv for n, uv in marks.points.items() if n not in still},
    )


def with_card(
    scene: Scene, video: Path, at_s: float, info: ClipInfo, side: str | None, depth_mm: float | None
) -> Scene:
    """The scene with the scale card that is held up in the frame at `at_s`, where a side film has one."""
    if depth_mm is None or side is None:
        return scene
    check_range("card_depth_mm", depth_mm, -1000, 1000, "mm")
    return replace(scene, cards=cards_in(video, at_s, PictureFrame(info, side), depth_mm))


def _side(
    tracks: Tracks,
    side: str,
    crank_mm: float,
    camera_mm: float | None,
    readout_ms: float | Measured | None,
    scene: Scene,
) -> tuple[RideResult, Floats]:
    try:
        reading = read_side(tracks, side, crank_mm, camera_mm, readout_ms, scene)
    except (ArithmeticError, np.linalg.LinAlgError) as error:  # no camera sees any crank turn like that
        raise InputError("pedal_axle", "does not go round as a crank does", hint="Look whether it is marked on the "
                         "pedal of the filmed side, and mark it again") from error  # fmt: skip
    give_back()
    method = {"dimension": "2-D", "state": "dynamic", "landmarks": LANDMARKS["side"]}
    ride = analyse_side(reading.trajectories, side, crank_mm, reading.systematic, method)
    give_back()
    moved = reading.trajectories
    crank = crank_from_axle(moved.time_s, moved.point("pedal_axle", "X", "Y"))
    known = np.isfinite(crank.theta_rad)
    theta = np.interp(moved.time_s, moved.time_s[known], crank.theta_rad[known], left=np.nan, right=np.nan)
    return _with_facts(ride, tracks, reading.facts, reading.notes), theta


def _front(
    tracks: Tracks,
    crank_mm: float,
    camera_mm: float | None,
    twin: RideResult | None,
    readout_ms: float | Measured | None,
    shoe_line: Mapping[str, Measured],
) -> tuple[RideResult, Floats]:
    sure = twin if twin is not None and not twin.guessed else None  # a guess tells no knee's depth
    reading = read_front(tracks, crank_mm, camera_mm, sure, readout_ms)
    method = {"dimension": "2-D", "state": "dynamic", "landmarks": LANDMARKS["front"]}
    lens = (reading.facts["x_mm"], reading.facts["y_mm"], reading.facts["z_mm"])
    apart = {s: shoe_line.get(s, SHOE_LINE) for s in ("left", "right")}
    smoothed = smooth_trajectories(reading.trajectories)
    yaw = shoe_yaws(smoothed[0], apart, lens)
    ride = analyse_front(
        reading.trajectories, reading.theta_rad, reading.systematic, method,
        yaw_deg={s: y for s, (y, _) in yaw.items()}, u_yaw_deg={s: u for s, (_, u) in yaw.items()}, smoothed=smoothed,
    )  # fmt: skip
    return _with_facts(ride, tracks, reading.facts, reading.notes), reading.theta_rad


def _with_facts(
    ride: RideResult, tracks: Tracks, facts: Mapping[str, Any], notes: tuple[str, ...]
) -> RideResult:
    quality = {
        **ride.quality, "camera": dict(facts), "tracks": {k: dict(v) for k, v in tracks.quality.items()},
        "clip": tracks.info.to_json(),
    }  # fmt: skip
    told = float(tracks.time_s[-1] - tracks.time_s[0])
    late = ride.cadence_rpm.value * math.hypot(CLOCK_U, math.sqrt(2.0) * STAMP_U_S / told)
    return replace(ride, quality=quality, cadence_rpm=ride.cadence_rpm.widened(late),
                   notes=tuple(dict.fromkeys((*tracks.notes, *notes, *ride.notes))))  # fmt: skip
