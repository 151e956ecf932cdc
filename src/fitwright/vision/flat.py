"""The card's plane as if seen from straight above: a reduced picture with a scale, and its way back to the pixels."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.picture import Grey, Picture
from fitwright.vision.plane import CardPlane

GRID_PX = 16
"""The camera is mapped exactly on a grid of this spacing and interpolated between (< 0.02 px)."""


@dataclass(frozen=True)
class FlatView:
    """A rectangle of the plane, lens and perspective removed.

    Attributes:
        grey: (h, w). seen: (h, w) True where the photograph shows something. low_mm: (2,) plane coordinates of the
        top-left pixel's outer corner. px_per_mm: scale. plane: the camera behind it.
    """

    grey: Grey
    seen: NDArray[np.bool_]
    low_mm: Floats
    px_per_mm: float
    plane: CardPlane

    def mm(self, at: Floats) -> Floats:
        """(n, 2) column, row of this view → plane, mm."""
        return np.asarray(self.low_mm + (np.asarray(at, dtype=np.float64) + 0.5) / self.px_per_mm)

    def at(self, mm: Floats) -> Floats:
        """(n, 2) plane, mm → column, row of this view."""
        return np.asarray((np.asarray(mm, dtype=np.float64) - self.low_mm) * self.px_per_mm - 0.5)

    def all_in(self, mask: NDArray[np.bool_], mm: Floats) -> bool:
        """Whether all places (n, 2) of the plane lie in a mask of this view."""
        at = np.rint(self.at(mm)).astype(int)
        inside = np.all((at >= 0) & (at < self.grey.shape[::-1]), axis=1)
        return bool(inside.all() and mask[at[:, 1], at[:, 0]].all())

    def polygon(self, mm: Floats) -> NDArray[np.bool_]:
        """(h, w) True inside a closed polygon (n, 2) of the plane."""
        canvas = np.zeros(self.grey.shape, np.uint8)
        cv2.fillPoly(canvas, [np.rint(self.at(mm)).astype(np.int32)], 1)
        return np.asarray(canvas > 0)

    def part(
        self, where: NDArray[np.bool_], margin_mm: float = 0.0
    ) -> tuple[Floats, Grey, NDArray[np.bool_]]:
        """The smallest rectangle that holds `where`, widened: its corner (column, row), its pixels, `where` in it."""
        rows, columns = (np.flatnonzero(where.any(axis=a)) for a in (1, 0))
        if not rows.size:
            return np.zeros(2), self.grey[:0, :0], where[:0, :0]
        pad = int(margin_mm * self.px_per_mm)
        y0, x0 = max(int(rows[0]) - pad, 0), max(int(columns[0]) - pad, 0)
        box = slice(y0, int(rows[-1]) + pad + 1), slice(x0, int(columns[-1]) + pad + 1)
        return np.array([x0, y0], dtype=np.float64), self.grey[box], where[box]

    def disc(self, centre_mm: Floats, radius_mm: float) -> NDArray[np.bool_]:
        """(h, w) True within a radius of a place of the plane."""
        canvas = np.zeros(self.grey.shape, np.uint8)
        column, row = np.rint(self.at(centre_mm[None])[0]).astype(int).tolist()
        return np.asarray(cv2.circle(canvas, (column, row), round(radius_mm * self.px_per_mm), 1, -1) > 0)


def flat_view(
    picture: Picture, plane: CardPlane, low_mm: Floats, high_mm: Floats, px_per_mm: float
) -> FlatView:
    """The rectangle low–high (mm, plane frame) of the photograph at `px_per_mm`; 255 where nothing is seen."""
    columns, rows = np.ceil((np.asarray(high_mm) - low_mm) * px_per_mm).astype(int)
    gx, gy = np.meshgrid(np.arange(-1, columns // GRID_PX + 3), np.arange(-1, rows // GRID_PX + 3))
    places = low_mm + (np.column_stack([gx.ravel(), gy.ravel()]) * GRID_PX + 0.5) / px_per_mm
    coarse = plane.to_picture(places).astype(np.float32).reshape(*gx.shape, 2)
    to_coarse = np.array([[1 / GRID_PX, 0, 1], [0, 1 / GRID_PX, 1]], dtype=np.float32)
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    uv = cv2.warpAffine(coarse, to_coarse, (int(columns), int(rows)), flags=flags)
    source, factor = _reduced(picture.grey, plane.px_per_mm / px_per_mm)
    near = (uv + np.float32(0.5)) * np.float32(factor) - np.float32(0.5)
    grey = cv2.remap(source, near[..., 0], near[..., 1], cv2.INTER_LINEAR, borderValue=255)
    width, height = picture.size_px
    seen = (uv[..., 0] >= 0) & (uv[..., 0] <= width - 1) & (uv[..., 1] >= 0) & (uv[..., 1] <= height - 1)
    return FlatView(np.asarray(grey, dtype=np.uint8), seen, np.asarray(low_mm, float), px_per_mm, plane)


def _reduced(grey: Grey, ratio: float) -> tuple[Grey, float]:
    """The picture averaged over whole pixels before it is sampled more coarsely, so that fine patterns vanish."""
    factor = 1.0 / max(1, int(ratio))
    if factor == 1.0:
        return grey, 1.0
    size = (round(grey.shape[1] * factor), round(grey.shape[0] * factor))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8), factor
