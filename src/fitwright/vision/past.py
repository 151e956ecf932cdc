"""Where markers have been within the last turns of the crank, and what that tells of one that is not seen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.quantity import Floats

MEMORY_S = 4.0
"""Some turns: where a marker was hidden in the last one it may have been seen in that before."""
TURN_S = 0.9
"""A path seen over so long shows where a marker goes (one turn at 67 rpm)."""
REST_PX = 8.0
SAME_PLACE_PX = 14.0
ALIKE_S = 0.03
"""Weight of a difference in velocity against one in place."""
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
    def rests(self) -> bool:
        """Whether it stayed in one place for a turn: it does not move with the rider."""
        return self.knows_its_turn and self.extent_px < REST_PX

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

    def passes(self) -> list[float]:
        """Times at which it was where it was seen last and going the same way, latest first."""
        if len(self.time_s) < 5:
            return []
        velocity = np.gradient(self.uv_px, self.time_s, axis=0)
        unlike = np.hypot(*(self.uv_px - self.uv_px[-1]).T) + ALIKE_S * np.hypot(*(velocity - velocity[-1]).T)
        unlike[np.abs(self.time_s - self.time_s[-1]) < LEAST_AGO_S] = np.inf
        best = (unlike[1:-1] <= unlike[:-2]) & (unlike[1:-1] < unlike[2:]) & (unlike[1:-1] < SAME_PLACE_PX)
        return [self._passed(int(k)) for k in np.flatnonzero(best)[::-1] + 1]

    def at(self, time_s: float) -> tuple[Floats, Floats] | None:
        """Place and velocity (2,) at a time; None when it was not seen then."""
        if len(self.time_s) < 3 or np.min(np.abs(self.time_s - time_s)) > SEEN_S:
            return None
        forward = self.time_s[-1] >= self.time_s[0]
        order = slice(None) if forward else slice(None, None, -1)
        place = np.array([np.interp(time_s, self.time_s[order], self.uv_px[order, d]) for d in (0, 1)])
        return place, self.velocity_at(place)

    def _passed(self, k: int) -> float:
        """When it was nearest to its last place: between samples, along its velocity at sample k."""
        moved, took = self.uv_px[k + 1] - self.uv_px[k - 1], self.time_s[k + 1] - self.time_s[k - 1]
        length = float(moved @ moved)
        ahead = float((self.uv_px[-1] - self.uv_px[k]) @ moved) / length if length > 4.0 else 0.0
        return float(self.time_s[k] + np.clip(ahead, -0.5, 0.5) * took)
