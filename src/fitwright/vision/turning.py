"""A camera found from turning pedals: place, aim, roll, scale, lens and crank angle in one fit.

A pedal's axle turns about the bottom-bracket axis on a circle of known radius, at a known or unknown distance from
the bike's mid-plane. Where it appears in the picture depends on the camera and on the crank angle, which is smooth in
time. Both are fitted together to the whole path; what a tape measured and what a tripod can be enter as priors, so
that what the picture cannot tell stays as uncertain as it is. Perspective is told apart from a camera askew because
the near half of the turn is larger; an ellipse alone could not do that.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from fitwright.quantity import Floats
from fitwright.vision.camera import K1_U, Pinhole, aim_of
from fitwright.vision.spline_rows import SplineRows

KNOTS_PER_TURN = 5
FRAMES, FRAMES_PER_KNOT = 700, 2
"""Frames that take part in the fit: about so many, in long films more."""
MODEL_PX = 0.35
"""How well a pedal sticker keeps to its circle in the picture (it is fixed to a part that tilts), px, our choice."""
NO_LENS = 20.0
"""Logarithm of a focal length in px beyond any lens: a step of the descent may ask for more than a number holds."""
TRIAL_TURNS, TRIAL_FRAMES, TRIAL_ROUNDS = 4, 150, 6
TRIAL_SLANTS_DEG = ((0.0, 0.0), (7.0, 4.0), (7.0, -4.0), (-7.0, 4.0), (-7.0, -4.0))
FREE = ("log_focal", "x_mm", "y_mm", "z_mm", "yaw_deg", "tilt_deg", "roll_deg", "right_mm", "left_mm", "k1")
"""What is fitted: focal length, the lens' place in the bike frame, aim, the pedals' distances from the mid-plane."""
AHEAD = {"side": "z_mm", "front": "x_mm"}
"""Which coordinate of the lens is its distance."""
STEPS = np.array([1e-5, 1.0, 1.0, 1.0, 1e-3, 1e-3, 1e-3, 0.1, 0.1, 1e-4])
PRIORS: dict[str, dict[str, tuple[float, float]]] = {  # mean, u; mm and deg (common practice, no source)
    "side": {
        "x_mm": (0.0, 1500.0), "y_mm": (500.0, 500.0), "z_mm": (3300.0, 800.0), "yaw_deg": (0.0, 6.0),
        "tilt_deg": (0.0, 4.0), "roll_deg": (0.0, 1.0), "right_mm": (180.0, 20.0), "left_mm": (180.0, 20.0),
        "k1": (0.0, K1_U),
    },
    "front": {
        "x_mm": (3200.0, 700.0), "y_mm": (550.0, 300.0), "z_mm": (0.0, 200.0), "yaw_deg": (0.0, 5.0),
        "tilt_deg": (0.0, 5.0), "roll_deg": (0.0, 3.0), "right_mm": (135.0, 30.0), "left_mm": (135.0, 30.0),
        "k1": (0.0, K1_U),
    },
}  # fmt: skip


class Witness(Protocol):
    """Something else in the picture that tells of the camera: a level line, a wheel, a card."""

    def misfit(self, lens: Pinhole) -> Floats:
        """(n,) what this camera would have it be against what it is, in standard uncertainties."""


@dataclass(frozen=True)
class Turning:
    """What is known before the fit.

    Attributes: view "side" or "front"; sides (S,) of the pedals; seen_px (T, S, 2) from the picture's centre, NaN
    where not seen; crank_mm; camera_mm lens to bottom bracket by tape or None; stated: mean and u of what is known
    better than usual, by name of `FREE`; witnesses: what else tells of the camera.
    """

    view: str
    sides: tuple[str, ...]
    seen_px: Floats
    crank_mm: float
    camera_mm: float | None = None
    stated: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    witnesses: tuple[Witness, ...] = ()

    @property
    def priors(self) -> dict[str, tuple[float, float]]:
        """Priors of this view."""
        return PRIORS[self.view] | dict(self.stated)

    def thinned(self, keep: NDArray[np.intp]) -> Turning:
        """Some of the frames."""
        return replace(self, seen_px=self.seen_px[keep])


@dataclass(frozen=True)
class TurningFit:
    """The camera and crank angle that the pedals' paths tell.

    Attributes: view; values by name of `FREE`; covariance in that order; theta_rad (T,) of the right foot;
    residual_px RMS.
    """

    view: str
    values: Mapping[str, float]
    covariance: Floats
    theta_rad: Floats
    residual_px: float

    def u(self, name: str) -> float:
        """Standard uncertainty of one value."""
        k = FREE.index(name)
        return float(math.sqrt(self.covariance[k, k]))

    @property
    def lens(self) -> Pinhole:
        """The camera."""
        return lens_of(self.view, self.values)

    def turned(self, by_rad: float) -> TurningFit:
        """The same picture seen with the crank angle greater by `by_rad`: camera and crank turned together about the
        bottom-bracket axis. The pedals alone cannot tell these apart in a front view."""
        c, s = math.cos(by_rad), math.sin(by_rad)
        about_axis = np.array([[c, s, 0.0], [-s, c, 0.0], [0.0, 0.0, 1.0]])
        lens = self.lens
        x, y, _ = about_axis @ np.array(lens.place_mm)
        yaw, tilt, roll = aim_of(lens.rotation @ about_axis.T, self.view)
        values = dict(self.values) | {
            "x_mm": float(x), "y_mm": float(y), "yaw_deg": yaw, "tilt_deg": tilt, "roll_deg": roll,
        }  # fmt: skip
        return replace(self, values=values, theta_rad=self.theta_rad + by_rad)

    def surer(self, name: str, u: float) -> TurningFit:
        """The same fit when something else has told one of its values to `u`."""
        k = FREE.index(name)
        along = self.covariance[:, k]
        gain = along / (along[k] + u**2)
        return replace(self, covariance=self.covariance - np.outer(gain, along))

    def off_by_u(self) -> list[dict[str, float]]:
        """The values moved by one standard uncertainty along each independent direction of what may be wrong."""
        scale = np.sqrt(np.diag(self.covariance))
        size, axes = np.linalg.eigh(self.covariance / np.outer(scale, scale))
        moves = (axes * np.sqrt(np.maximum(size, 0.0))).T * scale
        return [{n: self.values[n] + float(d) for n, d in zip(FREE, move, strict=True)} for move in moves]

    def slopes(self, read: Callable[[Pinhole], float]) -> Floats:
        """(10,) change of what a camera makes of something per unit of each fitted value, by central differences."""
        out = np.empty(len(FREE))
        for k, (name, h) in enumerate(zip(FREE, STEPS, strict=True)):
            up, down = (
                lens_of(self.view, dict(self.values) | {name: self.values[name] + s * h}) for s in (1, -1)
            )
            out[k] = (read(up) - read(down)) / (2 * h)
        return out


def fit_turning(
    times: Floats, rough_rad: Floats, known: Turning, start: TurningFit | None = None
) -> TurningFit:
    """Camera and crank angle from the pedals' paths by Gauss–Newton.

    Args:
        times: (T,) s. rough_rad: (T,) unwrapped crank angle of the right foot to a few degrees, NaN where unknown.
        known: paths, crank, priors and witnesses. start: a fit of the same film to start from.
    """
    keep = np.flatnonzero(np.isfinite(rough_rad))
    basis = _basis(times, rough_rad)
    keep = keep[:: max(1, len(keep) // max(FRAMES, FRAMES_PER_KNOT * basis.columns))]
    some, part = known.thinned(keep), basis.rows(keep)
    angle = rough_rad if start is None else start.theta_rad
    straight = _coefficients(part, angle[keep])
    first = (
        _first_guess(times, rough_rad, known) if start is None else np.array([start.values[n] for n in FREE])
    )
    g, coefficients = _descend(first, straight, part, some)
    residual, by_camera, by_angle = _linearised(g, part.times(coefficients), part, some)
    count, pixels = int(np.isfinite(some.seen_px).sum()), some.seen_px.size
    px = residual[:pixels] * MODEL_PX
    rms = math.sqrt(float(px @ px) / max(count, 1))
    # residuals of a model that is slightly wrong are not independent from frame to frame: a few per knot are
    spread = max(1.0, rms / MODEL_PX) ** 2 * max(1.0, count / (4.0 * basis.columns))
    by_camera[:pixels] /= math.sqrt(spread)
    covariance = _Normal(by_camera, by_angle.scaled(np.full(pixels, spread**-0.5)), 1e-12).covariance
    values = dict(zip(FREE, (float(x) for x in g), strict=True))
    return TurningFit(known.view, values, covariance, basis.times(coefficients), rms)


def _descend(
    g: Floats, coefficients: Floats, basis: SplineRows, known: Turning, rounds: int = 20
) -> tuple[Floats, Floats]:
    """Gauss–Newton with step halving over the camera's values and the spline's coefficients.

    No damping: turning the camera about its axis and the crank with it changes almost nothing, and a damped step
    would creep along that flat valley; the priors make the undamped one safe.
    """
    for _ in range(rounds):
        residual, by_camera, by_angle = _linearised(g, basis.times(coefficients), basis, known)
        step = _Normal(by_camera, by_angle).step(residual)
        now, share = float(residual @ residual), 1.0
        while share > 1e-3:
            trial = g + share * step[: len(FREE)], coefficients + share * step[len(FREE) :]
            left = _residual(trial[0], basis.times(trial[1]), known)
            better = float(left @ left)
            if better < now:
                g, coefficients = trial
                break
            share /= 4
        if share <= 1e-3 or now - better < 1e-7 * now:
            break
    return g, coefficients


def lens_of(view: str, values: Mapping[str, float]) -> Pinhole:
    """The camera at those values; pixels count from the picture's centre."""
    focal_px = math.exp(min(values["log_focal"], NO_LENS))
    return Pinhole(view, (values["x_mm"], values["y_mm"], values["z_mm"]), focal_px, (0.0, 0.0),
                   values["yaw_deg"], values["tilt_deg"], values["roll_deg"], values["k1"])  # fmt: skip


class _Normal:
    """Normal equations of the camera's values and the spline's coefficients, every column at length 1.

    Each sample depends on four neighbouring coefficients, so that their block is a band; the camera's values are
    solved once it has been taken out (Schur's complement). A long film costs in proportion to its length.

    Args:
        by_camera: (n, C) slopes; by_angle: (m ≤ n, K) those of the first m residuals by the coefficients.
        damped: added to the diagonal.
    """

    def __init__(self, by_camera: Floats, by_angle: SplineRows, damped: float = 1e-13) -> None:
        self.sizes = np.linalg.norm(by_camera, axis=0) + 1e-12, np.sqrt(by_angle.square_band[0]) + 1e-12
        self.camera, self.angle = by_camera / self.sizes[0], by_angle.scaled(columns=1 / self.sizes[1])
        self.band = self.angle.square_band
        self.band[0] += damped
        self.both = self.angle.transposed_times(self.camera[: len(self.angle.first)])
        self.taken = solveh_banded(self.band, self.both, lower=True)
        alone = self.camera.T @ self.camera + damped * np.eye(len(self.sizes[0]))
        self.left = alone - self.both.T @ self.taken

    def step(self, residual: Floats) -> Floats:
        """(C + K,) change that the residuals (n,) ask for."""
        pull = -self.angle.transposed_times(residual[: len(self.angle.first)])
        turned = solveh_banded(self.band, pull, lower=True)
        moved = np.linalg.solve(self.left, -self.camera.T @ residual - self.both.T @ turned)
        return np.concatenate([moved / self.sizes[0], (turned - self.taken @ moved) / self.sizes[1]])

    @property
    def covariance(self) -> Floats:
        """(C, C) of the camera's values, where a residual of 1 is one standard uncertainty."""
        return np.asarray(np.linalg.inv(self.left) / np.outer(self.sizes[0], self.sizes[0]))


def _coefficients(basis: SplineRows, angle: Floats) -> Floats:
    """(K,) least-squares spline through angles (T,)."""
    return _Normal(np.zeros((len(angle), 1)), basis).step(-angle)[1:]


def _basis(times: Floats, rough: Floats) -> SplineRows:
    """(T, K) cubic B-splines in time, a few per turn: what is left of the crank's freedom."""
    seen = np.isfinite(rough)
    turns = abs(rough[seen][-1] - rough[seen][0]) / (2 * math.pi)
    n = max(4, round(turns * KNOTS_PER_TURN))
    inner = np.linspace(times[0], times[-1], n + 1)
    step = inner[1] - inner[0]
    knots = np.concatenate([inner[0] - step * np.arange(3, 0, -1), inner, inner[-1] + step * np.arange(1, 4)])
    clipped = np.clip(times, times[0], times[-1] - 1e-9)
    return SplineRows.of_spline(clipped, knots)


def _first_guess(times: Floats, rough: Floats, known: Turning) -> Floats:
    """Camera to start the descent from.

    A circle seen askew looks much like one seen askew the other way (only perspective tells them apart), so from the
    side several slants are tried on the first turns and the best is taken on.
    """
    square = _square(known)
    if known.view != "side":
        return square
    seen = np.flatnonzero(np.isfinite(rough))
    few = seen[np.abs(rough[seen] - rough[seen[0]]) < TRIAL_TURNS * 2 * math.pi]
    few = few[:: max(1, len(few) // TRIAL_FRAMES)]
    some, basis = known.thinned(few), _basis(times[few], rough[few])
    straight = _coefficients(basis, rough[few])
    best = math.inf, square
    for yaw, tilt in TRIAL_SLANTS_DEG:
        g, coefficients = _descend(_slanted(square, yaw, tilt), straight, basis, some, TRIAL_ROUNDS)
        left = _residual(g, basis.times(coefficients), some)
        best = min(best, (float(left @ left), g), key=lambda trial: trial[0])
    return best[1]


def _slanted(square: Floats, yaw_deg: float, tilt_deg: float) -> Floats:
    """A side camera moved round so that it looks at the same place askew."""
    g = dict(zip(FREE, square, strict=True))
    away = g["z_mm"] - g["right_mm"]
    g["x_mm"] += away * math.tan(math.radians(yaw_deg))
    g["y_mm"] += away * math.tan(math.radians(tilt_deg))
    return np.array([*(g | {"yaw_deg": yaw_deg, "tilt_deg": tilt_deg}).values()])


def _square(known: Turning) -> Floats:
    """Prior place, aim and scale such that the pedals come out where they are; a side camera looks square."""
    prior = {n: m for n, (m, _) in known.priors.items()}
    ahead = AHEAD[known.view]
    prior[ahead] = known.camera_mm or prior[ahead]
    paths = known.seen_px
    reach = float(np.mean(np.diff(np.nanpercentile(paths[..., 1], [1, 99], axis=0), axis=0)) / 2)
    away = prior[ahead] - (prior["right_mm"] if known.view == "side" else 0.0)
    focal = reach * away / known.crank_mm
    middles = np.nanmean(paths, axis=0)
    centre = middles.mean(axis=0)
    if known.view == "front" and len(known.sides) == 1:
        outward = prior["right_mm"] if known.sides[0] == "right" else -prior["left_mm"]
        centre = np.array([centre[0] + outward * focal / away, centre[1]])
    if len(known.sides) == 2:
        across = middles[known.sides.index("left")] - middles[known.sides.index("right")]
        prior["roll_deg"] = math.degrees(math.atan2(across[1], across[0]))
    prior["yaw_deg"] = math.degrees(math.atan2(centre[0], focal))
    prior["tilt_deg"] = math.degrees(math.atan2(centre[1], focal)) - math.degrees(
        math.atan2(prior["y_mm"], away)
    )
    if (
        known.view == "side"
    ):  # a side camera is aimed square and stands where it stands, rather than the reverse
        prior |= {
            "x_mm": -centre[0] * away / focal,
            "y_mm": centre[1] * away / focal,
            "yaw_deg": 0.0,
            "tilt_deg": 0.0,
        }
    return np.array([math.log(focal), *(prior[n] for n in FREE[1:])])


def _at_crank(g: Floats, theta: Floats, known: Turning) -> tuple[Floats, Floats]:
    """(T, S, 3) places of the pedals in mm at crank angles theta (T,) of the right foot, and (T, S, 3) their change
    per radian."""
    values = dict(zip(FREE, g, strict=True))
    points, turned = np.zeros((2, len(theta), len(known.sides), 3))
    for k, side in enumerate(known.sides):
        angle = theta if side == "right" else theta + math.pi
        across, up = known.crank_mm * np.sin(angle), known.crank_mm * np.cos(angle)
        points[:, k, 0], points[:, k, 1], turned[:, k, 0], turned[:, k, 1] = across, up, up, -across
        points[:, k, 2] = values["right_mm"] if side == "right" else -values["left_mm"]
    return points, turned


def _residual(g: Floats, theta: Floats, known: Turning) -> Floats:
    """Weighted residuals: pixels first, then the priors."""
    lens = lens_of(known.view, dict(zip(FREE, g, strict=True)))
    seen = lens.project(_at_crank(g, theta, known)[0])
    return np.concatenate([np.nan_to_num((seen - known.seen_px) / MODEL_PX).ravel(), _believed(g, known)])


def _believed(g: Floats, known: Turning) -> Floats:
    """Priors and witnesses against the camera's values, in standard uncertainties."""
    values, ahead = dict(zip(FREE, g, strict=True)), AHEAD[known.view]
    prior = [
        (values[n] - m) / u for n, (m, u) in known.priors.items() if n != ahead or known.camera_mm is None
    ]
    if known.camera_mm is not None:
        whole = math.sqrt(values["x_mm"] ** 2 + values["y_mm"] ** 2 + values["z_mm"] ** 2)
        prior.append((whole - known.camera_mm) / max(15.0, 0.007 * known.camera_mm))
    lens = lens_of(known.view, values)
    return np.concatenate([prior, *(w.misfit(lens) for w in known.witnesses)])


def _linearised(
    g: Floats, theta: Floats, basis: SplineRows, known: Turning
) -> tuple[Floats, Floats, SplineRows]:
    """Residuals (n,), their slopes by the camera's values (n, C), and of the pixels by the coefficients (m, K)."""
    points, per_rad = _at_crank(g, theta, known)
    by_place, by_aim, by_optics = lens_of(known.view, dict(zip(FREE, g, strict=True))).slopes(points)
    sides = np.array([[s == n for s in known.sides] for n in ("right", "left")]) * [[1.0], [-1.0]]
    outward = [by_place[..., 2] * side[:, None] for side in sides]
    of_px = [by_optics[..., :1], -by_place, by_aim, np.stack(outward, axis=-1), by_optics[..., 1:]]
    seen = np.isfinite(known.seen_px) / MODEL_PX
    size = known.seen_px.size
    residual = _residual(g, theta, known)
    by_camera = np.empty((len(residual), len(g)))
    by_camera[:size] = (np.concatenate(of_px, axis=-1) * seen[..., None]).reshape(size, len(g))
    for k, h in enumerate(STEPS):
        off = np.zeros(len(g))
        off[k] = h
        by_camera[size:, k] = (_believed(g + off, known) - _believed(g - off, known)) / (2 * h)
    turned = ((by_place @ per_rad[..., None])[..., 0] * seen).ravel()
    frame = np.repeat(np.arange(len(theta)), size // len(theta))
    return residual, by_camera, basis.rows(frame).scaled(turned)
