"""Where in a part of the picture a disc marker may be: its own picture laid over every place, the best peaks kept."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.disc import DiscShape
from fitwright.vision.seek_kernel import correlation, tops
from fitwright.vision.video import Luma

LEAST_LIKENESS = 0.55
MOST_PEAKS = 6
FEW_PLACES, FEW_SAMPLES = 3600, 400
"""A Fourier transform is faster than adding up where both places and a marker's own samples are more."""


@dataclass(frozen=True)
class Portrait:
    """A marker's picture (n, n) in grey levels and where it covers the background (1 there, else 0)."""

    picture: NDArray[np.float32]
    mask: NDArray[np.float32]

    @property
    def half(self) -> int:
        """Samples on each side of the centre."""
        return len(self.picture) // 2


def portrait(shape: DiscShape, i: int, amplitudes: Floats, scale: float, blur_px: Floats) -> Portrait:
    """Picture of marker i of those; amplitudes (3,) ring, disc, background; blur (2,) px."""
    half = int(np.ceil(shape.ring_px[i] * scale + 0.5 * np.max(np.abs(blur_px))))
    cover = shape.coverage(i, half, blur_px, scale)
    ring, disc, background = amplitudes
    picture = background + ring * cover[0] + disc * cover[1]
    alone = 0.0 if shape.ringed[i] else 1.0  # a disc without a ring is seen against its background
    mask = np.maximum(cover[0] > 0.5, alone)
    return Portrait(picture.astype(np.float32), mask.astype(np.float32))


def peaks(
    luma: Luma,
    of: Portrait,
    centre: Floats,
    reach: float | Floats,
    per_grey: float,
    least: float = LEAST_LIKENESS,
) -> tuple[Floats, Floats]:
    """Places (N, 2) within `reach` (per axis) of `centre` that look like the marker, and likenesses (N,) up to 1,
    best first."""
    half = of.half
    size = np.array([luma.shape[1], luma.shape[0]])
    low = np.maximum(np.floor(centre - reach).astype(int) - half, 0)
    high = np.minimum(np.ceil(centre + reach).astype(int) + half + 1, size)
    if np.any(high - low <= 2 * half + 2):
        return np.zeros((0, 2)), np.zeros(0)
    area = luma[low[1] : high[1], low[0] : high[0]].astype(np.float32) * np.float32(per_grey)
    places = (area.shape[0] - 2 * half) * (area.shape[1] - 2 * half)
    if places <= FEW_PLACES or of.picture.size <= FEW_SAMPLES:
        likeness = correlation(area, of.picture, of.mask)
    else:
        likeness = cv2.matchTemplate(area, of.picture, cv2.TM_CCOEFF_NORMED, mask=of.mask)
        likeness[~np.isfinite(likeness) | (likeness > 1.01)] = -1.0  # where it is flat the norm is undefined
    found, alike = tops(likeness, least, MOST_PEAKS)
    return found + (low + half), alike
