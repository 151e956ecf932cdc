"""One joint fit of camera, lens and strips to the chessboard corners seen in one photograph.

All unknowns are estimated together, with priors for what one picture of a plane cannot tell (focal length,
principal point, lens): maximum a posteriori, Levenberg–Marquardt, covariance from the normal matrix. So a badly
conditioned picture (one strip, in a corner) is not refused and not believed: the lens stays as uncertain as its
prior, and the result carries that.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from scipy.optimize import least_squares

from fitwright.errors import InputError
from fitwright.quantity import Floats, Measured
from fitwright.vision.boards import FoundBoard
from fitwright.vision.plane import CAMERA, CardPlane, LensPrior, place, project, px_per_mm, ray_to_plane

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

    @property
    def lens_mean(self) -> Floats:
        """(5,) prior means: log focal length, principal point, k1, k2."""
        return np.array([math.log(self.prior.focal_px), *((n - 1) / 2 for n in self.size_px), 0.0, 0.0])

    @property
    def lens_u(self) -> Floats:
        """(5,) prior standard uncertainties."""
        p = self.prior
        centre = p.u_centre * math.hypot(*self.size_px)
        return np.array([p.u_focal, centre, centre, p.u_k1, p.u_k2])

    def steps(self, n: int) -> Floats:
        """(n,) typical size of each parameter, for the solver."""
        centre = 0.01 * self.size_px[0]
        camera = [0.1, 0.1, 0.1, 10, 10, 50, 0.1, centre, centre, 0.05, 0.05]
        return np.array(camera + [10, 10, 0.1] * ((n - CAMERA) // 3))


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
    degrees = max(1.0, plane.residuals_px.size - CAMERA - 3 * (len(kept) - 1) + 5)  # 5 unknowns have a prior
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

        def misfit(p: Floats, rotation: Floats = rotation) -> Floats:
            places = np.concatenate([place(mm, p, i) for i, mm in enumerate(scaled)])
            data = (project(p, rotation, places, 0.0) - seen) / noise_px
            return np.concatenate([data.ravel(), (p[6:CAMERA] - known.lens_mean) / known.lens_u])

        fit = least_squares(misfit, start, method="lm", x_scale=known.steps(len(start)))
        if best is None or fit.cost < best[0].cost:
            best = fit, rotation
    fit, rotation = best
    residuals = fit.fun[: seen.size].reshape(-1, 2) * noise_px
    covariance = np.linalg.pinv(fit.jac.T @ fit.jac, hermitian=True, rcond=1e-18)
    return CardPlane(
        fit.x,
        covariance,
        rotation,
        known.size_px,
        boards,
        residuals,
        noise_px,
        known.print_scale,
        known.prior,
    )


def _starts(boards: tuple[FoundBoard, ...], known: _Setting) -> list[Start]:
    """The two poses a plane may have (Collins & Bartoli 2014), further strips placed by each of them."""
    scaled = [b.corners_mm * known.print_scale.value for b in boards]
    lens = known.lens_mean
    focal = math.exp(lens[0])
    K = np.array([[focal, 0, lens[1]], [0, focal, lens[2]], [0, 0, 1.0]])
    solid = np.column_stack([scaled[0], np.zeros(len(scaled[0]))])
    _, turns, shifts, *_ = cv2.solvePnPGeneric(solid, boards[0].corners_px, K, None, flags=cv2.SOLVEPNP_IPPE)
    starts = []
    for turn, shift in zip(turns, shifts, strict=True):
        rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)
        camera = np.concatenate([np.zeros(3), np.ravel(shift), lens])
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
        raise InputError(
            "card", f"its corners miss one flat plane by {miss:.2g} mm rms{lost}", allowed=f"up to {limit:g} mm",
            hint="Lay both strips flat in one plane (tape them down), beside the sole and at its height.",
        )  # fmt: skip
