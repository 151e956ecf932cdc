"""Where markers have been within the last turn of the crank, and what that tells of one that is not seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.quantity import Floats

MEMORY_S = 1.6
"""Longer than one turn of the crank at 40 rpm."""
TURN_S = 0.9
"""A path seen over so long shows where a marker goes (one turn at 67 rpm)."""
SAME_PLACE_PX = 10.0
LEAST_AGO_S = 0.3
SEEN_S = 0.03


@dataclass(frozen=True)
class Past:
    """Times (N,) s and places (N, 2) px of one marker, oldest first; times may run backward."""

    time_s: Floats
    uv_px: Floats

    @property
    def knows_its_turn(self) -> bool:
        """Whether it has been seen for about a turn."""
        return self.lasts_s > TURN_S

    @property
    def lasts_s(self) -> float:
        """Time from the first place to the last."""
        return abs(float(self.time_s[-1] - self.time_s[0])) if len(self.time_s) else 0.0

    @property
    def top_speed(self) -> float:
        """px/s between neighbouring places."""
        if len(self.time_s) < 2:
            return 0.0
        steps = np.abs(np.diff(self.time_s))
        close = steps < 2.5 * np.median(steps)
        return float(np.max(np.hypot(*np.diff(self.uv_px, axis=0).T)[close] / steps[close], initial=0.0))

    @property
    def box(self) -> tuple[Floats, Floats]:
        """(2,) corners low and high."""
        return self.uv_px.min(axis=0), self.uv_px.max(axis=0)

    @property
    def extent_px(self) -> float:
        """Longer side of that box."""
        low, high = self.box
        return float(np.max(high - low))

    def away(self, place: Floats) -> float:
        """Distance of a place from the nearest it has been at, px."""
        return float(np.hypot(*(self.uv_px - place).T).min(initial=np.inf))

    def velocity_at(self, place: Floats) -> Floats:
        """(2,) px/s that it had when it was last near `place`; needs three places."""
        away = np.hypot(*(self.uv_px - place).T)
        k = int(np.clip(np.argmin(away), 1, len(away) - 2))
        moved = self.uv_px[k + 1] - self.uv_px[k - 1]
        return np.asarray(moved / (self.time_s[k + 1] - self.time_s[k - 1]))

    def a_turn_ago(self, after_s: float) -> tuple[Floats, Floats] | None:
        """Place and velocity (2,) that it had `after_s` after it was last where it was seen last; None when the path
        does not come by twice."""
        ago = np.abs(self.time_s - self.time_s[-1])
        away = np.where(ago > LEAST_AGO_S, np.hypot(*(self.uv_px - self.uv_px[-1]).T), np.inf)
        if not np.any(away < SAME_PLACE_PX):
            return None
        then = ago[int(np.argmin(away))] - abs(after_s)
        if then < 0 or np.min(np.abs(ago - then)) > SEEN_S:
            return None  # it was not seen then either
        order = ago[::-1]  # growing
        place = np.array([np.interp(then, order, self.uv_px[::-1, d]) for d in (0, 1)])
        return place, self.velocity_at(place)
