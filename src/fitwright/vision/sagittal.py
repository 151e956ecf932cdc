"""The side film: pixels of named points to millimetres in the bike's sagittal plane.

The pedal axle draws a circle whose radius is the crank: its centre is the origin and its size the scale. The ellipse
that the circle becomes is not used to "straighten" the picture: perspective and lens bend it as much as a camera
that is a few degrees askew, and on rendered films that map made the knee angle worse (0.4–0.6° instead of
0.04–0.15° with none). So the picture is read square-on, each point at its own depth, and what camera, lens and
depth may really be is varied to see what it would change: that goes into the uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.motion.angles import joint_angles
from fitwright.motion.circle import fit_circle
from fitwright.motion.side import SideSystematic
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats, combine
from fitwright.vision.camera import K1_U, Pinhole, at_one_time, readout
from fitwright.vision.track import Tracks
from fitwright.vision.video import ClipInfo, to_upright

DEPTH_MM: dict[str, tuple[float, float]] = {
    "pedal_axle": (180.0, 20.0), "bottom_bracket": (80.0, 15.0), "heel": (150.0, 20.0),
    "fifth_metatarsal": (172.0, 20.0), "lateral_malleolus": (162.0, 20.0), "lateral_femoral_condyle": (168.0, 22.0),
    "greater_trochanter": (170.0, 20.0), "acromion": (205.0, 25.0), "elbow": (240.0, 40.0), "wrist": (235.0, 40.0),
}  # fmt: skip
"""Distance of each sticker from the bike's mid-plane, mm, and its standard uncertainty (our choice; the hip from half
the hip breadth of adults, the foot from usual stance widths)."""
DISTANCE_PRIOR_MM = (3400.0, 800.0)
YAW_U_DEG, TILT_U_DEG, ROLL_U_DEG = 3.0, 2.0, 0.7
"""How far a tripod set up by eye is usually off square and off level (common practice, no source)."""
ELLIPSE_ALARM_DEG = 9.0


@dataclass(frozen=True)
class SideCamera:
    """What is assumed about the side camera: distance of the lens from the mid-plane, askew angles, lens term, and
    each sticker's depth."""

    distance_mm: float
    depth_mm: Mapping[str, float]
    yaw_deg: float = 0.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    k1: float = 0.0


@dataclass(frozen=True)
class SideReading:
    """Trajectories (axes X, Y) with their systematic uncertainties, facts for the record, and notes in words."""

    trajectories: Trajectories
    systematic: SideSystematic
    level_u_deg: float
    facts: Mapping[str, Any]
    notes: tuple[str, ...]


def read_side(
    tracks: Tracks,
    side: str,
    crank_mm: float,
    camera_mm: float | None = None,
    readout_ms: float | None = None,
) -> SideReading:
    """Named points of a side film in the bike frame.

    Args:
        tracks: with "pedal_axle" among the names. side: "left" or "right", the filmed side.
        crank_mm: the crank's length. camera_mm: lens to bottom bracket, by tape; None = prior.
        readout_ms: time the sensor takes for all rows; None = prior.

    Raises:
        InputError: no axle, impossible numbers, or the axle does not go round.
    """
    check_range("crank_mm", crank_mm, 100, 220, "mm")
    if camera_mm is not None:
        check_range("camera_mm", camera_mm, 800, 20_000, "mm")
    if "pedal_axle" not in tracks.names:
        raise InputError("points", "the pedal axle is not marked, so there is neither scale nor crank angle",
                         value=list(tracks.names), allowed="pedal_axle among them")  # fmt: skip
    shutter = readout(readout_ms)
    times, sensor = at_one_time(tracks, shutter.value)
    xy = _from_centre(to_upright(sensor, tracks.info), tracks.info, side)
    axle = xy[:, tracks.names.index("pedal_axle")]
    radius_px = fit_circle(axle[:, 0], axle[:, 1], field="pedal_axle").radius_mm
    distance = lens_distance(camera_mm, radius_px, crank_mm, max(tracks.info.width_px, tracks.info.height_px))
    camera = SideCamera(distance[0], {n: DEPTH_MM.get(n, (170.0, 30.0))[0] for n in tracks.names})
    mm = to_plane(xy, tracks.names, camera, crank_mm)
    askew = ellipse_askew_deg(axle)
    u_turn, u_scale = _systematic(
        xy, tracks.names, camera, crank_mm, distance[1], max(YAW_U_DEG, 0.5 * askew)
    )
    per_px = crank_mm / radius_px
    traj = Trajectories(tracks.names, times, mm, np.where(np.isfinite(mm), tracks.u_px * per_px, np.nan), ("X", "Y"),
                        tracks.info.name)  # fmt: skip
    turn_s = _turn_s(times, axle)
    late = shutter.u * _row_spread(tracks)
    systematic = SideSystematic(
        scale_u=u_scale, perspective_u_deg=u_turn, timing_u_s=combine(late, turn_s * ROLL_U_DEG / 360)
    )
    facts = {
        "camera_mm": distance[0], "camera_u_mm": distance[1], "mm_per_px": per_px, "axle_ellipse_askew_deg": askew,
        "readout_s": shutter.value, "readout_u_s": shutter.u, "exposure_s": tracks.info.exposure_s,
    }  # fmt: skip
    return SideReading(traj, systematic, ROLL_U_DEG, facts, _notes(tracks, askew, distance[1], camera_mm))


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


def to_plane(xy: Floats, names: tuple[str, ...], camera: SideCamera, crank_mm: float) -> Floats:
    """Pixels from the picture's centre (T, P, 2), u forward and v down, to bike-frame X, Y in mm (T, P, 2)."""
    k = names.index("pedal_axle")
    radius_px = fit_circle(xy[:, k, 0], xy[:, k, 1], field="pedal_axle").radius_mm
    focal = radius_px * (camera.distance_mm - camera.depth_mm["pedal_axle"]) / crank_mm
    lens = Pinhole("side", (0.0, 0.0, camera.distance_mm), focal, (0.0, 0.0), camera.yaw_deg, camera.tilt_deg,
                   camera.roll_deg, camera.k1)  # fmt: skip
    depth = np.array([camera.depth_mm[n] for n in names])
    plane = lens.meet(xy, 2, np.broadcast_to(depth, xy.shape[:2]))[..., :2]
    circle = fit_circle(plane[:, k, 0], plane[:, k, 1], field="pedal_axle")
    return np.asarray((plane - [circle.x_mm, circle.y_mm]) * (crank_mm / circle.radius_mm))


def ellipse_askew_deg(axle: Floats) -> float:
    """How far off square a camera would be if the axle's ellipse were its doing alone: acos(short / long), deg."""
    seen = axle[np.isfinite(axle[:, 0])]
    x, y = (seen - seen.mean(axis=0)).T
    scale = max(float(np.abs(seen - seen.mean(axis=0)).max()), 1e-9)
    design = np.column_stack([x * x, x * y, y * y, x, y]) / [scale**2, scale**2, scale**2, scale, scale]
    (a, b, c, *_), *_ = np.linalg.lstsq(design, np.ones(len(x)), rcond=None)
    small, large = np.linalg.eigvalsh([[a, b / 2], [b / 2, c]])
    return math.degrees(math.acos(math.sqrt(min(1.0, max(0.0, small / large))))) if large > 0 else 0.0


def _from_centre(uv: Floats, info: ClipInfo, side: str) -> Floats:
    """Upright pixels to pixels from the picture's centre with u forward (a left-side film is mirrored)."""
    width, height = info.upright_size_px
    sign = 1.0 if side == "right" else -1.0
    return np.asarray((uv - [(width - 1) / 2, (height - 1) / 2]) * [sign, 1.0])


def _varied(camera: SideCamera, distance_u: float, yaw_u: float) -> Iterator[SideCamera]:
    """The camera with one assumption at a time off by its standard uncertainty."""
    yield replace(camera, distance_mm=camera.distance_mm + distance_u)
    yield replace(camera, yaw_deg=yaw_u)
    yield replace(camera, tilt_deg=TILT_U_DEG)
    yield replace(camera, k1=K1_U)
    for name in camera.depth_mm:
        off = DEPTH_MM.get(name, (170.0, 30.0))[1]
        yield replace(camera, depth_mm={**camera.depth_mm, name: camera.depth_mm[name] + off})
        if name in ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus"):
            # a camera askew and a sticker off its supposed depth act together
            yield replace(
                camera, yaw_deg=yaw_u, depth_mm={**camera.depth_mm, name: camera.depth_mm[name] + off}
            )


def _systematic(
    xy: Floats, names: tuple[str, ...], camera: SideCamera, crank_mm: float, distance_u: float, yaw_u: float
) -> tuple[float, float]:
    """(u of a joint angle in deg, relative u of the scale) from camera, lens and depths varied one by one."""
    some = xy[:: max(1, len(xy) // 240)]
    base = _shown(to_plane(some, names, camera, crank_mm), names)
    length = _leg_length(to_plane(some, names, camera, crank_mm), names)
    angles: dict[str, list[float]] = {}
    scales = []
    for other in _varied(camera, distance_u, yaw_u):
        moved = to_plane(some, names, other, crank_mm)
        for name, values in _shown(moved, names).items():
            angles.setdefault(name, []).append(float(np.sqrt(np.nanmean((values - base[name]) ** 2))))
        scales.append(_leg_length(moved, names) / length - 1)
    worst = max((combine(*v) for v in angles.values()), default=0.0)
    return worst, combine(*scales)


def _shown(mm: Floats, names: tuple[str, ...]) -> dict[str, Floats]:
    """The knee's angle, or whichever joint angles exist when the knee is not marked."""
    angles = joint_angles({n: mm[:, i] for i, n in enumerate(names)})
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


def _turn_s(times: Floats, axle: Floats) -> float:
    """Rough time of one turn from the angle swept about the path's middle."""
    seen = np.isfinite(axle[:, 0])
    middle = np.nanmean(axle, axis=0)
    swept = np.unwrap(np.arctan2(axle[seen, 1] - middle[1], axle[seen, 0] - middle[0]))
    turns = abs(swept[-1] - swept[0]) / (2 * math.pi)
    return float((times[seen][-1] - times[seen][0]) / turns) if turns > 0.5 else 0.7


def _row_spread(tracks: Tracks) -> float:
    """Distance in rows between the axle and the leg's joints, as a share of the picture's height."""
    rows = np.nanmean(tracks.uv_px[..., 1], axis=0)
    k = tracks.names.index("pedal_axle")
    return float(np.nanmax(np.abs(rows - rows[k])) / tracks.info.height_px) if len(rows) > 1 else 0.0


def _notes(tracks: Tracks, askew: float, distance_u: float, camera_mm: float | None) -> tuple[str, ...]:
    out = []
    if askew > ELLIPSE_ALARM_DEG:
        out.append(f"The crank's circle looks {askew:.0f}° off square: put the camera square to the bike, at crank to "
                   "hip height, as far away as the room allows.")  # fmt: skip
    if camera_mm is None:
        out.append(f"The lens distance was not given and is taken as known to ± {1.96 * distance_u / 1000:.1f} m; "
                   "a tape measure from lens to bottom bracket makes the mm scale surer.")  # fmt: skip
    if "bottom_bracket" in tracks.names:
        still = tracks.uv_px[:, tracks.names.index("bottom_bracket")]
        if np.isfinite(still).any() and float(np.nanmax(np.nanstd(still, axis=0))) > 1.5:
            out.append("The bottom bracket moves in the picture: the camera or the trainer was not still.")
    return tuple(out)
