"""Following a point without a marker by the picture around it.

Cloth folds and skin moves, so such a point is followed with less certainty and says so: its uncertainty has a floor
of half a pixel and grows each time the remembered picture has to be renewed, because every renewal adds its own
error to all later frames.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.video import Luma

HALF_PX = 15
FLOOR_PX = 0.5
RENEWAL_PX = 0.35
"""Random error that one renewal of the template adds, px (our choice; matches of texture are rarely better)."""


class PatchFollower:
    """One point followed by normalised correlation with the patch around it.

    Args:
        luma: the marked frame. uv_px: (2,) the point there. time_s: of that frame. step_s: between frames.
        reach_px_per_s: the fastest a point may move.
    """

    def __init__(self, luma: Luma, uv_px: Floats, time_s: float, reach_px_per_s: float) -> None:
        self.template, self.offset = self._cut(luma, uv_px)
        self.uv, self.velocity, self.time_s = uv_px.astype(np.float64), np.zeros(2), time_s
        self.reach_px_per_s = reach_px_per_s
        self.drift, self.lost, self.steps = 0.0, 0, 0

    def step(self, time_s: float, luma: Luma) -> tuple[Floats, Floats]:
        """Position (2,) and standard uncertainty (2,) in this frame; NaN when the patch is not found."""
        gap = time_s - self.time_s
        centre = self.uv + self.velocity * np.clip(gap, -0.2, 0.2)
        share = 1.0 if self.steps == 0 else 0.25
        reach = 5.0 + share * self.reach_px_per_s * min(abs(gap), 0.15)
        found, score = self._match(luma, centre, reach)
        nowhere = np.full(2, np.nan)
        if found is None or score < 0.6:
            self.lost += 1
            return nowhere, nowhere.copy()
        self.velocity = (found - self.uv) / gap if abs(gap) < 0.1 else np.zeros(2)
        self.uv, self.time_s, self.lost = found, time_s, 0
        self.steps += 1
        if score < 0.85:
            self.template, self.offset = self._cut(luma, found)
            self.drift = float(np.hypot(self.drift, RENEWAL_PX))
        u = float(np.sqrt(FLOOR_PX**2 + self.drift**2 + (1.0 - score) ** 2))
        return found.copy(), np.full(2, u)

    def _cut(self, luma: Luma, uv: Floats) -> tuple[NDArray[np.float32], Floats]:
        """The patch around a point and the point's place in it."""
        c = np.round(uv).astype(int)
        low = np.maximum(c - HALF_PX, 0)
        patch = luma[low[1] : c[1] + HALF_PX + 1, low[0] : c[0] + HALF_PX + 1].astype(np.float32)
        return patch, uv - low

    def _match(self, luma: Luma, centre: Floats, reach: float) -> tuple[Floats | None, float]:
        """Best place within `reach` of `centre` and its correlation."""
        h, w = self.template.shape
        first = centre - self.offset
        low = np.maximum(np.floor(first - reach).astype(int), 0)
        high = np.minimum(
            np.ceil(first + reach).astype(int) + np.array([w, h]), [luma.shape[1], luma.shape[0]]
        )
        if np.any(high - low < (w + 2, h + 2)):
            return None, 0.0
        area = luma[low[1] : high[1], low[0] : high[0]].astype(np.float32)
        score = cv2.matchTemplate(area, self.template, cv2.TM_CCOEFF_NORMED)
        _, best, _, (u, v) = cv2.minMaxLoc(score)
        place = np.array([u + _peak(score[v], u), v + _peak(score[:, u], v)])
        return low + place + self.offset, float(best)


def _peak(line: NDArray[np.float32], k: int) -> float:
    """Offset of the parabola's top through three samples around k, within half a sample."""
    if not 0 < k < len(line) - 1:
        return 0.0
    a, b, c = (float(x) for x in line[k - 1 : k + 2])
    bend = a - 2 * b + c
    return 0.0 if bend >= 0 else float(np.clip(0.5 * (a - c) / bend, -0.5, 0.5))
