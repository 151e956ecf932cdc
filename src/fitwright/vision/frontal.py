"""The front film: pixels to millimetres beside the bike's mid-plane, at each point's own depth.

Both pedals turn about the bottom-bracket axis on circles of known radius, so their paths tell roll, mid-plane, scale,
distance and crank angle without any card (see `turning`). A knee is then found where its ray meets the depth at
which the side film (or a standard leg, less surely) says it is at that crank angle.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.motion.crank import angle_from_height
from fitwright.motion.front import FrontSystematic
from fitwright.motion.ride import RideResult
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats, combine
from fitwright.vision.camera import at_one_time, readout
from fitwright.vision.track import Tracks
from fitwright.vision.turning import Turning, TurningFit, fit_turning
from fitwright.vision.video import to_upright

SIDES = ("right", "left")
PATELLA_AHEAD_MM, KNEE_TWIN_U_MM, KNEE_PRIOR_U_MM = 52.0, 16.0, 45.0
FOOT_AHEAD_MM, ASIS_AHEAD_OF_HIP_MM = 85.0, 60.0


@dataclass(frozen=True)
class FrontReading:
    """Trajectories (axes Z, Y), crank angle of the right foot (T,) rad, systematic uncertainties, facts, notes."""

    trajectories: Trajectories
    theta_rad: Floats
    systematic: FrontSystematic
    facts: Mapping[str, Any]
    notes: tuple[str, ...]


def read_front(
    tracks: Tracks, crank_mm: float, camera_mm: float | None = None, twin: RideResult | None = None,
    readout_ms: float | None = None,
) -> FrontReading:  # fmt: skip
    """Named points of a front film in the bike frame (Z to the rider's right, Y up).

    Args:
        tracks: with at least one of pedal_left, pedal_right. crank_mm: crank length. camera_mm: lens to bottom
            bracket, by tape. twin: the side film's result; its knee curve gives the knees' depth. readout_ms: time
            the sensor takes for all rows.

    Raises:
        InputError: no pedal marked, left and right exchanged, or the pedals do not turn.
    """
    check_range("crank_mm", crank_mm, 100, 220, "mm")
    if camera_mm is not None:
        check_range("camera_mm", camera_mm, 800, 20_000, "mm")
    pedals = [s for s in SIDES if f"pedal_{s}" in tracks.names]
    if not pedals:
        raise InputError("points", "no pedal is marked, so there is neither scale nor crank angle",
                         value=list(tracks.names), allowed="pedal_left and pedal_right")  # fmt: skip
    shutter = readout(readout_ms)
    times, sensor = at_one_time(tracks, shutter.value)
    width, height = tracks.info.upright_size_px
    uv = to_upright(sensor, tracks.info) - [(width - 1) / 2, (height - 1) / 2]
    paths = {s: uv[:, tracks.names.index(f"pedal_{s}")] for s in pedals}
    _check_sides(paths)
    seen = np.stack([paths[s] for s in pedals], axis=1)
    known = Turning("front", tuple(pedals), seen, crank_mm, camera_mm)
    fit = fit_turning(times, _rough_angle(times, paths), known)
    depth, depth_u = depths(tracks.names, fit.theta_rad, crank_mm, twin)
    place = fit.lens.meet(uv, 0, depth)[..., [2, 1]]
    per_px = np.abs(depth - fit.values["x_mm"]) / fit.lens.focal_px
    u_mm = np.where(np.isfinite(place), tracks.u_px * per_px[..., None], np.nan)
    traj = Trajectories(tracks.names, times, place, u_mm, ("Z", "Y"), tracks.info.name)
    systematic = _systematic(fit, depth_u, shutter.u, camera_mm)
    facts = {
        **{k: v for k, v in fit.values.items() if k != "log_focal"}, "focal_px": fit.lens.focal_px,
        "distance_u_mm": fit.u("x_mm"), "roll_u_deg": fit.u("roll_deg"), "pedal_residual_px": fit.residual_px,
        "knee_depth_from": "side film" if twin is not None else "standard leg", "knee_depth_u_mm": depth_u,
        "readout_s": shutter.value, "exposure_s": tracks.info.exposure_s,
    }  # fmt: skip
    return FrontReading(traj, fit.theta_rad, systematic, facts, _notes(fit, pedals, camera_mm, twin))


def depths(
    names: tuple[str, ...], theta: Floats, crank_mm: float, twin: RideResult | None
) -> tuple[Floats, float]:
    """X of every point at every frame (T, P) mm, and the standard uncertainty of the knees', mm."""
    knee, hip, u = _knee_curve(crank_mm, twin)
    out = np.zeros((len(theta), len(names)))
    for i, name in enumerate(names):
        angle = theta + (math.pi if name.endswith("_left") else 0.0)
        pedal = crank_mm * np.sin(angle)
        if name.startswith("patella"):
            turn = np.degrees(angle) % 360.0
            out[:, i] = np.interp(turn, np.arange(361.0), np.append(knee, knee[0]))
        elif name.startswith("asis"):
            out[:, i] = hip + ASIS_AHEAD_OF_HIP_MM
        else:
            out[:, i] = pedal + (FOOT_AHEAD_MM if name.startswith("foot") else 0.0)
    return out, u


def _knee_curve(crank_mm: float, twin: RideResult | None) -> tuple[Floats, float, float]:
    """X of the patella by crank angle (360,), mean X of the hip, and u of the knee's X, mm."""
    if twin is not None:
        for curves in twin.curves.values():
            if all(f"{n}_{a}" in curves for n in ("hip", "knee", "malleolus") for a in "xy"):
                at = {
                    n: np.stack([curves[f"{n}_{a}"].mean for a in "xy"], axis=1)
                    for n in ("hip", "knee", "malleolus")
                }
                x = _patella_x(at["hip"], at["knee"], at["malleolus"])
                if np.all(np.isfinite(x)):
                    return x, float(np.nanmean(at["hip"][:, 0])), KNEE_TWIN_U_MM
        raise InputError("twin", "the side film's result holds no hip, knee and ankle curves",
                         hint="analyse the side film with hip, knee and malleolus marked")  # fmt: skip
    pose = solve(LegTwin(405.0, 420.0, 125.0, 105.0, crank_mm, -190.0, 751.0, 15.0, (-6.0, 0.0), (10.4, 0.0)))
    points = [np.stack([getattr(pose, f"{n}_x") + np.zeros(360), getattr(pose, f"{n}_y") + np.zeros(360)], axis=1)
              for n in ("hip", "knee", "malleolus")]  # fmt: skip
    return _patella_x(*points), -190.0, KNEE_PRIOR_U_MM


def _patella_x(hip: Floats, knee: Floats, malleolus: Floats) -> Floats:
    """X of a sticker on the patella: ahead of the joint's axis, square to the line ankle–hip. All (360, 2)."""
    line = hip - malleolus
    ahead = line[:, 1] / np.linalg.norm(line, axis=1)
    return np.asarray(knee[:, 0] + PATELLA_AHEAD_MM * ahead)


def _check_sides(paths: Mapping[str, Floats]) -> None:
    if len(paths) == 2 and np.nanmean(paths["right"][:, 0]) > np.nanmean(paths["left"][:, 0]):
        raise InputError("points", "left and right are exchanged: from the front the rider's right foot is on the "
                         "picture's left", hint="swap the names, or the film is mirrored")  # fmt: skip


def _rough_angle(times: Floats, paths: Mapping[str, Floats]) -> Floats:
    """(T,) crank angle of the right foot from the pedals' heights in the picture."""
    if len(paths) == 2:
        return angle_from_height(times, (paths["left"][:, 1] - paths["right"][:, 1]) / 2)
    (side, path), *_ = paths.items()
    angle = angle_from_height(times, -path[:, 1])
    return angle if side == "right" else angle - math.pi


def _systematic(
    fit: TurningFit, depth_u: float, readout_u_s: float, camera_mm: float | None
) -> FrontSystematic:
    """What of the fit and of the knee's depth is wrong alike in all frames."""
    distance = fit.values["x_mm"]
    lens_aside = combine(fit.u("z_mm"), 0.0)
    return FrontSystematic(
        scale_u=0.003, roll_u_deg=combine(fit.u("roll_deg"), 0.05),
        depth_u=combine(depth_u, 0.06 * fit.u("x_mm")) / distance,
        lens_u_mm=lens_aside, timing_u_s=0.1 * readout_u_s,
    )  # fmt: skip


def _notes(
    fit: TurningFit, pedals: list[str], camera_mm: float | None, twin: RideResult | None
) -> tuple[str, ...]:
    out = []
    if camera_mm is None:
        metres, half = fit.values["x_mm"] / 1000, 1.96 * fit.u("x_mm") / 1000
        out.append(f"The lens distance was not given; the pedals' paths put it at {metres:.2f} ± {half:.2f} m. "
                   "A tape measure makes the knee paths surer.")  # fmt: skip
    if twin is None:
        out.append("No side film was given: the knees' depth is that of a standard leg, so the paths are less sure "
                   "at the top and the bottom.")  # fmt: skip
    if len(pedals) == 1:
        out.append(
            f"Only the {pedals[0]} pedal is marked: the camera's roll and the mid-plane are little known."
        )
    if fit.residual_px > 3.0:
        out.append(f"The pedals leave their circles by {fit.residual_px:.1f} px: a sticker is not on the axle's "
                   "line, or the crank length is wrong.")  # fmt: skip
    return tuple(out)
