"""Second look at a pick beneath which no disc was recognised: pictures of small ringed discs, sharp and smeared.

Where a small disc's inside is as dark as what lies around its ring, or its own motion smears it, the place about
which the picture is most nearly radial is beside it. A bank of such discs, laid over every place near the pick, tells
where to begin the fit, with which size and along which way it is smeared; the fit then judges as it always does.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from fitwright.quantity import Floats
from fitwright.vision.disc import DiscShape
from fitwright.vision.seek import Portrait, peaks, portrait

RADII_PX = (2.5, 3.2, 4.1, 5.2, 6.6, 8.4)
"""Discs; the larger ones are recognised at the first look."""
RING = 1.72
"""Ring over disc of the stickers that are asked for."""
SMEARS_PX = (5.0, 9.0)
WAYS = 4
SIGMA_PX = 0.7
MOST_STARTS = 4
LEAST_LIKENESS = 0.6


@dataclass(frozen=True)
class Beginning:
    """Where a fit may begin: centre (2,), radii of disc and ring, smear (2,), px; how alike the picture there is."""

    uv_px: Floats
    edges_px: tuple[float, float]
    blur_px: Floats
    likeness: float


@lru_cache(maxsize=1)
def _bank() -> tuple[tuple[float, Floats, Portrait], ...]:
    """Radius, smear and picture of every disc of the bank, dark in a bright ring and the other way round."""
    radii = np.array(RADII_PX)
    shape = DiscShape(radii, RING * radii, np.full(len(radii), SIGMA_PX))
    turns = np.arange(WAYS) * np.pi / WAYS
    smears = [np.zeros(2), *(n * np.array([np.cos(a), np.sin(a)]) for n in SMEARS_PX for a in turns)]
    return tuple(
        (float(r), blur, portrait(shape, i, np.array([sign, -sign, 0.0]), 1.0, blur))
        for i, r in enumerate(radii) for blur in smears for sign in (100.0, -100.0)
    )  # fmt: skip


def beginnings(grey: Floats, pick_px: Floats, reach_px: float, still: bool = False) -> Sequence[Beginning]:
    """Up to `MOST_STARTS` places, sizes and smears within `reach_px` of `pick_px` in a picture (h, w), likeliest
    first; without smear where the marker is `still`."""
    levels = np.clip(np.rint(grey), 0, 255).astype(np.uint8)
    found: list[Beginning] = []
    for radius, blur, picture in _bank():
        if still and blur.any():
            continue
        places, alike = peaks(levels, picture, pick_px, reach_px, 1.0, LEAST_LIKENESS)
        if len(places):
            found.append(Beginning(places[0], (radius, RING * radius), blur, float(alike[0])))
    return sorted(found, key=lambda b: -b.likeness)[:MOST_STARTS]
