"""How much of the float a foot that pedals leaves at both ends, and how probable it is that it touches one."""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist

from fitwright.foot.float_window import FloatCheck, check_float
from fitwright.quantity import Measured


@dataclass(frozen=True)
class Room:
    """The yaw used against the float's two ends: `check` in numbers, probability that an end is touched."""

    check: FloatCheck
    touch_in: float
    touch_out: float

    @property
    def words(self) -> str:
        """The check's words, with the probability that an end is touched when it is not negligible."""
        worst, end = max((self.touch_in, "toe-in"), (self.touch_out, "toe-out"))
        if worst < 0.05:
            return self.check.words
        return (
            f"{self.check.words} (probability that the {end} end is touched: {100 * min(worst, 0.99):.0f} %)"
        )


def room(psi: Measured, float_in_deg: float, float_out_deg: float, low: Measured, high: Measured) -> Room:
    """How much of the float is left at both ends."""
    found = check_float(psi, float_in_deg, float_out_deg, low, high)
    touch = [
        NormalDist(m.value, m.u).cdf(0.0) if m.u > 0 else float(m.value <= 0)
        for m in (found.margin_in_deg, found.margin_out_deg)
    ]
    return Room(found, touch[0], touch[1])
