"""Where markers have been within the last turns of the crank, and what that tells of one that is not seen."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from fitwright.quantity import Floats
from fitwright.vision import past_kernel
from fitwright.vision.step_kernel import LONGEST_PATH, remember

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
        if len(self.time_s) < past_kernel.FEWEST:
            return []
        found = past_kernel.passes(self.time_s, self.uv_px, ALIKE_S, LEAST_AGO_S, SAME_PLACE_PX, True)
        times: list[float] = found.tolist()
        return times

    def at(self, time_s: float) -> Floats | None:
        """(3, 2) place, velocity and acceleration at a time; None when it was not seen then."""
        if len(self.time_s) < 3:
            return None
        told, *motion = past_kernel.at(self.time_s, self.uv_px, time_s, SEEN_S, LONGEST_STEP_S)
        return np.array(motion).reshape(3, 2) if told else None


class Paths:
    """Where P markers have been lately; each remembers `LONGEST_PATH` places, of which those count that it was at
    within `MEMORY_S` of when it was seen last.

    Attributes:
        time_s, uv_px: (P, 2 L) and (P, 2 L, 2), in the order in which it was there. n: (P,) how many there are.
    """

    def __init__(self, p: int) -> None:
        self.time_s, self.uv_px = np.zeros((p, 2 * LONGEST_PATH)), np.zeros((p, 2 * LONGEST_PATH, 2))
        self.n = np.zeros(p, dtype=np.intp)
        self._told = [(-1, np.nan, Past(np.zeros(0), np.zeros((0, 2))))] * p

    def remember(self, i: int, passed: Iterable[tuple[float, Floats]]) -> None:
        """Places (time, (2,)) where marker i was."""
        for time_s, place in passed:
            remember(self.time_s, self.uv_px, self.n, i, time_s, place)

    def forget(self, i: int, since_s: float, before_s: float) -> None:
        """Leave out where marker i was since then, on the side of it away from `before_s`: the last places."""
        away = (self.time_s[i, : self.n[i]] - since_s) * np.sign(since_s - before_s)
        self.n[i] -= int((away >= 0).sum())

    def past(self, i: int, now_s: Floats) -> Past:
        """That of marker i; now_s (P,) when each was seen last."""
        n, told_s, past = self._told[i]
        if n != self.n[i] or told_s != now_s[i]:
            n = int(self.n[i])
            begin = past_kernel.since(self.time_s[i, :n], now_s[i], MEMORY_S)
            past = Past(self.time_s[i, begin:n].copy(), self.uv_px[i, begin:n].copy())
            self._told[i] = n, float(now_s[i]), past
        return past

    def like_now(self, i: int, which: Sequence[int], now_s: Floats) -> Floats | None:
        """(3, 2) the middle of the places at which marker i was whenever others were where they are now and going the
        same way, but for times next to a gap, and the velocity and acceleration that it had nearest to there; None
        when it was seen at none of them."""
        told, *motion = past_kernel.like_now(
            i, np.array(which, dtype=np.intp), self.time_s, self.uv_px, self.n, now_s, MEMORY_S, ALIKE_S, LEAST_AGO_S,
            SAME_PLACE_PX, SEEN_S, LONGEST_STEP_S,
        )  # fmt: skip
        return np.array(motion).reshape(3, 2) if told else None
