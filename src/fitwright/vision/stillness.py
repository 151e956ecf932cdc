"""Whether a rider holds still: the surroundings of marked points, looked for again in a later frame."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np

from fitwright.vision.picture import Grey

PATCH_SHARE, REACH_SHARE, MOVED_SHARE = 0.010, 0.025, 0.004
"""Half a patch, how far it is looked for, and how far a point of a rider who holds still sways, as shares of the
picture's longer side: about 8 mm of sway in a picture that shows two metres (our choice)."""
LEAST_LIKENESS, LEAST_CONTRAST = 0.6, 5.0
"""Correlation below which a patch is not the same any more; grey levels below which it tells nothing (our choice)."""


def moving(first: Grey, later: Grey, points_px: Mapping[str, tuple[float, float]]) -> tuple[str, ...]:
    """Names of the points that are elsewhere in the later frame, or whose surroundings have gone.

    Args:
        first, later: (h, w) upright frames of one film. points_px: name → (u, v) in the first.
    """
    longest = max(first.shape)
    patch, reach = max(6, round(PATCH_SHARE * longest)), max(12, round(REACH_SHARE * longest))
    told = {n: _moved_px(first, later, uv, patch, reach) for n, uv in points_px.items()}
    return tuple(n for n, px in told.items() if px is not None and px > MOVED_SHARE * longest)


def _moved_px(first: Grey, later: Grey, uv: tuple[float, float], patch: int, reach: int) -> float | None:
    """How far a patch moved, px; infinite when it is not found, None where there is nothing to tell by."""
    u, v = (round(x) for x in uv)
    height, width = first.shape
    if not (patch <= u < width - patch and patch <= v < height - patch):
        return None
    own = first[v - patch : v + patch + 1, u - patch : u + patch + 1]
    if float(own.std()) < LEAST_CONTRAST:
        return None
    top, left = max(0, v - patch - reach), max(0, u - patch - reach)
    window = later[top : v + patch + reach + 1, left : u + patch + reach + 1]
    likeness = cv2.matchTemplate(window, own, cv2.TM_CCOEFF_NORMED)
    _, best, _, (x, y) = cv2.minMaxLoc(likeness)
    return (
        float("inf") if best < LEAST_LIKENESS else float(np.hypot(left + x + patch - u, top + y + patch - v))
    )
