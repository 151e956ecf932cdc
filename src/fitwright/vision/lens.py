"""The lens: how directions become pixels, and what is believed about it before a picture is measured.

Pinhole with three radial and two tangential terms (Brown 1971, Photogramm Eng 37:855), as in OpenCV:
x_d = x (1 + k1 r² + k2 r⁴ + k3 r⁶) + r² q + 2 (q·x) x with q = (p2, p1) and x in focal lengths; square pixels.

Lens vector (8): log focal length (px), principal point (2, px), k1, k2, k3, p1, p2. All functions take leading
dimensions, so that thousands of lenses are computed in one call.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitwright.quantity import Floats
from fitwright.vision.picture import FULL_FRAME_DIAGONAL_MM, Turn

LENS = 8
U_REFOCUS, U_STABILISED = 0.005, 0.002
"""Focusing nearer or farther moves the focal length, a stabilised sensor the principal point (shares of the focal
length and of the diagonal): a calibration of yesterday is this uncertain today (common practice, no source)."""


@dataclass(frozen=True)
class LensPrior:
    """What is believed about the lens before the picture is read.

    Attributes: mean (8,) and covariance (8, 8) of the lens vector; source: words for the report.
    """

    mean: Floats
    covariance: Floats
    source: str = ""

    @staticmethod
    def of_picture(size_px: tuple[int, int], focal_px: float | None) -> LensPrior:
        """Focal length from the file (3 %), or a phone's main camera (27 mm equivalent, 25 %).

        Principal point within 1 % of the diagonal, k1 and k2 around zero (0.05, 0.02: a phone corrects most of
        its lens itself), the other terms zero. Common practice, no source.
        """
        diagonal = math.hypot(*size_px)
        focal, u_focal = focal_px or 27.0 / FULL_FRAME_DIAGONAL_MM * diagonal, 0.03 if focal_px else 0.25
        mean = np.array([math.log(focal), *((n - 1) / 2 for n in size_px), 0, 0, 0, 0, 0])
        u = np.array([u_focal, 0.01 * diagonal, 0.01 * diagonal, 0.05, 0.02, 0, 0, 0])
        said = (
            "focal length from the picture's file"
            if focal_px
            else "focal length assumed (27 mm equivalent ± 50 %)"
        )
        return LensPrior(mean, np.diag(u**2), said)

    @staticmethod
    def of_calibration(
        mean: Floats, covariance: Floats, size_px: tuple[int, int], turn: Turn, upright_px: tuple[int, int],
        source: str,
    ) -> LensPrior:  # fmt: skip
        """A lens calibrated on pictures `size_px` as the sensor sees them, for a picture turned upright by `turn`.

        A picture of another size of the same shape is scaled. What focusing and a stabilised sensor may have moved
        since is added.
        """
        wide, high = upright_px if turn[0][0] else upright_px[::-1]
        scale = math.hypot(wide, high) / math.hypot(*size_px)
        R = np.array(turn, dtype=np.float64)
        swap = np.array([[0.0, 1.0], [1.0, 0.0]])  # q = (p2, p1) turns like a vector
        J = np.eye(LENS)
        J[1:3, 1:3], J[6:8, 6:8] = scale * R, swap @ R @ swap
        middle, upright = ((np.array(n) - 1) / 2 for n in (size_px, upright_px))
        out = J @ np.concatenate([mean[:1], mean[1:3] - middle, mean[3:]])
        out[0] += math.log(scale)
        out[1:3] += upright
        moved = np.zeros(LENS)
        moved[0], moved[1:3] = U_REFOCUS, U_STABILISED * math.hypot(*upright_px)
        return LensPrior(out, J @ covariance @ J.T + np.diag(moved**2), source)

    @property
    def focal_px(self) -> float:
        """The expected focal length."""
        return math.exp(float(self.mean[0]))

    @property
    def spread(self) -> Floats:
        """(8, r) with spread @ spread.T = covariance: one column for each direction that is not known exactly."""
        scale = np.sqrt(np.diag(self.covariance))
        scale[scale == 0] = 1.0
        values, vectors = np.linalg.eigh(self.covariance / np.outer(scale, scale))
        keep = values > 1e-12
        return np.asarray(scale[:, None] * vectors[:, keep] * np.sqrt(values[keep]), dtype=np.float64)


def distort(lens: Floats, xy: Floats) -> Floats:
    """Directions (..., n, 2), in focal lengths → pixels (..., n, 2)."""
    bent = xy * radial(lens, np.sum(xy**2, axis=-1, keepdims=True)) + tangential(lens, xy)
    return np.asarray(np.exp(lens[..., None, :1]) * bent + lens[..., None, 1:3], dtype=np.float64)


def undistort(lens: Floats, pixels: Floats) -> Floats:
    """Pixels (..., n, 2) → directions: the inverse of `distort` by Newton's method on the radius."""
    bent = (pixels - lens[..., None, 1:3]) / np.exp(lens[..., None, :1])
    xy = _straight(lens, bent)
    if np.any(lens[..., 6:8]):
        for _ in range(5):  # the tangential part is small: each round gains about two digits
            xy = _straight(lens, bent - tangential(lens, xy))
    return xy


def radial(lens: Floats, r2: Floats) -> Floats:
    """1 + k1 r² + k2 r⁴ + k3 r⁶ for r² (..., n, 1)."""
    k1, k2, k3 = (lens[..., None, i : i + 1] for i in (3, 4, 5))
    return np.asarray(1 + r2 * (k1 + r2 * (k2 + r2 * k3)), dtype=np.float64)


def tangential(lens: Floats, xy: Floats) -> Floats:
    """r² q + 2 (q·x) x with q = (p2, p1), for x (..., n, 2)."""
    q = lens[..., None, 7:5:-1]
    both = np.sum(xy**2, axis=-1, keepdims=True) * q + 2 * np.sum(q * xy, axis=-1, keepdims=True) * xy
    return np.asarray(both, dtype=np.float64)


def _straight(lens: Floats, bent: Floats) -> Floats:
    """Undo the radial terms: Newton on r (1 + k1 r² + k2 r⁴ + k3 r⁶) = r_d."""
    k1, k2, k3 = (lens[..., None, i : i + 1] for i in (3, 4, 5))
    rd = np.linalg.norm(bent, axis=-1, keepdims=True)
    r = rd.copy()
    for _ in range(8):
        r2 = r**2
        slope = 1 + r2 * (3 * k1 + r2 * (5 * k2 + r2 * 7 * k3))
        r = r - (r * radial(lens, r2) - rd) / np.where(slope > 0.1, slope, 0.1)
    return np.asarray(bent * np.where(rd > 0, r / np.where(rd > 0, rd, 1.0), 1.0), dtype=np.float64)
