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
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.motion.angles import joint_angles
from fitwright.motion.circle import fit_circle
from fitwright.motion.side import SideSystematic
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats, Measured, combine
from fitwright.vision.camera import Pinhole, at_one_time, readout
from fitwright.vision.level import Level, LevelLine, compare, level_lines
from fitwright.vision.scene import STILL_POINTS, Scene
from fitwright.vision.track import Tracks
from fitwright.vision.turning import Turning, TurningFit, fit_turning, lens_of
from fitwright.vision.video import ClipInfo, to_sensor, to_upright

DEPTH_MM: dict[str, tuple[float, float]] = {
    "pedal_axle": (180.0, 20.0), "bottom_bracket": (80.0, 15.0), "heel": (150.0, 20.0),
    "fifth_metatarsal": (172.0, 20.0), "lateral_malleolus": (162.0, 20.0), "lateral_femoral_condyle": (168.0, 22.0),
    "greater_trochanter": (170.0, 20.0), "acromion": (205.0, 25.0), "elbow": (240.0, 40.0), "wrist": (235.0, 40.0),
}  # fmt: skip
"""Distance of each sticker from the bike's mid-plane, mm, and its standard uncertainty (our choice; the hip from half
the hip breadth of adults, the foot from usual stance widths)."""
DISTANCE_PRIOR_MM = (3400.0, 800.0)
ASKEW_ALARM_DEG = 8.0


@dataclass(frozen=True)
class SideReading:
    """Trajectories (axes X, Y) with their systematic uncertainties, facts for the record, and notes in words."""

    trajectories: Trajectories
    systematic: SideSystematic
    facts: Mapping[str, Any]
    notes: tuple[str, ...]


def read_side(
    tracks: Tracks,
    side: str,
    crank_mm: float,
    camera_mm: float | None = None,
    readout_ms: float | None = None,
    scene: Scene | None = None,
) -> SideReading:
    """Named points of a side film in the bike frame.

    Args:
        tracks: with "pedal_axle" among the names. side: "left" or "right", the filmed side.
        crank_mm: the crank's length. camera_mm: lens to bottom bracket, by tape; None = prior.
        readout_ms: time the sensor takes for all rows; None = prior. scene: what else is known.

    Raises:
        InputError: no axle, impossible numbers, or the axle does not go round.
    """
    _check(tracks, crank_mm, camera_mm)
    scene = scene or Scene()
    shutter = readout(readout_ms)
    times, sensor = at_one_time(tracks, shutter.value)
    frame = PictureFrame(tracks.info, side)
    uv = frame.from_centre(to_upright(sensor, tracks.info))
    axle = uv[:, tracks.names.index("pedal_axle")]
    lines = level_lines(_still(tracks.names, uv, frame, scene), scene.front_higher_mm)
    fit, level = fit_side_camera(times, axle, tracks.info, crank_mm, camera_mm, lines)
    names = tuple(n for n in tracks.names if n not in STILL_POINTS)
    keep = [tracks.names.index(n) for n in names]
    uv, u_px = uv[:, keep], tracks.u_px[:, keep]
    depth = {n: _depth(n, fit.values)[0] for n in names}
    mm = to_plane(uv, names, fit.lens, depth, crank_mm)
    per_px = np.array([(fit.values["z_mm"] - depth[n]) / fit.lens.focal_px for n in names])
    u_mm = np.where(np.isfinite(mm), u_px * per_px[None, :, None], np.nan)
    others = [OtherCamera(fit.lens, depth, *varied, crank_mm) for varied in _varied(fit, depth)]
    turn_deg_s = math.degrees(abs(fit.theta_rad[-1] - fit.theta_rad[0]) / (times[-1] - times[0]))
    rows = OtherReadout(fit.lens, depth, frame, turn_deg_s * shutter.u)
    u_knee, u_scale = _what_they_change(mm, names, others)
    facts = {
        **{k: v for k, v in fit.values.items() if k not in ("log_focal", "left_mm")}, "focal_px": fit.lens.focal_px,
        "distance_u_mm": fit.u("z_mm"), "yaw_u_deg": fit.u("yaw_deg"), "tilt_u_deg": fit.u("tilt_deg"),
        "roll_u_deg": fit.u("roll_deg"), "level": level.to_json(), "level_words": level.words,
        "joint_angle_u_deg": u_knee, "axle_residual_px": fit.residual_px, "readout_s": shutter.value,
        "readout_u_s": shutter.u, "exposure_s": tracks.info.exposure_s,
    }  # fmt: skip
    return SideReading(
        Trajectories(names, times, mm, u_mm, ("X", "Y"), tracks.info.name),
        SideSystematic(scale_u=u_scale, rereadings=(*others, rows)),
        facts, (level.words, *_notes(tracks, fit, camera_mm)),
    )  # fmt: skip


def _check(tracks: Tracks, crank_mm: float, camera_mm: float | None) -> None:
    check_range("crank_mm", crank_mm, 100, 220, "mm")
    if camera_mm is not None:
        check_range("camera_mm", camera_mm, 800, 20_000, "mm")
    if "pedal_axle" not in tracks.names:
        raise InputError("points", "the pedal axle is not marked, so there is neither scale nor crank angle",
                         value=list(tracks.names), allowed="pedal_axle among them")  # fmt: skip
    tracks.require("pedal_axle")


def _still(names: tuple[str, ...], uv: Floats, frame: PictureFrame, scene: Scene) -> dict[str, Floats]:
    """Where each still point is, from the picture's centre: as followed, else as marked."""
    marked = {n: frame.from_centre(np.asarray(px, dtype=np.float64)) for n, px in scene.still_px.items()}
    followed = {
        n: np.nanmedian(uv[:, i], axis=0) for i, n in enumerate(names)
        if n in STILL_POINTS and np.isfinite(uv[:, i]).any()
    }  # fmt: skip
    return marked | followed


def fit_side_camera(
    times: Floats, axle: Floats, info: ClipInfo, crank_mm: float, camera_mm: float | None,
    lines: tuple[LevelLine, ...] = (),
) -> tuple[TurningFit, Level]:  # fmt: skip
    """The camera of a side film from the axle's path (T, 2), pixels from the picture's centre, u forward, and from
    what is level in the picture."""
    circle = fit_circle(axle[:, 0], axle[:, 1], field="pedal_axle")
    angle = np.full(len(times), np.nan)
    seen = np.isfinite(axle[:, 0])
    angle[seen] = np.unwrap(np.arctan2(axle[seen, 0] - circle.x_mm, circle.y_mm - axle[seen, 1]))
    if angle[seen][-1] < angle[seen][0]:
        raise InputError("side", "the crank runs backward in this picture", hint="Filmed from the other side, "
                         "mirrored, or the rider pedals backward")  # fmt: skip
    if angle[seen][-1] - angle[seen][0] < 4 * math.pi:
        raise InputError(
            "pedal_axle", "turns less than twice in the film", hint="film half a minute of steady riding"
        )
    distance = lens_distance(None, circle.radius_mm, crank_mm, max(info.width_px, info.height_px))
    known = Turning("side", ("right",), axle[:, None], crank_mm, camera_mm, {"z_mm": distance})
    fit = fit_turning(times, angle, known)
    readings, apart = compare(fit, lines)
    used = tuple(replace(line, enlarged=apart) for line in lines)
    if used:
        fit = fit_turning(times, angle, replace(known, witnesses=used), start=fit)
    roll = Measured(fit.values["roll_deg"], fit.u("roll_deg"), "deg", "camera's roll")
    return fit, Level(roll, readings, apart == 1.0)


def _depth(name: str, values: Mapping[str, float]) -> tuple[float, float]:
    """Distance of a sticker from the mid-plane and its u, mm; the axle's own comes from the fit."""
    return (values["right_mm"], 0.0) if name == "pedal_axle" else DEPTH_MM.get(name, (170.0, 30.0))


def lens_distance(
    camera_mm: float | None, radius_px: float, crank_mm: float, long_side_px: int
) -> tuple[float, float]:
    """Distance of the lens from the mid-plane and its u: by tape, else from how large the crank looks.

    Telephones film with a focal length of 0.75 to 1.3 times the picture's longer side (common practice, no source),
    which gives the distance to a quarter; combined with where a side camera usually stands.
    """
    if camera_mm is not None:
        return camera_mm, max(20.0, 0.01 * camera_mm)
    seen = 0.95 * long_side_px * crank_mm / radius_px
    w = np.array([1 / (0.28 * seen) ** 2, 1 / DISTANCE_PRIOR_MM[1] ** 2])
    return float((w @ [seen, DISTANCE_PRIOR_MM[0]]) / w.sum()), float(1 / math.sqrt(w.sum()))


def to_plane(
    uv: Floats, names: tuple[str, ...], lens: Pinhole, depth_mm: Mapping[str, float], crank_mm: float
) -> Floats:
    """Pixels from the picture's centre (T, P, 2), u forward and v down, to bike-frame X, Y in mm (T, P, 2).

    The axle's circle gets the crank's radius and the origin at its centre, whatever the camera is taken to be.
    """
    depth = np.array([depth_mm[n] for n in names])
    plane = lens.meet(uv, 2, np.broadcast_to(depth, uv.shape[:2]))[..., :2]
    k = names.index("pedal_axle")
    circle = fit_circle(plane[:, k, 0], plane[:, k, 1], field="pedal_axle")
    return np.asarray((plane - [circle.x_mm, circle.y_mm]) * (crank_mm / circle.radius_mm))


@dataclass(frozen=True)
class PictureFrame:
    """Pixels of a side film counted from the picture's centre with u forward: a left-side film is mirrored."""

    info: ClipInfo
    side: str

    def from_centre(self, upright_px: Floats) -> Floats:
        """(..., 2) upright pixels to pixels from the centre."""
        width, height = self.info.upright_size_px
        return np.asarray((upright_px - [(width - 1) / 2, (height - 1) / 2]) * [self._forward, 1.0])

    def row_share(self, px: Floats) -> Floats:
        """(...) sensor row, as a share of all rows, of pixels (..., 2) from the centre."""
        width, height = self.info.upright_size_px
        upright = px * [self._forward, 1.0] + [(width - 1) / 2, (height - 1) / 2]
        return np.asarray(to_sensor(upright, self.info)[..., 1] / self.info.height_px)

    @property
    def _forward(self) -> float:
        return 1.0 if self.side == "right" else -1.0


@dataclass(frozen=True)
class OtherCamera:
    """Points read as `lens` and `depth_mm` have it, read again with another camera or other depths."""

    lens: Pinhole
    depth_mm: Mapping[str, float]
    other: Pinhole
    other_depth_mm: Mapping[str, float]
    crank_mm: float

    def __call__(self, points: Mapping[str, Floats]) -> dict[str, Floats]:
        """name → (N, 2) mm to the same as the other camera would have it."""
        names = tuple(points)
        mm = np.stack([points[n] for n in names], axis=1)
        uv = _seen(mm, names, self.lens, self.depth_mm)
        there, here = (
            to_plane(uv, names, lens, depth, self.crank_mm)
            for lens, depth in ((self.other, self.other_depth_mm), (self.lens, self.depth_mm))
        )
        return {n: points[n] + (there - here)[:, i] for i, n in enumerate(names)}


@dataclass(frozen=True)
class OtherReadout:
    """Mean points over the turn, read again with the sensor's rows later by `turn_deg` of crank over all rows."""

    lens: Pinhole
    depth_mm: Mapping[str, float]
    frame: PictureFrame
    turn_deg: float

    def __call__(self, points: Mapping[str, Floats]) -> dict[str, Floats]:
        """name → (360, 2) mm, bin k at crank angle k°, to the same as the rows' other times would have it."""
        names = tuple(points)
        uv = _seen(np.stack([points[n] for n in names], axis=1), names, self.lens, self.depth_mm)
        late = self.turn_deg * self.frame.row_share(uv)
        bins = np.arange(360.0)
        return {
            n: np.column_stack([np.interp(bins - late[:, i], bins, c, period=360.0) for c in points[n].T])
            for i, n in enumerate(names)
        }


def _seen(mm: Floats, names: tuple[str, ...], lens: Pinhole, depth_mm: Mapping[str, float]) -> Floats:
    """(N, P, 2) pixels of points (N, P, 2) mm at their depths."""
    depth = np.broadcast_to(np.array([depth_mm[n] for n in names]), mm.shape[:2])
    return lens.project(np.concatenate([mm, depth[..., None]], axis=-1))


def _varied(fit: TurningFit, depth: Mapping[str, float]) -> list[tuple[Pinhole, Mapping[str, float]]]:
    """Camera and depths with one independent thing at a time off by its standard uncertainty."""
    out: list[tuple[Pinhole, Mapping[str, float]]] = [
        (lens_of("side", v), {**depth, "pedal_axle": v["right_mm"]}) for v in fit.off_by_u()
    ]
    for name in depth:
        if name != "pedal_axle":
            out.append((fit.lens, {**depth, name: depth[name] + _depth(name, fit.values)[1]}))
    return out


def _what_they_change(
    mm: Floats, names: tuple[str, ...], others: Sequence[OtherCamera]
) -> tuple[float, float]:
    """(u of a joint angle in deg, relative u of the scale), over a part of the frames."""
    some = mm[:: max(1, len(mm) // 200)]
    points = {n: some[:, i] for i, n in enumerate(names)}
    shown, length = _shown(points), _leg_length(some, names)
    angles: dict[str, list[float]] = {}
    scales = []
    for other in others:
        moved = other(points)
        for name, values in _shown(moved).items():
            angles.setdefault(name, []).append(float(np.sqrt(np.nanmean((values - shown[name]) ** 2))))
        scales.append(_leg_length(np.stack([moved[n] for n in names], axis=1), names) / length - 1)
    return max((combine(*v) for v in angles.values()), default=0.0), combine(*scales)


def _shown(points: Mapping[str, Floats]) -> dict[str, Floats]:
    """The knee's angle, or whichever joint angles exist when the knee is not marked."""
    angles = joint_angles(points)
    return {k: v for k, v in angles.items() if k == "knee_flexion"} or {
        k: v for k, v in angles.items() if k.endswith("flexion")
    }


def _leg_length(mm: Floats, names: tuple[str, ...]) -> float:
    """Mean distance of the hip (or the knee, or the crank's radius) from the axle, mm."""
    axle = mm[:, names.index("pedal_axle")]
    for name in ("greater_trochanter", "lateral_femoral_condyle"):
        if name in names:
            return float(np.nanmean(np.linalg.norm(mm[:, names.index(name)] - axle, axis=1)))
    return float(np.nanmean(np.linalg.norm(axle, axis=1)))


def _notes(tracks: Tracks, fit: TurningFit, camera_mm: float | None) -> tuple[str, ...]:
    out = []
    askew = math.hypot(fit.values["yaw_deg"], fit.values["tilt_deg"])
    if askew > ASKEW_ALARM_DEG:
        out.append(f"The camera looks {askew:.0f}° off square: put it square to the bike, at crank to hip height, "
                   "as far away as the room allows.")  # fmt: skip
    if camera_mm is None:
        out.append(f"The lens distance was not given and is taken as known to ± {1.96 * fit.u('z_mm') / 1000:.1f} m; "
                   "a tape measure from lens to bottom bracket makes the mm scale surer.")  # fmt: skip
    if fit.residual_px > 3.0:
        out.append(
            f"The axle leaves its circle by {fit.residual_px:.1f} px: marked beside the axle, or it was lost."
        )
    if "bottom_bracket" in tracks.names:
        still = tracks.uv_px[:, tracks.names.index("bottom_bracket")]
        if np.isfinite(still).any() and float(np.nanmax(np.nanstd(still, axis=0))) > 1.5:
            out.append("The bottom bracket moves in the picture: the camera or the trainer was not still.")
    return tuple(out)
