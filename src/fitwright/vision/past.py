"""Where markers have been within the last turns of the crank, and what that tells of one that is not seen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fitwright.quantity import Floats
from fitwright.vision import past_kernel

MEMORY_S = 4.0
"""Some turns: where a marker was hidden in the last one it may have been seen in that before."""
TURN_S = 0.9
"""A path seen over so long shows where a marker goes (one turn at 67 rpm)."""
REST_PX = 8.0
SAME_PLACE_PX = 14.0
ALIKE_S = 0.03
"""Weight of a difference in velocity against one in place."""
LEAST_AGO_S = 0.3
SEEN_S, LONGEST_STEP_S = 0.03, 0.05


@dataclass(frozen=True)
class Past:
    """Times (N,) s and places (N, 2) px of one marker, oldest first; times may run backward. What it tells is worked
    out once: several other markers ask for it in the same frame."""

    time_s: Floats
    uv_px: Floats

    @cached_property
    def knows_its_turn(self) -> bool:
        """Whether it has been seen for about a turn."""
        return self.lasts_s > TURN_S

    @cached_property
    def lasts_s(self) -> float:
        """Time from the first place to the last."""
        return abs(float(self.time_s[-1] - self.time_s[0])) if len(self.time_s) else 0.0

    @cached_property
    def rests(self) -> bool:
        """Whether it stayed in one place for a turn: it does not move with the rider."""
        return self.knows_its_turn and self.extent_px < REST_PX

    @cached_property
    def top_speed(self) -> float:
        """px/s between neighbouring places."""
        if len(self.time_s) < 2:
            return 0.0
        return float(past_kernel.top_speed(self.time_s, self.uv_px))

    @property
    def box(self) -> tuple[Floats, Floats]:
        """(2,) corners low and high."""
        return self.uv_px.min(axis=0), self.uv_px.max(axis=0)

    @cached_property
    def extent_px(self) -> float:
        """Longer side of that box."""
        return float(past_kernel.extent(self.uv_px))

    def away(self, place: Floats) -> float:
        """Distance of a place from the nearest it has been at, px."""
        return float(np.hypot(*(self.uv_px - place).T).min(initial=np.inf))

    def velocity_at(self, place: Floats) -> Floats:
        """(2,) px/s that it had when it was last near `place`; needs three places."""
        away = np.hypot(*(self.uv_px - place).T)
        k = int(np.clip(np.argmin(away), 1, len(away) - 2))
        moved = self.uv_px[k + 1] - self.uv_px[k - 1]
        return np.asarray(moved / (self.time_s[k + 1] - self.time_s[k - 1]))

    @cached_property
    def passes(self) -> list[float]:
        """Times at which it was where it was seen last and going the same way, latest first. A marker that is lost at
        the same place in every turn passes next to a gap."""
        return self._passes(True)

    @cached_property
    def sure_passes(self) -> list[float]:
        """Those not next to a gap, for other markers' sake."""
        return self._passes(False)

    def _passes(self, by_gaps: bool) -> list[float]:
        if len(self.time_s) < 5:
            return []
        found = past_kernel.passes(self.time_s, self.uv_px, ALIKE_S, LEAST_AGO_S, SAME_PLACE_PX, by_gaps)
        times: list[float] = found.tolist()
        return times

    def at(self, time_s: float) -> tuple[Floats, Floats] | None:
        """Place and velocity (2,) at a time; None when it was not seen then."""
        if len(self.time_s) < 3:
            return None
        told, u, v, du, dv = past_kernel.at(self.time_s, self.uv_px, time_s, SEEN_S, LONGEST_STEP_S)
        return (np.array([u, v]), np.array([du, dv])) if told else None

    def mostly_at(self, times_s: Sequence[float]) -> tuple[Floats, Floats] | None:
        """The middle of its places at some times, and the velocity that it had nearest to there, (2,) each; None when
        it was seen at none of them."""
        if len(self.time_s) < 3 or not times_s:
            return None
        seen, u, v, du, dv = past_kernel.mostly_at(
            self.time_s, self.uv_px, np.array(times_s), SEEN_S, LONGEST_STEP_S
        )
        return (np.array([u, v]), np.array([du, dv])) if seen else None
