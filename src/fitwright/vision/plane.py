"""A camera over the card's plane: pixels of the picture to millimetres in the plane and back, with covariance.

The camera is a pinhole with two radial terms (Brown 1971; x_d = x (1 + k1 r² + k2 r⁴), x in focal lengths). Its
parameters and their covariance come from `fitwright.vision.plane_fit`.

Plane frame: that of the first strip found, mm, x across, y down as seen from the camera (the third axis points
away from the camera). Parameter vector: turn (3, rad, about the starting rotation), translation (3, mm),
log focal length, principal point (2, px), k1, k2, then (x, y, turn) of each further strip.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.quantity import Floats, Measured, propagate
from fitwright.vision.boards import FoundBoard
from fitwright.vision.picture import FULL_FRAME_DIAGONAL_MM

CAMERA = 11


@dataclass(frozen=True)
class LensPrior:
    """What is believed about the camera before the picture is read (common practice, no source).

    Attributes: focal_px and its relative u; u_centre, principal point as a share of the picture's diagonal;
    u_k1, u_k2 around zero (a phone corrects most of its lens itself). source: words for the report.
    """

    focal_px: float
    u_focal: float
    u_centre: float = 0.01
    u_k1: float = 0.05
    u_k2: float = 0.02
    source: str = ""

    @staticmethod
    def of_picture(size_px: tuple[int, int], focal_px: float | None) -> LensPrior:
        """Focal length from the file (3 %), or a phone's main camera (27 mm equivalent, 25 %)."""
        if focal_px is not None:
            return LensPrior(focal_px, 0.03, source="focal length from the picture's file")
        typical = 27.0 / FULL_FRAME_DIAGONAL_MM * math.hypot(*size_px)
        return LensPrior(typical, 0.25, source="focal length assumed (27 mm equivalent ± 50 %)")


@dataclass(frozen=True)
class PlanePoints:
    """Points in the card's plane: xy (n, 2) mm and their joint covariance (2n, 2n) mm², order x0, y0, x1, ..."""

    xy_mm: Floats
    covariance_mm2: Floats


@dataclass(frozen=True)
class CardPlane:
    """The fitted camera over the card's plane.

    Attributes:
        parameters, covariance: see the module. start_rotation: (3, 3) the turn parameters are relative to.
        size_px: of the picture. boards: those used, outliers removed. residuals_px: (n, 2) of their corners.
        noise_px: standard deviation of one corner coordinate that the covariance stands for.
        print_scale: true over nominal size. prior: of the lens. dropped: corners left out as outliers.
    """

    parameters: Floats
    covariance: Floats
    start_rotation: Floats
    size_px: tuple[int, int]
    boards: tuple[FoundBoard, ...]
    residuals_px: Floats
    noise_px: float
    print_scale: Measured
    prior: LensPrior
    dropped: int = 0

    @property
    def rms_px(self) -> float:
        """Root mean square distance of the corners from the fit."""
        return float(np.sqrt(np.mean(np.sum(self.residuals_px**2, axis=1))))

    @property
    def k1(self) -> Measured:
        """Radial lens term."""
        return Measured(
            float(self.parameters[9]), float(np.sqrt(self.covariance[9, 9])), "1", "fitted with prior"
        )

    @property
    def px_per_mm(self) -> float:
        """Mean resolution on the strips."""
        return float(np.mean([px_per_mm(b) for b in self.boards])) / self.print_scale.value

    @property
    def distance_mm(self) -> Measured:
        """Distance of the lens from the card's plane."""
        value, cov = propagate(
            lambda p: -camera_centre(p, self.start_rotation)[2], self.parameters, self.covariance
        )
        return Measured(abs(float(value[0])), float(np.sqrt(cov[0, 0])), "mm", self.prior.source)

    def corners_mm(self) -> Floats:
        """(n, 2) all corners used, in the plane frame."""
        scale = self.print_scale.value
        places = [place(b.corners_mm * scale, self.parameters, i) for i, b in enumerate(self.boards)]
        return np.concatenate(places)

    def to_plane(
        self, points_px: Floats, u_pick_px: float = 0.7, height_mm: float | Floats = 0.0,
        u_height_mm: float = 0.0, u_uneven_mm: float = 0.0,
    ) -> PlanePoints:  # fmt: skip
        """Picked pixels to the plane, with pick noise, fit, lens, height and print scale in the covariance.

        Args:
            points_px: (n, 2). u_pick_px: standard uncertainty of each picked coordinate.
            height_mm: how far the points lie above the card's plane towards the camera, one number or (n,).
            u_height_mm: standard uncertainty of that height, the same for all points;
            u_uneven_mm: and the part that differs from point to point.
        """
        pixels = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        n, m = len(pixels), len(self.parameters)
        heights = np.broadcast_to(np.asarray(height_mm, dtype=np.float64), (n,))

        def plane(vector: Floats) -> Floats:
            p, uv = vector[:m], vector[m : m + 2 * n].reshape(n, 2)
            common, own, scale = vector[m + 2 * n], vector[m + 2 * n + 1 : -1], vector[-1]
            return np.asarray(
                scale * ray_to_plane(p, self.start_rotation, uv, heights + common + own)
            ).ravel()

        variances = [np.full(2 * n, u_pick_px**2), [u_height_mm**2], np.full(n, u_uneven_mm**2)]
        relative = self.print_scale.u / self.print_scale.value
        tail = np.concatenate([*variances, [relative**2]])
        covariance = np.zeros((m + len(tail), m + len(tail)))
        covariance[:m, :m] = self.covariance
        covariance[range(m, m + len(tail)), range(m, m + len(tail))] = tail
        mean = np.concatenate([self.parameters, pixels.ravel(), np.zeros(n + 1), [1.0]])
        xy, cov = propagate(plane, mean, covariance)
        if not np.all(np.isfinite(xy)):
            raise InputError(
                "point", "looks past the card's plane (towards the horizon)", hint="Pick it again."
            )
        return PlanePoints(xy.reshape(n, 2), cov)

    def to_picture(self, points_mm: Floats, height_mm: float = 0.0) -> Floats:
        """(n, 2) points of the plane frame to pixels: for overlays and for rectified pictures."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        return project(self.parameters, self.start_rotation, points, height_mm)


def px_per_mm(board: FoundBoard) -> float:
    """Mean scale of a board in the picture: spread of its corners in px over their spread in mm."""

    def spread(x: Floats) -> float:
        return float(np.sqrt(np.sum(np.var(x, axis=0))))

    return spread(board.corners_px) / spread(board.corners_mm)


# --- geometry ---


def place(board_mm: Floats, p: Floats, index: int) -> Floats:
    """Corners of strip `index` in the plane frame."""
    if index == 0:
        return board_mm
    x, y, turn = p[CAMERA + 3 * (index - 1) : CAMERA + 3 * index]
    c, s = math.cos(turn), math.sin(turn)
    return np.asarray(board_mm @ np.array([[c, s], [-s, c]]) + np.array([x, y]), dtype=np.float64)


def rotation(p: Floats, start: Floats) -> Floats:
    """start · exp([w]×) by Rodrigues' formula."""
    w = p[:3]
    angle = math.sqrt(float(w @ w))
    W = np.array([[0, -w[2], w[1]], [w[2], 0, -w[0]], [-w[1], w[0], 0]])
    if angle < 1e-9:
        return np.asarray(start @ (np.eye(3) + W))
    a, b = math.sin(angle) / angle, (1 - math.cos(angle)) / angle**2
    return np.asarray(start @ (np.eye(3) + a * W + b * (W @ W)))


def camera_centre(p: Floats, start: Floats) -> Floats:
    """(3,) the lens in the plane's coordinates, mm, from the fit's parameters (rotation about `start`, shift)."""
    return -rotation(p, start).T @ p[3:6]


def project(p: Floats, start: Floats, points_mm: Floats, height_mm: float) -> Floats:
    """(n, 2) px of points (n, 2) of the plane, mm, raised towards the lens by `height_mm`: pinhole with k1, k2."""
    solid = np.column_stack([points_mm, np.full(len(points_mm), -height_mm)])
    view = solid @ rotation(p, start).T + p[3:6]
    xy = view[:, :2] / view[:, 2:]
    r2 = np.sum(xy**2, axis=1, keepdims=True)
    return np.asarray(math.exp(p[6]) * xy * (1 + p[9] * r2 + p[10] * r2**2) + p[7:9], dtype=np.float64)


def ray_to_plane(p: Floats, start: Floats, pixels: Floats, height_mm: Floats) -> Floats:
    """Rays through pixels cut with the plane at `height_mm` above the card; NaN where there is no cut."""
    distorted = (pixels - p[7:9]) / math.exp(p[6])
    rd = np.linalg.norm(distorted, axis=1)
    r = rd.copy()
    for _ in range(8):  # Newton on r (1 + k1 r² + k2 r⁴) = r_d
        slope = 1 + 3 * p[9] * r**2 + 5 * p[10] * r**4
        r = r - (r * (1 + p[9] * r**2 + p[10] * r**4) - rd) / np.where(slope > 0.1, slope, 0.1)
    xy = distorted * np.where(rd > 0, r / np.where(rd > 0, rd, 1.0), 1.0)[:, None]
    R = rotation(p, start)
    rays = np.column_stack([xy, np.ones(len(xy))]) @ R
    centre = -R.T @ p[3:6]
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = (-height_mm - centre[2]) / rays[:, 2]
        return np.where(reach[:, None] > 0, centre[:2] + reach[:, None] * rays[:, :2], np.nan)
