"""The front film: pixels to millimetres beside the bike's mid-plane, at each point's own depth.

Both pedals turn about the bottom-bracket axis on circles of known radius. One least-squares fit of the camera (place,
aim, roll, focal length, lens term) and of the smooth crank angle to both pedals' paths gives roll, mid-plane, scale and
crank angle together; the tape's distance and what a tripod can be enter as priors, so that what the picture cannot
tell stays as uncertain as it is. A knee is then found where its ray meets the depth at which the side film (or a
standard leg, less surely) says it is at that crank angle.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.interpolate import BSpline

from fitwright.errors import InputError, check_range
from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.motion.crank import angle_from_height
from fitwright.motion.front import FrontSystematic
from fitwright.motion.ride import RideResult
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats, combine
from fitwright.vision.camera import K1_U, Pinhole, at_one_time, readout
from fitwright.vision.track import Tracks
from fitwright.vision.video import to_upright

SIDES = ("right", "left")
KNOTS_PER_TURN = 5
MODEL_PX = 0.35
"""How well a pedal sticker keeps to its circle in the picture (it is fixed to a part that tilts), px, our choice."""
DISTANCE_PRIOR_MM = (3200.0, 700.0)
PRIORS = {  # mean, u; mm and deg (common practice, no source)
    "height_mm": (500.0, 400.0), "sideways_mm": (0.0, 200.0), "yaw_deg": (0.0, 5.0), "tilt_deg": (0.0, 6.0),
    "roll_deg": (0.0, 3.0), "right_mm": (135.0, 30.0), "left_mm": (135.0, 30.0), "k1": (0.0, K1_U),
}  # fmt: skip
FREE = ("log_focal", "distance_mm", *PRIORS)
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


@dataclass(frozen=True)
class PedalFit:
    """The camera and crank angle that the pedals' paths tell.

    Attributes: values by name of `FREE`; covariance in that order; theta_rad (T,); residual_px RMS.
    """

    values: Mapping[str, float]
    covariance: Floats
    theta_rad: Floats
    residual_px: float

    def u(self, name: str) -> float:
        """Standard uncertainty of one value."""
        k = FREE.index(name)
        return float(math.sqrt(self.covariance[k, k]))


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
    fit = fit_pedals(times, paths, crank_mm, camera_mm)
    lens = _lens(fit.values)
    depth, depth_u = depths(tracks.names, fit.theta_rad, crank_mm, twin)
    place = lens.meet(uv, 0, depth)[..., [2, 1]]
    per_px = np.abs(depth - fit.values["distance_mm"]) / math.exp(fit.values["log_focal"])
    u_mm = np.where(np.isfinite(place), tracks.u_px * per_px[..., None], np.nan)
    traj = Trajectories(tracks.names, times, place, u_mm, ("Z", "Y"), tracks.info.name)
    systematic = _systematic(fit, depth_u, shutter.u, camera_mm)
    facts = {
        **{k: v for k, v in fit.values.items() if k != "log_focal"}, "focal_px": math.exp(fit.values["log_focal"]),
        "distance_u_mm": fit.u("distance_mm"), "roll_u_deg": fit.u("roll_deg"), "pedal_residual_px": fit.residual_px,
        "knee_depth_from": "side film" if twin is not None else "standard leg", "knee_depth_u_mm": depth_u,
        "readout_s": shutter.value, "exposure_s": tracks.info.exposure_s,
    }  # fmt: skip
    return FrontReading(traj, fit.theta_rad, systematic, facts, _notes(fit, pedals, camera_mm, twin))


def fit_pedals(
    times: Floats, paths: Mapping[str, Floats], crank_mm: float, camera_mm: float | None
) -> PedalFit:
    """Camera and crank angle from the pedals' paths.

    Args:
        times: (T,) s. paths: side → (T, 2) pixels from the picture's centre, NaN where not seen.
        crank_mm, camera_mm: see `read_front`.
    """
    rough = _rough_angle(times, paths)
    keep = np.flatnonzero(np.isfinite(rough))
    keep = keep[:: max(1, len(keep) // 900)]
    basis = _basis(times, rough)
    coefficients, *_ = np.linalg.lstsq(basis[keep], rough[keep], rcond=None)
    g = _first_guess(paths, crank_mm, camera_mm)
    sides = tuple(paths)
    seen = np.stack([paths[s][keep] for s in sides], axis=1)
    damping, cost = 1e-3, math.inf
    for _ in range(25):
        residual, jacobian = _linearised(
            g, basis[keep] @ coefficients, basis[keep], seen, sides, crank_mm, camera_mm
        )
        normal, slope = jacobian.T @ jacobian, jacobian.T @ residual
        now = float(residual @ residual)
        step = np.linalg.solve(
            normal + damping * np.diag(np.diag(normal)) + 1e-12 * np.eye(len(normal)), -slope
        )
        trial_g, trial_c = g + step[: len(FREE)], coefficients + step[len(FREE) :]
        trial = _residual(trial_g, basis[keep] @ trial_c, seen, sides, crank_mm, camera_mm)
        better = float(trial @ trial)
        if better < now:
            g, coefficients, damping = trial_g, trial_c, max(damping / 5, 1e-9)
            if now - better < 1e-5 * now:
                break
        else:
            damping *= 10
            if damping > 1e6:
                break
        cost = min(cost, better)
    residual, jacobian = _linearised(
        g, basis[keep] @ coefficients, basis[keep], seen, sides, crank_mm, camera_mm
    )
    count = int(np.isfinite(seen).sum())
    px = residual[: seen.size] * MODEL_PX
    rms = math.sqrt(float(px @ px) / max(count, 1))
    # residuals of a model that is slightly wrong are not independent from frame to frame: about one per knot is
    spread = max(1.0, rms / MODEL_PX) ** 2 * max(1.0, count / (4.0 * basis.shape[1]))
    covariance = np.linalg.inv(_weakened(jacobian, seen.size, spread))[: len(FREE), : len(FREE)]
    return PedalFit(
        dict(zip(FREE, (float(x) for x in g), strict=True)), covariance, basis @ coefficients, rms
    )


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


def _basis(times: Floats, rough: Floats) -> Floats:
    """(T, K) cubic B-splines in time, a few per turn: what is left of the crank's freedom."""
    seen = np.isfinite(rough)
    turns = abs(rough[seen][-1] - rough[seen][0]) / (2 * math.pi)
    n = max(4, round(turns * KNOTS_PER_TURN))
    inner = np.linspace(times[0], times[-1], n + 1)
    step = inner[1] - inner[0]
    knots = np.concatenate([inner[0] - step * np.arange(3, 0, -1), inner, inner[-1] + step * np.arange(1, 4)])
    clipped = np.clip(times, times[0], times[-1] - 1e-9)
    return np.asarray(BSpline.design_matrix(clipped, knots, 3).toarray())


def _first_guess(paths: Mapping[str, Floats], crank_mm: float, camera_mm: float | None) -> Floats:
    """Camera to start from: prior place, aim and scale such that the pedals come out where they are."""
    distance = camera_mm or DISTANCE_PRIOR_MM[0]
    reach = np.mean([np.diff(np.nanpercentile(p[:, 1], [1, 99]))[0] / 2 for p in paths.values()])
    focal = reach * distance / crank_mm
    middles = {s: np.nanmean(p, axis=0) for s, p in paths.items()}
    centre = np.mean(list(middles.values()), axis=0)
    if len(middles) == 1:
        centre = centre + np.array([135.0 if "right" in middles else -135.0, 0]) * focal / distance
    roll = 0.0
    if len(middles) == 2:
        across = middles["left"] - middles["right"]
        roll = math.degrees(math.atan2(across[1], across[0]))
    height = PRIORS["height_mm"][0]
    yaw = math.degrees(math.atan2(centre[0], focal))
    tilt = math.degrees(math.atan2(centre[1], focal)) - math.degrees(math.atan2(height, distance))
    return np.array([math.log(focal), distance, height, 0.0, yaw, tilt, roll, 135.0, 135.0, 0.0])


def _lens(values: Mapping[str, float]) -> Pinhole:
    """The camera at those values."""
    return Pinhole("front", (values["distance_mm"], values["height_mm"], values["sideways_mm"]),
                   math.exp(values["log_focal"]), (0.0, 0.0), values["yaw_deg"], values["tilt_deg"],
                   values["roll_deg"], values["k1"])  # fmt: skip


def _seen_by(g: Floats, theta: Floats, sides: tuple[str, ...], crank_mm: float) -> Floats:
    """(T, S, 2) pixels of the pedals at crank angles theta (T,) of the right foot."""
    values = dict(zip(FREE, g, strict=True))
    points = np.empty((len(theta), len(sides), 3))
    for k, side in enumerate(sides):
        angle = theta if side == "right" else theta + math.pi
        points[:, k, 0], points[:, k, 1] = crank_mm * np.sin(angle), crank_mm * np.cos(angle)
        points[:, k, 2] = values["right_mm"] if side == "right" else -values["left_mm"]
    return _lens(values).project(points)


def _residual(
    g: Floats, theta: Floats, seen: Floats, sides: tuple[str, ...], crank_mm: float, camera_mm: float | None
) -> Floats:
    """Weighted residuals: pixels first, then the priors."""
    px = np.nan_to_num((_seen_by(g, theta, sides, crank_mm) - seen) / MODEL_PX).ravel()
    values = dict(zip(FREE, g, strict=True))
    prior = [(values[n] - mean) / u for n, (mean, u) in PRIORS.items()]
    if camera_mm is None:
        prior.append((values["distance_mm"] - DISTANCE_PRIOR_MM[0]) / DISTANCE_PRIOR_MM[1])
    else:
        whole = math.sqrt(values["distance_mm"] ** 2 + values["height_mm"] ** 2 + values["sideways_mm"] ** 2)
        prior.append((whole - camera_mm) / _tape_u(camera_mm))
    return np.concatenate([px, prior])


def _tape_u(camera_mm: float) -> float:
    return max(15.0, 0.007 * camera_mm)


STEPS = np.array([1e-5, 1.0, 1.0, 1.0, 1e-3, 1e-3, 1e-3, 0.1, 0.1, 1e-4])


def _linearised(
    g: Floats, theta: Floats, basis: Floats, seen: Floats, sides: tuple[str, ...], crank_mm: float,
    camera_mm: float | None,
) -> tuple[Floats, Floats]:  # fmt: skip
    """Residuals and their derivatives by the camera's values and the spline's coefficients."""

    def at(x: Floats, angle: Floats) -> Floats:
        return _residual(x, angle, seen, sides, crank_mm, camera_mm)

    residual = at(g, theta)
    jacobian = np.zeros((len(residual), len(g) + basis.shape[1]))
    for k, h in enumerate(STEPS):
        off = np.zeros(len(g))
        off[k] = h
        jacobian[:, k] = (at(g + off, theta) - at(g - off, theta)) / (2 * h)
    by_angle = ((at(g, theta + 1e-5) - at(g, theta - 1e-5)) / 2e-5)[: seen.size].reshape(len(theta), -1)
    jacobian[: seen.size, len(g) :] = (by_angle[:, :, None] * basis[:, None, :]).reshape(seen.size, -1)
    return residual, jacobian


def _weakened(jacobian: Floats, pixels: int, spread: float) -> Floats:
    """Normal matrix with the pixels' weight divided by `spread` and the priors' kept."""
    data, prior = jacobian[:pixels], jacobian[pixels:]
    matrix = data.T @ data / spread + prior.T @ prior
    return np.asarray(matrix + 1e-12 * np.trace(matrix) / len(matrix) * np.eye(len(matrix)))


def _systematic(
    fit: PedalFit, depth_u: float, readout_u_s: float, camera_mm: float | None
) -> FrontSystematic:
    """What of the fit and of the knee's depth is wrong alike in all frames."""
    distance = fit.values["distance_mm"]
    lens_aside = combine(fit.u("sideways_mm"), 0.0)
    return FrontSystematic(
        scale_u=0.003, roll_u_deg=combine(fit.u("roll_deg"), 0.05),
        depth_u=combine(depth_u, 0.06 * fit.u("distance_mm")) / distance,
        lens_u_mm=lens_aside, timing_u_s=0.1 * readout_u_s,
    )  # fmt: skip


def _notes(
    fit: PedalFit, pedals: list[str], camera_mm: float | None, twin: RideResult | None
) -> tuple[str, ...]:
    out = []
    if camera_mm is None:
        out.append(f"The lens distance was not given; the pedals' paths put it at {fit.values['distance_mm'] / 1000:.2f} ± "
                   f"{1.96 * fit.u('distance_mm') / 1000:.2f} m. A tape measure makes the knee paths surer.")  # fmt: skip
    if twin is None:
        out.append("No side film was given: the knees' depth is that of a standard leg, so the paths are less sure "
                   "at the top and the bottom.")  # fmt: skip
    if len(pedals) == 1:
        out.append(
            f"Only the {pedals[0]} pedal is marked: the camera's roll and the mid-plane are little known."
        )
    if fit.residual_px > 3.0:
        out.append(f"The pedals leave their circles by {fit.residual_px:.1f} px: a sticker is not on the axle's line, or "
                   "the crank length is wrong.")  # fmt: skip
    return tuple(out)
