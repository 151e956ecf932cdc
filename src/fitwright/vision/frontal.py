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
from fitwright.motion.under_load import SHOE_LINE
from fitwright.quantity import Floats, Measured, combine
from fitwright.vision.camera import Pinhole
from fitwright.vision.rolling_shutter import at_one_time, readout
from fitwright.vision.track import Tracks
from fitwright.vision.turning import Turning, TurningFit, fit_turning, lens_of
from fitwright.vision.video import to_upright

SIDES = ("right", "left")
PATELLA_AHEAD_MM, KNEE_TWIN_U_MM, KNEE_PRIOR_U_MM = 52.0, 16.0, 45.0
PHASE_TWIN_U_RAD = math.radians(0.7)
"""How well the knees' rise and fall, compared with the side film's, sets the crank angle (our choice)."""
FOOT_AHEAD_MM, ASIS_AHEAD_OF_HIP_MM = 85.0, 60.0
FOOT_REAR_AHEAD_MM = FOOT_AHEAD_MM - SHOE_LINE.value


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
    readout_ms: float | Measured | None = None,
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
                         value=", ".join(tracks.names), allowed="pedal_left and pedal_right")  # fmt: skip
    for s in pedals:
        tracks.require(f"pedal_{s}")
    shutter = readout(readout_ms)
    times, sensor = at_one_time(tracks, shutter.value)
    width, height = tracks.info.upright_size_px
    uv = to_upright(sensor, tracks.info) - [(width - 1) / 2, (height - 1) / 2]
    paths = {s: uv[:, tracks.names.index(f"pedal_{s}")] for s in pedals}
    _check_sides(paths)
    seen = np.stack([paths[s] for s in pedals], axis=1)
    known = Turning("front", tuple(pedals), seen, crank_mm, camera_mm)
    knee = _knee_curve(crank_mm, twin)
    fit = fit_turning(times, _rough_angle(times, paths), known)
    angle_u = fit.u("y_mm") / fit.values["x_mm"]
    if twin is not None:
        fit, found = settle_angle(fit, uv, tracks.names, crank_mm, knee)
        if found:
            angle_u = combine(PHASE_TWIN_U_RAD, _rows_u_rad(tracks, times, fit, shutter.u))
            fit = fit.surer("y_mm", angle_u * fit.values["x_mm"])
    depth = depths(tracks.names, fit.theta_rad, crank_mm, knee)
    place = fit.lens.meet(uv, 0, depth)[..., [2, 1]]
    per_px = np.abs(depth - fit.values["x_mm"]) / fit.lens.focal_px
    u_mm = np.where(np.isfinite(place), tracks.u_px * per_px[..., None], np.nan)
    traj = Trajectories(tracks.names, times, place, u_mm, ("Z", "Y"), tracks.info.name)
    turn_s = 2 * math.pi * (times[-1] - times[0]) / abs(fit.theta_rad[-1] - fit.theta_rad[0])
    late = combine(0.1 * shutter.u, angle_u / (2 * math.pi) * turn_s)
    systematic = _systematic(fit, knee, crank_mm, late)
    facts = {
        **{k: v for k, v in fit.values.items() if k != "log_focal"}, "focal_px": fit.lens.focal_px,
        "distance_u_mm": fit.u("x_mm"), "roll_u_deg": fit.u("roll_deg"), "pedal_residual_px": fit.residual_px,
        "knee_depth_from": "side film" if twin is not None else "standard leg", "knee_depth_u_mm": knee.u_mm,
        "crank_angle_u_deg": math.degrees(angle_u),
        "readout_s": shutter.value, "exposure_s": tracks.info.exposure_s,
    }  # fmt: skip
    return FrontReading(traj, fit.theta_rad, systematic, facts, _notes(fit, pedals, camera_mm, twin))


def _rows_u_rad(tracks: Tracks, times: Floats, fit: TurningFit, readout_u_s: float) -> float:
    """What a wrong readout time does to the crank angle told by the knees: they are read some rows before the pedals,
    in this film and in the side film, whose telephone may be another."""
    rows = np.nanmean(tracks.uv_px[..., 1], axis=0)
    knees = [r for n, r in zip(tracks.names, rows, strict=True) if n.startswith("patella")]
    pedals = [r for n, r in zip(tracks.names, rows, strict=True) if n.startswith("pedal")]
    share = abs(float(np.mean(knees) - np.mean(pedals))) / tracks.info.height_px
    speed = abs(fit.theta_rad[-1] - fit.theta_rad[0]) / (times[-1] - times[0])
    return math.sqrt(2.0) * share * readout_u_s * float(speed)


@dataclass(frozen=True)
class KneeCurve:
    """The patella's sticker by crank angle, xy_mm (360, 2) in X, Y; mean X of the hip; u of the knee's X."""

    xy_mm: Floats
    hip_x_mm: float
    u_mm: float

    def at(self, angle_rad: Floats, axis: int) -> Floats:
        """X (0) or Y (1) at crank angles (T,) of that foot."""
        turn = np.degrees(angle_rad) % 360.0
        closed = np.append(self.xy_mm[:, axis], self.xy_mm[0, axis])
        return np.asarray(np.interp(turn, np.arange(361.0), closed))


def depths(names: tuple[str, ...], theta: Floats, crank_mm: float, knee: KneeCurve) -> Floats:
    """X of every point at every frame (T, P), mm, for crank angles theta (T,) of the right foot."""
    out = np.zeros((len(theta), len(names)))
    for i, name in enumerate(names):
        angle = theta + (math.pi if name.endswith("_left") else 0.0)
        if name.startswith("patella"):
            out[:, i] = knee.at(angle, 0)
        elif name.startswith("asis"):
            out[:, i] = knee.hip_x_mm + ASIS_AHEAD_OF_HIP_MM
        else:
            ahead = {"foot": FOOT_AHEAD_MM, "foot_rear": FOOT_REAR_AHEAD_MM}.get(name.rsplit("_", 1)[0], 0.0)
            out[:, i] = crank_mm * np.sin(angle) + ahead
    return out


def settle_angle(
    fit: TurningFit, uv: Floats, names: tuple[str, ...], crank_mm: float, knee: KneeCurve
) -> tuple[TurningFit, bool]:
    """The fit turned about the bottom-bracket axis until the knees rise and fall as the side film says.

    Pedals on circles look the same to a camera that is higher and aimed lower; the knees do not. Their height may
    be off by a constant (where the sticker sits), so only the phase of their motion is used. Returns also whether
    a knee was there to do it.
    """
    knees = [i for i, n in enumerate(names) if n.startswith("patella")]
    if not knees:
        return fit, False
    for _ in range(3):
        place = fit.lens.meet(uv, 0, depths(names, fit.theta_rad, crank_mm, knee))[..., 1]
        top = bottom = 0.0
        for i in knees:
            angle = fit.theta_rad + (math.pi if names[i].endswith("_left") else 0.0)
            slope = (knee.at(angle + 0.02, 1) - knee.at(angle - 0.02, 1)) / 0.04
            off = place[:, i] - knee.at(angle, 1)
            # turning by φ moves the expected height by slope · φ and the seen point by −X · φ
            reply = slope + knee.at(angle, 0)
            reply, off = reply - np.nanmean(reply), off - np.nanmean(off)
            top, bottom = top + float(np.nansum(reply * off)), bottom + float(np.nansum(reply * reply))
        fit = fit.turned(float(np.clip(top / max(bottom, 1e-9), -0.2, 0.2)))
    return fit, True


def _knee_curve(crank_mm: float, twin: RideResult | None) -> KneeCurve:
    """From the side film's curves, or of a standard leg."""
    joints = ("hip", "knee", "malleolus")
    if twin is not None:
        for curves in twin.curves.values():
            if all(f"{n}_{a}" in curves for n in joints for a in "xy"):
                at = [np.stack([curves[f"{n}_{a}"].mean for a in "xy"], axis=1) for n in joints]
                patella = _patella(*at)
                if np.all(np.isfinite(patella)):
                    return KneeCurve(patella, float(np.nanmean(at[0][:, 0])), KNEE_TWIN_U_MM)
        raise InputError("twin", "the side film's result holds no hip, knee and ankle curves",
                         hint="analyse the side film with hip, knee and malleolus marked")  # fmt: skip
    pose = solve(LegTwin(405.0, 420.0, 125.0, 105.0, crank_mm, -190.0, 751.0, 15.0, (-6.0, 0.0), (10.4, 0.0)))
    at = [np.stack([getattr(pose, f"{n}_{a}") + np.zeros(360) for a in "xy"], axis=1) for n in joints]
    return KneeCurve(_patella(*at), -190.0, KNEE_PRIOR_U_MM)


def _patella(hip: Floats, knee: Floats, malleolus: Floats) -> Floats:
    """A sticker on the patella: ahead of the joint's axis, square to the line ankle–hip. All (360, 2)."""
    line = hip - malleolus
    ahead = np.stack([line[:, 1], -line[:, 0]], axis=1) / np.linalg.norm(line, axis=1, keepdims=True)
    return np.asarray(knee + PATELLA_AHEAD_MM * ahead)


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


@dataclass(frozen=True)
class OtherFrontCamera:
    """Mean points of one side over the turn, as the camera that was found has them, read again with another, or with
    the knees `ahead_mm` further ahead."""

    lens: Pinhole
    other: Pinhole
    crank_mm: float
    knee: KneeCurve
    ahead_mm: float = 0.0

    def __call__(self, points: Mapping[str, Floats], side: str) -> dict[str, Floats]:
        """name without its side → (360, 2) Z and Y in mm, bin k at k° of this side's crank; to the same."""
        names = tuple(points)
        theta = np.radians(np.arange(360.0)) - (math.pi if side == "left" else 0.0)
        depth = depths(tuple(f"{n}_{side}" for n in names), theta, self.crank_mm, self.knee)
        mm = np.stack([points[n] for n in names], axis=1)
        px = self.lens.project(np.concatenate([depth[..., None], mm[..., ::-1]], axis=-1))
        ahead = np.array([self.ahead_mm if n == "patella" else 0.0 for n in names])
        there = self.other.meet(px, 0, depth + ahead)[..., [2, 1]]
        return {n: there[:, i] for i, n in enumerate(names)}


def _systematic(fit: TurningFit, knee: KneeCurve, crank_mm: float, late_s: float) -> FrontSystematic:
    """What of the fit and of the knee's depth is wrong alike in all frames."""
    others = [OtherFrontCamera(fit.lens, lens_of("front", v), crank_mm, knee) for v in fit.off_by_u()]
    deeper = OtherFrontCamera(fit.lens, fit.lens, crank_mm, knee, knee.u_mm)
    return FrontSystematic(timing_u_s=late_s, rereadings=(*others, deeper))


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
            f"Only the {pedals[0]} pedal is marked: the mid-plane rests on what is usual, not on this film."
        )
    if fit.residual_px > 3.0:
        out.append(f"The pedals leave their circles by {fit.residual_px:.1f} px: a sticker is not on the axle's "
                   "line, or the crank length is wrong.")  # fmt: skip
    return tuple(out)
