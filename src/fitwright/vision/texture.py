"""Following a point without a marker by the picture around it.

Cloth folds and skin moves, so one remembered picture does not do: where none fits well any more, the present one is
added to a small album. A rider comes by again: from the second turn on, earlier pictures fit again, the oldest first,
and the place does not creep away from the mark. Each picture knows how uncertain its own place is; that, the match's
own uncertainty (large along an edge, where nothing holds the patch) and a floor for cloth and skin make up u.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.quantity import Floats
from fitwright.vision.video import Luma

Patch = NDArray[np.float32]
HALF_PX = 15
FLOOR_PX = 0.2
"""What turning and folding do to the place found by a picture that still fits (from simulated cloth)."""
RENEWAL_PX = 0.45
"""Uncertainty that one more picture in the album adds to the places found by it, px (from simulated cloth)."""
GOOD, BELIEVED = 0.9, 0.8
"""Correlations: the picture still fits; less is not believed."""
ALBUM = 16
PREFERENCE = 0.03
"""Correlation that a picture may be worse for each pixel that its place is surer."""
LARGEST_U_PX = 3.0
STAYS_PX, SWAYS_PX = 3.0, 0.1
"""A point that does not go with the rider is no further from its place, which shifts by so much a frame at the most
(a camera sways; what passes over the point is faster)."""
NEIGHBOURS = 13.0
"""Samples of cloth in a film are not independent: as many of them count as one."""
OWN_PEAK_PX, RIVAL = 6, 0.04
"""A second place, further off than this, that fits nearly as well (by this much) makes the match ambiguous."""


@dataclass(frozen=True)
class _Picture:
    """A patch around the point (normalised to mean 0 and SD 1), its slopes, and how uncertain its own place is."""

    patch: Patch
    slopes: Floats
    u_px: float

    @staticmethod
    def around(luma: Luma, uv: Floats, u_px: float) -> _Picture:
        patch = _even(_cut(luma, uv))
        by_v, by_u = np.gradient(patch.astype(np.float64))
        return _Picture(patch, np.stack([by_u.ravel(), by_v.ravel()], axis=1), u_px)


class PatchFollower:
    """One point followed by normalised correlation, refined by least squares.

    Args:
        luma: the marked frame. uv_px: (2,) the point there. time_s: of that frame.
        reach_px_per_s: the fastest a point may move. stands: whether it does not go with the rider; what passes over
            it then does not carry it away.
    """

    def __init__(
        self, luma: Luma, uv_px: Floats, time_s: float, reach_px_per_s: float, stands: bool = False
    ) -> None:
        self.home = uv_px.astype(np.float64) if stands else None
        self.album = [_Picture.around(luma, uv_px, 0.0)]
        self.uv, self.velocity, self.time_s = uv_px.astype(np.float64), np.zeros(2), time_s
        self.reach_px_per_s = reach_px_per_s
        self.steps = 0

    def step(self, time_s: float, luma: Luma) -> tuple[Floats, Floats]:
        """Position (2,) and standard uncertainty (2,) in this frame; NaN when the patch is not found."""
        gap = time_s - self.time_s
        centre = self.uv + self.velocity * np.clip(gap, -0.1, 0.1)
        share = 1.0 if self.steps == 0 else 0.25
        reach = 5.0 + share * self.reach_px_per_s * min(abs(gap), 0.15)
        if self.home is not None:
            centre, reach = self.home, STAYS_PX
        found = self._found(luma, centre, reach)
        if found is None or self._carried_away(found[0]):
            return np.full(2, np.nan), np.full(2, np.nan)
        place, u, score = found
        self.velocity = (place - self.uv) / gap if abs(gap) < 0.1 else np.zeros(2)
        self.uv, self.time_s = place, time_s
        self.steps += 1
        if score < GOOD and len(self.album) < ALBUM:
            own = float(np.sqrt(max(float(np.mean(u**2)) - FLOOR_PX**2, 0.0) + RENEWAL_PX**2))
            self.album.append(_Picture.around(luma, place, own))
        return place.copy(), u

    def _carried_away(self, place: Floats) -> bool:
        """Whether a point that stands would have moved; its home follows a camera that sways."""
        if self.home is None:
            return False
        off = place - self.home
        if np.hypot(*off) > STAYS_PX:
            return True
        self.home = self.home + np.clip(off, -SWAYS_PX, SWAYS_PX)
        return False

    def _found(self, luma: Luma, centre: Floats, reach: float) -> tuple[Floats, Floats, float] | None:
        """Place, its uncertainty and correlation by the picture of the album that fits best; None when none does."""
        best: tuple[float, Floats, _Picture, float] | None = None
        area, low = _area(luma, centre, reach)
        if min(area.shape) < 2 * HALF_PX + 3:
            return None
        for picture in self.album:
            match = _matched(area, picture.patch)
            if match is None:
                continue
            place, score = match
            worth = score - PREFERENCE * picture.u_px
            if best is None or worth > best[0]:
                best = worth, low + place, picture, score
            if picture.u_px == 0.0 and score > GOOD:  # the marked frame itself
                break
        if best is None or best[3] < BELIEVED:
            return None
        _, place, picture, score = best
        refined, u = _refined(luma, picture, place)
        u = np.sqrt(u**2 + FLOOR_PX**2 + picture.u_px**2)
        if np.hypot(*(refined - place)) > 1.5 or np.max(u) > LARGEST_U_PX:
            return None
        return refined, u, score


def _cut(luma: Luma, uv: Floats) -> Patch:
    """The square around a point, interpolated so that the point is its middle."""
    n, (u, v) = 2 * HALF_PX + 1, (float(uv[0]), float(uv[1]))
    part, low = _area(luma, uv, 2.0)
    return np.asarray(cv2.getRectSubPix(part, (n, n), (u - low[0], v - low[1])), dtype=np.float32)


def _area(luma: Luma, centre: Floats, reach: float) -> tuple[Patch, NDArray[np.intp]]:
    """The part of the picture in which a patch within `reach` of `centre` lies, and its first pixel."""
    size = np.array([luma.shape[1], luma.shape[0]])
    low = np.clip(np.floor(centre - reach).astype(np.intp) - HALF_PX, 0, size - 1)
    high = np.clip(np.ceil(centre + reach).astype(np.intp) + HALF_PX + 1, low + 1, size)
    return luma[low[1] : high[1], low[0] : high[0]].astype(np.float32), low


def _even(patch: Patch) -> Patch:
    """Mean 0 and SD 1: brightness and contrast of the light do not count."""
    return np.asarray((patch - patch.mean()) / max(float(patch.std()), 1e-3), dtype=np.float32)


def _matched(area: Patch, patch: Patch) -> tuple[Floats, float] | None:
    """Best place (2,) of the patch's middle in the area, to the pixel, and its correlation; None when another place
    fits nearly as well."""
    score = cv2.matchTemplate(area, patch, cv2.TM_CCOEFF_NORMED)
    _, best, _, (u, v) = cv2.minMaxLoc(score)
    score[max(v - OWN_PEAK_PX, 0) : v + OWN_PEAK_PX + 1, max(u - OWN_PEAK_PX, 0) : u + OWN_PEAK_PX + 1] = -1.0
    if best - float(score.max()) < RIVAL:
        return None
    return np.array([u + HALF_PX, v + HALF_PX], dtype=np.float64), float(best)


def _refined(luma: Luma, picture: _Picture, place: Floats) -> tuple[Floats, Floats]:
    """Place by least squares of the evened patches (Gauss–Newton), and the match's own standard uncertainty (2,)."""
    normal = picture.slopes.T @ picture.slopes + 1e-6 * np.eye(2)
    inverse = np.linalg.inv(normal)
    left = np.zeros(1)
    for _ in range(4):
        left = (_even(_cut(luma, place)) - picture.patch).astype(np.float64).ravel()
        moved = inverse @ (picture.slopes.T @ left)
        place = place - np.clip(moved, -1.0, 1.0)
        if np.hypot(*moved) < 0.02:
            break
    spread = float(left @ left) / left.size * NEIGHBOURS
    return place, np.sqrt(np.diag(inverse) * spread)
