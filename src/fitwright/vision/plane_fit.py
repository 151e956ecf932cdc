"""One joint fit of camera, lens and strips to the chessboard corners seen in one photograph.

All unknowns are estimated together, with priors for what one picture of a plane cannot tell (focal length,
principal point, lens): maximum a posteriori, Levenberg–Marquardt, covariance from the normal matrix. So a badly
conditioned picture (one strip, in a corner) is not refused and not believed: the lens stays as uncertain as its
prior, and the result carries that. The solver moves the lens along the prior's own directions, in units of its
standard uncertainty; what the prior knows exactly stays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import cv2
import numpy as np
from scipy.optimize import least_squares

from fitwright.errors import InputError
from fitwright.quantity import Floats, Measured
from fitwright.vision.boards import FoundBoard
from fitwright.vision.lens import LENS, LensPrior
from fitwright.vision.plane import (
    CAMERA,
    OPTICS,
    CardPlane,
    as_parameters,
    place,
    project,
    px_per_mm,
    ray_to_plane,
)
from fitwright.vision.twist import twist_of

NOISE_FLOOR_PX, FIRST_NOISE_PX = 0.08, 0.15
BENT_SQUARES, MOST_DROPPED = 0.02, 0.2

Start = tuple[Floats, Floats]
"""A parameter vector, and the rotation its turn is relative to."""


@dataclass(frozen=True)
class _Setting:
    """What is known before the fit."""

    size_px: tuple[int, int]
    prior: LensPrior
    print_scale: Measured


@dataclass(frozen=True)
class _Misfit:
    """Corners against the fit and the lens against its prior, in standard uncertainties, for (..., k) unknowns z.

    The unknowns: turn, shift, lens along the r columns of `spread`, places of further strips; `origin` is z = 0.
    """

    start_rotation: Floats
    origin: Floats
    spread: Floats
    boards_mm: Sequence[Floats]
    seen_px: Floats
    noise_px: float

    @cached_property
    def basis(self) -> Floats:
        """(parameters, k): what each unknown moves."""
        n, r = len(self.origin), self.spread.shape[1]
        B = np.zeros((n, n - LENS + r))
        B[:6, :6], B[OPTICS, 6 : 6 + r], B[CAMERA:, 6 + r :] = np.eye(6), self.spread, np.eye(n - CAMERA)
        return B

    @cached_property
    def steps(self) -> Floats:
        """(k,) typical size of each unknown."""
        camera = [0.1, 0.1, 0.1, 0.02, 0.02, 0.1] + [1] * self.spread.shape[1]
        return np.array(camera + [10, 10, 0.1] * ((len(self.origin) - CAMERA) // 3))

    def parameters(self, z: Floats) -> Floats:
        """The parameter vector of the plane."""
        return np.asarray(self.origin + z @ self.basis.T, dtype=np.float64)

    def __call__(self, z: Floats) -> Floats:
        p = self.parameters(z)
        places = np.concatenate([place(mm, p, i) for i, mm in enumerate(self.boards_mm)], axis=-2)
        miss = (project(p, self.start_rotation, places, 0.0) - self.seen_px) / self.noise_px
        lens = z[..., 6 : 6 + self.spread.shape[1]]
        return np.concatenate([miss.reshape(*z.shape[:-1], -1), lens], axis=-1)

    def slopes(self, z: Floats) -> Floats:
        """Jacobian by central differences, all in one call."""
        h = 1e-5 * self.steps
        return np.asarray((self(z + np.diag(h)) - self(z - np.diag(h))).T / (2 * h), dtype=np.float64)


def fit_plane(
    boards: Sequence[FoundBoard], size_px: tuple[int, int], prior: LensPrior, print_scale: Measured
) -> CardPlane:
    """Fit camera and strips to the corners of one or several boards that lie in one plane.

    Raises:
        InputError: too few corners, or corners that do not fit one flat plane.
    """
    ordered = tuple(sorted(boards, key=lambda b: -len(b.corner_ids)))
    if len(ordered[0].corner_ids) < 6 or min(np.ptp(ordered[0].corners_mm, axis=0)) == 0:
        raise InputError(
            f"strip {ordered[0].layout.name}", "too few corners are visible", value=len(ordered[0].corner_ids),
            allowed="at least 6 of one strip", hint="Uncover the strip; all of it should be in the picture.",
        )  # fmt: skip
    known = _Setting(size_px, prior, print_scale)
    plane = _best_fit(ordered, _starts(ordered, known), known, FIRST_NOISE_PX)
    kept, dropped = _without_outliers(plane)
    if dropped:
        plane = _best_fit(kept, _starts(kept, known), known, FIRST_NOISE_PX)
    _refuse_bent(plane, dropped)
    degrees = max(1.0, plane.residuals_px.size - 6 - 3 * (len(kept) - 1))  # the lens has a prior
    noise = max(NOISE_FLOOR_PX, math.sqrt(float(np.sum(plane.residuals_px**2)) / degrees))
    last = _best_fit(kept, [(plane.parameters, plane.start_rotation)], known, noise)
    return replace(last, dropped=dropped)


def _best_fit(
    boards: tuple[FoundBoard, ...], starts: Sequence[Start], known: _Setting, noise_px: float
) -> CardPlane:
    scaled = [b.corners_mm * known.print_scale.value for b in boards]
    seen = np.concatenate([b.corners_px for b in boards])
    best: Any = None
    for start, rotation in starts:
        origin = start.copy()
        origin[OPTICS] = known.prior.mean
        misfit = _Misfit(rotation, origin, known.prior.spread, scaled, seen, noise_px)
        first = np.linalg.lstsq(misfit.basis, start - origin, rcond=None)[0]
        fit = least_squares(misfit, first, misfit.slopes, method="lm", x_scale=misfit.steps)
        if best is None or fit.cost < best[0].cost:
            best = fit, misfit
    fit, misfit = best
    residuals = fit.fun[: seen.size].reshape(-1, 2) * noise_px
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac, hermitian=True, rcond=1e-18)
    return CardPlane(
        misfit.parameters(fit.x), misfit.basis @ covariance @ misfit.basis.T, misfit.start_rotation, known.size_px,
        boards, residuals, noise_px, known.print_scale, known.prior,
    )  # fmt: skip


def _starts(boards: tuple[FoundBoard, ...], known: _Setting) -> list[Start]:
    """The two poses a plane may have (Collins & Bartoli 2014), further strips placed by each of them."""
    scaled = [b.corners_mm * known.print_scale.value for b in boards]
    lens = known.prior.mean
    focal = math.exp(lens[0])
    K = np.array([[focal, 0, lens[1]], [0, focal, lens[2]], [0, 0, 1.0]])
    solid = np.column_stack([scaled[0], np.zeros(len(scaled[0]))])
    _, turns, shifts, *_ = cv2.solvePnPGeneric(solid, boards[0].corners_px, K, None, flags=cv2.SOLVEPNP_IPPE)
    starts = []
    for turn, shift_mm in zip(turns, shifts, strict=True):
        rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)
        camera = np.concatenate([np.zeros(3), as_parameters(np.ravel(shift_mm)), lens])
        strips = [
            _rigid(mm, ray_to_plane(camera, rotation, board.corners_px, np.zeros(len(mm))))
            for board, mm in zip(boards[1:], scaled[1:], strict=True)
        ]
        start = np.concatenate([camera, *strips])
        if np.all(np.isfinite(start)):
            starts.append((start, rotation))
    if not starts:
        raise InputError(
            "card", "its strips do not lie in one plane that the camera sees", hint="Lay them flat."
        )
    return starts


def _rigid(source: Floats, target: Floats) -> Floats:
    """(x, y, turn) of the best rigid motion source → target."""
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    turn = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    c, s = math.cos(turn), math.sin(turn)
    shift = target.mean(axis=0) - source.mean(axis=0) @ np.array([[c, s], [-s, c]])
    return np.array([*shift, turn])


def _without_outliers(plane: CardPlane) -> tuple[tuple[FoundBoard, ...], int]:
    """Boards without corners that miss the fit by far more than the others (half-hidden or misread)."""
    distance = np.linalg.norm(plane.residuals_px, axis=1)
    keep = distance <= max(1.0, 5 * float(np.median(distance)))
    kept, start = [], 0
    for b in plane.boards:
        k = keep[start : start + len(b.corner_ids)]
        start += len(k)
        if k.sum() >= 4:
            kept.append(
                replace(b, corner_ids=b.corner_ids[k], corners_px=b.corners_px[k], corners_mm=b.corners_mm[k])
            )
    if not kept:
        raise InputError(
            "card", "its corners do not fit a plane", hint="Lay the strips flat and take the photo again."
        )
    return tuple(kept), int(np.sum(~keep))


def _refuse_bent(plane: CardPlane, dropped: int) -> None:
    miss = plane.rms_px / float(np.mean([px_per_mm(b) for b in plane.boards]))
    limit = BENT_SQUARES * plane.boards[0].layout.square_mm
    if miss > limit or dropped > MOST_DROPPED * (dropped + len(plane.residuals_px)):
        lost = f", {dropped} corners far off" if dropped else ""
        twist = twist_of(plane)
        lost += f"; {twist.words}" if twist is not None and twist.matters else ""
        raise InputError(
            "card", f"its corners miss one flat plane by {miss:.2g} mm rms{lost}", allowed=f"up to {limit:g} mm",
            hint="Lay both strips flat in one plane (tape them down), beside the sole and at its height.",
        )  # fmt: skip
