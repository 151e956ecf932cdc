"""The hanging-foot test: how far each foot turns out when nothing holds it.

The rider sits high, thigh supported, shank hanging, ankle brought level by hand; the angle between the foot's
line and the sagittal plane through the knee is read several times, the foot set down in between. The yaw is
mostly hip and tibia: it is offered to the cleat, not corrected, and left need not equal right (in one CT
cohort the right tibia was turned out by 1.5° more than the left).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.quantity import Measured, combine, difference, distinguishable, mdc95

U_READING_DEG = 1.0  # protractor and line of one reading; our assumption, no source
LINE_NOTE = "the foot's own line (heel centre to second toe); the shoe's mid-line may differ by degrees"
U_LINE_DEG = 4.0  # Kouchi 1995: the foot's medial axis bends outward by 8 ± 4° behind the ball


@dataclass(frozen=True)
class HangingFoot:
    """Yaw of one hanging foot: mean ± u (toe-out positive), SEM of one reading, MDC95 between two sessions."""

    yaw_deg: Measured
    sem_deg: float
    mdc95_deg: float
    trials: int

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "yaw_deg": self.yaw_deg.to_json(), "sem_deg": self.sem_deg, "mdc95_deg": self.mdc95_deg,
            "trials": self.trials,
        }  # fmt: skip


def hanging_foot(readings_deg: Sequence[float], *, in_shoe: bool = True) -> HangingFoot:
    """Mean of repeated readings.

    Args:
        readings_deg: one per trial, toe-out positive, −30 to 50°; at least one, three are better.
        in_shoe: whether the shoe's mid-line was read. On the bare foot the line differs, so u grows by 4°.
    Notes:
        With one or two readings the spread cannot be seen, so the reading's own u (1°, our assumption) stands.
        The mean's u is the larger of spread/√n and u_reading/√n.
    """
    if not readings_deg:
        raise InputError("hanging_foot", "no reading given", hint="take three, setting the foot down between")
    for i, reading in enumerate(readings_deg, start=1):
        check_range(f"hanging_foot reading {i}", reading, -30, 50, "deg")
    x = np.asarray(readings_deg, dtype=np.float64)
    spread = float(x.std(ddof=1)) if x.size > 2 else 0.0
    sem = max(spread, U_READING_DEG)
    u = sem / float(np.sqrt(x.size))
    yaw = Measured(float(x.mean()), u, "deg", f"hanging foot, mean of {x.size}")
    if not in_shoe:
        yaw = Measured(yaw.value, combine(u, U_LINE_DEG), "deg", f"{yaw.method}, bare foot: {LINE_NOTE}")
    return HangingFoot(yaw, sem, mdc95(u), int(x.size))


def side_difference(left: HangingFoot, right: HangingFoot) -> tuple[Measured, str]:
    """Right minus left, and the sentence for it: a difference is named only when it can be told from noise."""
    d = difference(right.yaw_deg, left.yaw_deg)
    if not distinguishable(right.yaw_deg, left.yaw_deg):
        return d, f"left and right are not distinguishable ({d})"
    return d, f"the {'right' if d.value > 0 else 'left'} foot turns out further, by {abs(d.value):.1f}°"
