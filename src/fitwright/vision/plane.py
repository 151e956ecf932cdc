"""A camera over the card's plane: pixels of the picture to millimetres in the plane and back, with covariance.

Plane frame: that of the first strip found, mm, x across, y down as seen from the camera (the third axis points
away from the camera). Parameter vector: turn (3, rad, about the starting rotation), where the frame's origin is seen
(x/z, y/z, log z of it, z in mm: in the logarithm distance and focal length trade along a straight line), the lens (8,
see `fitwright.vision.lens`), then (x, y, turn) of each further strip. Values and covariance come from
`fitwright.vision.plane_fit`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.quantity import Floats, Measured, propagate
from fitwright.vision.boards import FoundBoard
from fitwright.vision.lens import LENS, LensPrior, distort, undistort

CAMERA = 6 + LENS
OPTICS = slice(6, CAMERA)


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
        self, points_px: Floats, u_pick_px: float | Floats = 0.7, height_mm: float | Floats = 0.0,
        u_height_mm: float = 0.0, u_uneven_mm: float = 0.0,
    ) -> PlanePoints:  # fmt: skip
        """Picked pixels to the plane, with pick noise, fit, lens, height and print scale in the covariance.

        Args:
            points_px: (n, 2). u_pick_px: standard uncertainty of each picked coordinate, one number or (n,).
            height_mm: how far the points lie above the card's plane towards the camera, one number or (n,).
            u_height_mm: standard uncertainty of that height, the same for all points;
            u_uneven_mm: and the part that differs from point to point.
        """
        cut = self._cut(points_px, u_pick_px, height_mm, u_height_mm, u_uneven_mm)
        xy, covariance = propagate(
            lambda v: cut.points_mm(v).reshape(len(v), -1), cut.mean, cut.covariance, batched=True
        )
        if not np.all(np.isfinite(xy)):
            raise InputError(
                "point", "looks past the card's plane (towards the horizon)", hint="Pick it again."
            )
        return PlanePoints(xy.reshape(-1, 2), covariance)

    def draws(
        self, points_px: Floats, count: int, seed: int, u_pick_px: float | Floats = 0.7,
        height_mm: float | Floats = 0.0, u_height_mm: float = 0.0, u_uneven_mm: float = 0.0,
    ) -> Floats:  # fmt: skip
        """(count, n, 2) mm: the same points by drawing everything that is uncertain (JCGM 101:2008, section 7)."""
        cut = self._cut(points_px, u_pick_px, height_mm, u_height_mm, u_uneven_mm)
        rng = np.random.default_rng(seed)
        return cut.points_mm(rng.multivariate_normal(cut.mean, cut.covariance, count, method="eigh"))

    def _cut(
        self, points_px: Floats, u_pick_px: float | Floats, height_mm: float | Floats, u_height_mm: float,
        u_uneven_mm: float,
    ) -> _Cut:  # fmt: skip
        pixels = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        n, m = len(pixels), CAMERA  # where further strips lie moves no point
        heights = np.broadcast_to(np.asarray(height_mm, dtype=np.float64), (n,))
        relative = self.print_scale.u / self.print_scale.value
        u_picks = np.repeat(np.broadcast_to(np.asarray(u_pick_px, dtype=np.float64), (n,)), 2)
        u = np.concatenate([u_picks, [u_height_mm], np.full(n, u_uneven_mm), [relative]])
        covariance = np.zeros((m + len(u), m + len(u)))
        covariance[:m, :m] = self.covariance[:m, :m]
        covariance[range(m, m + len(u)), range(m, m + len(u))] = u**2
        mean = np.concatenate([self.parameters[:m], pixels.ravel(), np.zeros(n + 1), [1.0]])
        return _Cut(self.start_rotation, heights, mean, covariance)

    def places_mm(self, points_px: Floats) -> Floats:
        """(n, 2) pixels to the plane without uncertainty, for many points at once (NaN past the horizon)."""
        pixels = np.asarray(points_px, dtype=np.float64).reshape(-1, 2)
        return ray_to_plane(self.parameters, self.start_rotation, pixels, np.zeros(len(pixels)))

    def to_picture(self, points_mm: Floats, height_mm: float = 0.0) -> Floats:
        """(n, 2) points of the plane frame to pixels: for overlays and for rectified pictures."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 2)
        return project(self.parameters, self.start_rotation, points, height_mm)


@dataclass(frozen=True)
class _Cut:
    """Rays through picked pixels cut with the plane, as a function of everything that is uncertain.

    The vector: camera and lens, pixels, height of all points, height of each, print scale over its estimate.
    """

    start_rotation: Floats
    heights_mm: Floats
    mean: Floats
    covariance: Floats

    def points_mm(self, vector: Floats) -> Floats:
        """(..., n, 2) for vectors (..., size)."""
        n, m = len(self.heights_mm), CAMERA
        pixels = vector[..., m : m + 2 * n].reshape(*vector.shape[:-1], n, 2)
        heights = self.heights_mm + vector[..., m + 2 * n, None] + vector[..., m + 2 * n + 1 : -1]
        points = ray_to_plane(vector[..., :m], self.start_rotation, pixels, heights)
        return np.asarray(vector[..., -1:, None] * points, dtype=np.float64)


def px_per_mm(board: FoundBoard) -> float:
    """Mean scale of a board in the picture: spread of its corners in px over their spread in mm."""

    def spread(x: Floats) -> float:
        return float(np.sqrt(np.sum(np.var(x, axis=0))))

    return spread(board.corners_px) / spread(board.corners_mm)


# --- geometry ---


def place(board_mm: Floats, p: Floats, index: int) -> Floats:
    """(..., n, 2) corners of strip `index` in the plane frame."""
    if index == 0:
        return np.broadcast_to(board_mm, (*p.shape[:-1], *board_mm.shape))
    at = CAMERA + 3 * (index - 1)
    c, s = np.cos(p[..., at + 2]), np.sin(p[..., at + 2])
    turn = np.stack([np.stack([c, s], axis=-1), np.stack([-s, c], axis=-1)], axis=-2)
    return np.asarray(board_mm @ turn + p[..., None, at : at + 2], dtype=np.float64)


def rotation(p: Floats, start: Floats) -> Floats:
    """(..., 3, 3) start · exp([w]×) by Rodrigues' formula."""
    w = p[..., :3]
    angle = np.linalg.norm(w, axis=-1)[..., None, None]
    W = np.cross(w[..., None, :], -np.eye(3))
    a, b = np.sinc(angle / math.pi), np.sinc(angle / (2 * math.pi)) ** 2 / 2
    return np.asarray(start @ (np.eye(3) + a * W + b * (W @ W)), dtype=np.float64)


def shift(p: Floats) -> Floats:
    """(..., 3) the plane's origin in camera coordinates, mm."""
    one = np.ones((*p.shape[:-1], 1))
    return np.asarray(np.exp(p[..., 5:6]) * np.concatenate([p[..., 3:5], one], axis=-1), dtype=np.float64)


def as_parameters(shift_mm: Floats) -> Floats:
    """The inverse of `shift` for one vector (3,)."""
    x, y, z = shift_mm
    return np.array([x / z, y / z, math.log(z)])


def camera_centre(p: Floats, start: Floats) -> Floats:
    """(..., 3) the lens in the plane's coordinates, mm, from the fit's parameters."""
    return np.asarray(-np.einsum("...ji,...j->...i", rotation(p, start), shift(p)), dtype=np.float64)


def project(p: Floats, start: Floats, points_mm: Floats, height_mm: float) -> Floats:
    """(..., n, 2) px of points (..., n, 2) of the plane, mm, raised towards the lens by `height_mm`."""
    R = rotation(p, start)
    solid = np.concatenate([points_mm, np.full((*points_mm.shape[:-1], 1), -height_mm)], axis=-1)
    view = solid @ np.swapaxes(R, -1, -2) + shift(p)[..., None, :]
    return distort(p[..., OPTICS], view[..., :2] / view[..., 2:])


def ray_to_plane(p: Floats, start: Floats, pixels: Floats, height_mm: Floats) -> Floats:
    """(..., n, 2) where rays through pixels meet the plane raised by `height_mm` (..., n); NaN where they do not."""
    xy = undistort(p[..., OPTICS], pixels)
    rays = np.concatenate([xy, np.ones((*xy.shape[:-1], 1))], axis=-1) @ rotation(p, start)
    centre = camera_centre(p, start)[..., None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        reach = ((-height_mm - centre[..., 2]) / rays[..., 2])[..., None]
        return np.where(reach > 0, centre[..., :2] + reach * rays[..., :2], np.nan)
