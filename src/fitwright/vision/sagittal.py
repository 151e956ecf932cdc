"""The side film: pixels of named points to millimetres in the bike's sagittal plane.

The pedal axle draws a circle whose radius is the crank: its centre is the origin and its size the scale. The ellipse
that the circle becomes is not used to "straighten" the picture: perspective and lens bend it as much as a camera
a few degrees askew, and on rendered films that map made the knee angle worse (0.4–0.6° instead of 0.04–0.15° with
none). Instead the whole camera, perspective included, is fitted to the path with priors on what a tripod can be (see
`turning`), each point is read at its own depth, and everything that stays unknown is varied to see what it would
change: that goes into the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.motion.side import SideSystematic
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Z95, Floats, Measured
from fitwright.vision.camera import Pinhole
from fitwright.vision.rereading import (
    AsRead,
    Crossed,
    OtherCamera,
    OtherReadout,
    PictureFrame,
    to_plane,
    together,
    what_they_change,
)
from fitwright.vision.rolling_shutter import (
    SHOE,
    asked,
    at_one_time,
    readout,
    readout_words,
    shoe_of,
    swung,
    told_by_shoe,
)
from fitwright.vision.scale_choice import Way, scale_words, way_words, ways
from fitwright.vision.scene import STEADY_POINTS, STILL_POINTS, USUAL_MM, Scene
from fitwright.vision.shake import TREMBLE_PX, Shake, find_shake, round_as_before, tremble_px
from fitwright.vision.side_camera import SideCamera, find_side_camera
from fitwright.vision.track import Tracks
from fitwright.vision.turning import TurningFit, lens_of
from fitwright.vision.video import to_upright

ASKEW_ALARM_DEG, ROLL_ALARM_DEG = 8.0, 3.0
DEPTH_ALARM_DEG = 0.5
"""So much of a knee angle's u is said to come from how far out the stickers lie."""
STRAY_PX = 3.0


@dataclass(frozen=True)
class SideReading:
    """Trajectories (axes X, Y) with their systematic uncertainties, facts for the record, and notes in words."""

    trajectories: Trajectories
    systematic: SideSystematic
    facts: Mapping[str, Any]
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Seen:
    """The film's points at common times in the picture at rest: times (T,), px (T, P, 2) from the centre, shake, and
    the camera that saw them."""

    times: Floats
    px: Floats
    shake: Shake
    camera: SideCamera

    @property
    def turn_deg_s(self) -> float:
        """Mean speed of the crank."""
        theta = self.camera.fit.theta_rad
        return math.degrees(abs(theta[-1] - theta[0]) / (self.times[-1] - self.times[0]))


def read_side(
    tracks: Tracks,
    side: str,
    crank_mm: float,
    camera_mm: float | None = None,
    readout_ms: float | Measured | None = None,
    scene: Scene | None = None,
) -> SideReading:
    """Named points of a side film in the bike frame.

    Args:
        tracks: with "pedal_axle" among the names; still points (`STEADY_POINTS`) among them serve against shake.
        side: "left" or "right", the filmed side.
        crank_mm: the crank's length. camera_mm: lens to bottom bracket, by tape; None = prior.
        readout_ms: time the sensor takes for all rows; None = prior, and what the shoe tells of it; a `Measured` in s
            takes the prior's place.
        scene: still points that were only marked, and lengths around the film.

    Raises:
        InputError: no axle, impossible numbers, or the axle does not go round.
    """
    _check(tracks, crank_mm, camera_mm)
    scene = scene or Scene()
    frame = PictureFrame(tracks.info, side)
    shutter = readout(readout_ms)
    seen = _see(tracks, frame, shutter.value, crank_mm, camera_mm, scene)
    if readout_ms is None or isinstance(readout_ms, Measured):
        told = _shutter_of_shoe(tracks, frame, seen, shutter, crank_mm, scene)
        if told.value != shutter.value:
            seen = _see(tracks, frame, told.value, crank_mm, camera_mm, scene, seen.camera.alone)
        shutter = told
    names = tuple(n for n in tracks.names if n not in STILL_POINTS)
    keep = [tracks.names.index(n) for n in names]
    fit, px = seen.camera.fit, seen.px[:, keep]
    depth = _depths(names, fit, scene)
    mm = to_plane(px, names, fit.lens, depth, crank_mm)
    per_px = np.array([(fit.values["z_mm"] - depth[n]) / fit.lens.focal_px for n in names])
    u_mm = np.where(np.isfinite(mm), tracks.u_px[:, keep] * per_px[None, :, None], np.nan)
    others = _others(fit, depth, scene, crank_mm)
    crossed = [Crossed(c, d) for c in _slant_most(others, fit) for d in others if d.other == fit.lens]
    rows = OtherReadout(fit.lens, depth, frame, seen.turn_deg_s * shutter.u)
    changes = what_they_change(mm, names, [*others, *crossed])
    u_knee, u_scale = together(changes)
    by_depth = [other.other == fit.lens for other in others] + [True] * len(crossed)
    u_depth, _ = together([c for c, deep in zip(changes, by_depth, strict=True) if deep])
    told_ways = _ways(seen.camera, px, names, mm, u_knee, crank_mm, scene)
    return SideReading(
        Trajectories(names, seen.times, mm, u_mm, ("X", "Y"), tracks.info.name),
        SideSystematic(scale_u=u_scale, rereadings=(*others, *crossed, rows)),
        _facts(tracks, seen, shutter, u_knee, told_ways),
        (*_notes(tracks, seen, shutter, camera_mm, told_ways), *_depth_note(u_depth, scene)),
    )


def _check(tracks: Tracks, crank_mm: float, camera_mm: float | None) -> None:
    check_range("crank_mm", crank_mm, 100, 220, "mm")
    if camera_mm is not None:
        check_range("camera_mm", camera_mm, 800, 20_000, "mm")
    if "pedal_axle" not in tracks.names:
        raise InputError("points", "the pedal axle is not marked, so there is neither scale nor crank angle",
                         value=", ".join(tracks.names), allowed="pedal_axle among them")  # fmt: skip
    tracks.require("pedal_axle")


def _see(
    tracks: Tracks, frame: PictureFrame, readout_s: float, crank_mm: float, camera_mm: float | None, scene: Scene,
    near: TurningFit | None = None,
) -> _Seen:  # fmt: skip
    """Rows brought to one time, shake taken off, and the camera found (from `near`, if it was found before)."""
    times, sensor = at_one_time(tracks, readout_s)
    px = frame.from_centre(to_upright(sensor, tracks.info))
    axle = tracks.names.index("pedal_axle")
    shake = round_as_before(find_shake(tracks.names, px, tracks.u_px, STEADY_POINTS), px[:, axle])
    px = shake.rest(px)
    still = _still(tracks, px, frame, shake, scene)
    camera = find_side_camera(times, px[:, axle], tracks.info, crank_mm, camera_mm, scene, still, near)
    return _Seen(times, px, shake, camera)


def _still(tracks: Tracks, px: Floats, frame: PictureFrame, shake: Shake, scene: Scene) -> dict[str, Floats]:
    """Where each still point is in the picture at rest: as followed, else as marked."""
    at = 0 if scene.marked_s is None else int(np.abs(tracks.time_s - scene.marked_s).argmin())
    marked = {
        n: shake.rest(frame.from_centre(np.asarray(uv, dtype=np.float64)), at)
        for n, uv in scene.still_px.items()
    }
    followed = {
        n: np.nanmedian(px[:, i], axis=0) for i, n in enumerate(tracks.names)
        if n in STILL_POINTS and n not in shake.strays and np.isfinite(px[:, i]).any()
    }  # fmt: skip
    return marked | followed


def _depths(names: tuple[str, ...], fit: TurningFit, scene: Scene) -> dict[str, float]:
    """Distance of each point from the mid-plane, mm; the axle's own comes from the fit."""
    return {n: fit.values["right_mm"] if n == "pedal_axle" else scene.depth(n)[0] for n in names}


def _others(fit: TurningFit, depth: Mapping[str, float], scene: Scene, crank_mm: float) -> list[OtherCamera]:
    """Camera and depths with one independent thing at a time off by its standard uncertainty."""
    varied: list[tuple[Pinhole, dict[str, float]]] = [
        (lens_of("side", v), {**depth, "pedal_axle": v["right_mm"]}) for v in fit.off_by_u()
    ]
    shifts = scene.depth_shifts(
        [n for n in depth if n != "pedal_axle"]
    )  # the axle's own is one of the camera's
    varied += [(fit.lens, {**depth, **{n: depth[n] + mm for n, mm in s.items()}}) for s in shifts]
    read = AsRead(fit.lens, depth, crank_mm)
    return [OtherCamera(read, lens, depths) for lens, depths in varied]


def _slant_most(others: list[OtherCamera], fit: TurningFit) -> list[OtherCamera]:
    """Of the other cameras the two whose aim differs most."""

    def turned(other: OtherCamera) -> float:
        return math.hypot(other.other.yaw_deg - fit.lens.yaw_deg, other.other.tilt_deg - fit.lens.tilt_deg)

    return sorted(others, key=turned, reverse=True)[:2]


def _shutter_of_shoe(
    tracks: Tracks, frame: PictureFrame, seen: _Seen, prior: Measured, crank_mm: float, scene: Scene
) -> Measured:
    """The readout as the shoe has it, or the prior."""
    shoe = shoe_of(tracks)
    if shoe is None:
        return prior
    fit = seen.camera.fit
    depth = _depths(SHOE, fit, scene)

    def places(readout_s: float) -> Floats:
        px = frame.from_centre(to_upright(at_one_time(shoe, readout_s)[1], shoe.info))
        px = seen.shake.rest(px, asked(tracks))
        return to_plane(px, SHOE, fit.lens, depth, crank_mm)

    others = _others(fit, depth, scene, crank_mm)
    swings = swung(fit.lens, [depth[n] for n in SHOE], scene.stance_mm or USUAL_MM["stance"])

    def otherwise(mm: Floats) -> Iterator[Floats]:
        points = {n: mm[:, i] for i, n in enumerate(SHOE)}
        yield from (np.stack(list(other(points).values()), axis=1) for other in others)
        yield from (swing(mm) for swing in swings)

    return told_by_shoe(prior, places, otherwise)


def _ways(
    camera: SideCamera, px: Floats, names: tuple[str, ...], mm: Floats, u_knee: float, crank_mm: float, scene: Scene
) -> tuple[Way, ...]:  # fmt: skip
    """What each way from pixels to the plane would cost the knee's angle."""
    cameras = []
    some = slice(None, None, max(1, len(px) // 300))
    if camera.rulers:
        alone = camera.alone
        read = to_plane(px[some], names, alone.lens, _depths(names, alone, scene), crank_mm)
        cameras.append(("the crank's circle alone in perspective", read, math.nan))
    return ways(px[some], names, crank_mm, [*cameras, (camera.how, mm[some], u_knee)])


def _facts(
    tracks: Tracks, seen: _Seen, shutter: Measured, u_knee: float, told: tuple[Way, ...]
) -> dict[str, Any]:
    camera, fit = seen.camera, seen.camera.fit
    return {
        **{k: v for k, v in fit.values.items() if k not in ("log_focal", "left_mm")}, "focal_px": fit.lens.focal_px,
        "distance_u_mm": fit.u("z_mm"), "yaw_u_deg": fit.u("yaw_deg"), "tilt_u_deg": fit.u("tilt_deg"),
        "roll_u_deg": fit.u("roll_deg"), "joint_angle_u_deg": u_knee, "axle_residual_px": fit.residual_px,
        "readout_s": shutter.value, "readout_u_s": shutter.u, "exposure_s": tracks.info.exposure_s,
        "level": camera.level.to_json(), "scales": [s.to_json() for s in camera.scales],
        "ways": [w.to_json() for w in told], "shake": seen.shake.to_json(),
        "words": {
            "level": camera.level.words, "scale": list(scale_words(camera.scales)), "camera": way_words(told),
            "readout": readout_words(shutter), "shake": list(seen.shake.words),
        },
    }  # fmt: skip


def _notes(
    tracks: Tracks, seen: _Seen, shutter: Measured, camera_mm: float | None, told: tuple[Way, ...]
) -> tuple[str, ...]:
    fit, camera = seen.camera.fit, seen.camera
    out = [camera.level.words, *scale_words(camera.scales), *seen.shake.words]
    askew = math.hypot(fit.values["yaw_deg"], fit.values["tilt_deg"])
    if askew > ASKEW_ALARM_DEG:
        out.append(f"The camera looks {askew:.0f}° off square: put it square to the bike, at crank to hip height, "
                   "as far away as the room allows.")  # fmt: skip
    if abs(fit.values["roll_deg"]) > ROLL_ALARM_DEG:
        out.append(f"The camera is rolled by {fit.values['roll_deg']:.1f}°: set it level, or look again at what is "
                   "marked as level.")  # fmt: skip
    if camera_mm is None:
        out.append(f"The lens distance was not given and is taken as known to ± {1.96 * fit.u('z_mm') / 1000:.1f} m; "
                   "a tape measure from lens to bottom bracket makes the mm scale surer.")  # fmt: skip
    if fit.residual_px > STRAY_PX:
        out.append(
            f"The axle leaves its circle by {fit.residual_px:.1f} px: marked beside the axle, or it was lost."
        )
    if not seen.shake.names:
        axle = seen.px[:, tracks.names.index("pedal_axle")]
        centre = fit.lens.project(np.array([0.0, 0.0, fit.values["right_mm"]]))
        tremble = tremble_px(axle - centre, fit.theta_rad)
        if tremble > TREMBLE_PX:
            out.append(f"The picture trembles by about {tremble:.1f} px and no still point is marked: mark the "
                       "bottom bracket or two fixed points, or stand the camera firmer.")  # fmt: skip
    return tuple(out)


def _depth_note(u_deg: float, scene: Scene) -> tuple[str, ...]:
    """What to do when the knee's angle hangs from how far out the stickers lie, which one film does not tell."""
    if u_deg < DEPTH_ALARM_DEG:
        return ()
    missing = [
        n for n, mm in (("the stance", scene.stance_mm), ("the hip breadth", scene.hip_breadth_mm)) if not mm
    ]
    measure = f" Measuring {' and '.join(missing)} helps a little." if missing else ""
    return (f"± {Z95 * u_deg:.1f}° of the knee's angle come from how far out the stickers lie, which a camera that "
            f"looks askew mixes with the bend: put it square to the bike and film again.{measure}",)  # fmt: skip
