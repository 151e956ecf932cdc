"""Where a marker that is not seen should be: the turns before tell it, by the markers that are seen.

The legs go round with the crank, so that wherever one moving marker is, the others were about there in each earlier
turn at the same moment of it. Some markers and some turns may be wrong (one of them may itself have been mistaken for
something that passed), so that several are asked and the middle of their answers counts.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import hypot

import numpy as np

from fitwright.quantity import Floats
from fitwright.vision.past import Past

LEADS_PX = 30.0
"""A marker that goes so far shows by its place where in the turn the leg is."""
LEADERS = 3
"""So many of them are asked when the leg was as it is now."""
OFF_CADENCE = 0.12
"""A turn may take that much longer or less than the one before, as a share."""
NEAR_PX = 8.0
"""From one turn to the next a path scatters by so much at the same moment of it."""


@dataclass(frozen=True)
class Awaited:
    """Place (2,) px, velocity (2,) px/s and, where earlier turns tell it, acceleration (2,) px/s² at this moment of
    the turn; by how much the moment may be off (not at all where other markers tell it); how far the marker may be
    from its place at the true one, px."""

    uv_px: Floats
    speed: Floats
    bend: Floats | None = None
    slack_s: float = 0.0
    near_px: float = NEAR_PX

    @property
    def reach_px(self) -> float:
        """How far from the place, at the most, the marker may be."""
        return self.near_px + self.slack_s * hypot(*self.speed)

    def late_s(self, place: Floats) -> float:
        """By how much the moment is off if the marker is at `place`."""
        if self.slack_s == 0:
            return 0.0
        square = float(self.speed @ self.speed)
        late = float((place - self.uv_px) @ self.speed) / square if square > 1.0 else 0.0
        return min(max(late, -self.slack_s), self.slack_s)

    def off_px(self, place: Floats) -> float:
        """How far `place` is from where the marker would be then."""
        return hypot(*(place - self.uv_px - self.late_s(place) * self.speed))


def leaders(pasts: Sequence[Past]) -> list[int]:
    """Which of the markers show by their place where in the turn the leg is, the farthest moving first."""
    far = [i for i, p in enumerate(pasts) if p.knows_its_turn and p.extent_px > LEADS_PX]
    return sorted(far, key=lambda i: -pasts[i].extent_px)


def by_the_clock(past: Past, turns: Sequence[float], gone_s: float) -> Awaited | None:
    """Where a marker with this past should be, and how it should move, as long after one of some earlier times, the
    first that tells; None when none does.

    Args:
        turns: times of earlier turns when it was where it was before it was lost. gone_s: time since then.
    """
    for turn_s in turns:
        if (answer := past.at(turn_s + gone_s)) is not None:
            return Awaited(answer[0], answer[1], answer[2], OFF_CADENCE * abs(gone_s))
    return None


def at_rest(past: Past) -> Awaited:
    """Where a marker that does not move should be."""
    return Awaited(np.median(past.uv_px, axis=0), np.zeros(2))
