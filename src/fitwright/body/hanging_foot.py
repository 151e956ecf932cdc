"""The hanging-foot test: how far each foot turns out when nothing holds it.

The rider sits high, thigh supported, shank hanging, ankle brought level by hand; the angle between the foot's
line and the sagittal plane through the knee is read several times, the foot set down in between. The yaw is
mostly hip and tibia: it is offered to the cleat, not corrected, and left need not equal right (in one CT
cohort the right tibia was turned out by 1.5° more than the left).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Any

from fitwright.body.trials import Trials, what_would_tell
from fitwright.errors import InputError, check_range
from fitwright.quantity import Measured, combine, difference, distinguishable, mdc95, weighted_mean

U_READING_DEG = 1.0  # protractor and line of one reading; our assumption, no source
LINE_NOTE = "the foot's own line (heel centre to second toe); the shoe's mid-line may differ by degrees"
U_LINE_DEG = 4.0  # Kouchi 1995: the foot's medial axis bends outward by 8 ± 4° behind the ball


@dataclass(frozen=True)
class Trial:
    """One reading: yaw in deg with its own u, and whether the shoe's mid-line was read (else the bare foot's)."""

    yaw_deg: float
    u_deg: float = U_READING_DEG
    in_shoe: bool = True


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
    """Mean of repeated goniometer readings; see `hanging_foot_of`.

    Args:
        readings_deg: one per trial, toe-out positive, −30 to 50°; at least one, three are better.
        in_shoe: whether the shoe's mid-line was read. On the bare foot the line differs, so u grows by 4°.
    """
    return hanging_foot_of([Trial(x, in_shoe=in_shoe) for x in readings_deg])


def hanging_foot_of(trials: Sequence[Trial]) -> HangingFoot:
    """Mean of repeated readings, by goniometer or photograph.

    Notes:
        Readings are weighted by 1/u²; where they scatter more than their u says, u grows with the scatter (Birge
        ratio). Readings of the bare foot are averaged apart and carried over to the shoe's mid-line with the 4° that
        all of them share, then both means are combined.
    """
    if not trials:
        raise InputError("hanging_foot", "no reading given", hint="take three, setting the foot down between")
    for i, trial in enumerate(trials, start=1):
        check_range(f"hanging_foot reading {i}", trial.yaw_deg, -30, 50, "deg")
    means = [_of_one_line([t for t in trials if t.in_shoe is in_shoe], in_shoe) for in_shoe in (True, False)]
    known = [m for m in means if m is not None]
    yaw = weighted_mean([carried for _, carried in known])
    u = 1 / sqrt(
        sum(1 / mean.u**2 for mean, _ in known)
    )  # of the readings alone: the line is the same next time
    return HangingFoot(yaw, u * sqrt(len(trials)), mdc95(u), len(trials))


def _of_one_line(trials: Sequence[Trial], in_shoe: bool) -> tuple[Measured, Measured] | None:
    """Mean of the readings of one line, as read and as carried over to the shoe's mid-line."""
    if not trials:
        return None
    mean = weighted_mean([Measured(t.yaw_deg, t.u_deg, "deg") for t in trials])
    words = f"hanging foot, mean of {len(trials)}"
    if in_shoe:
        mean = Measured(mean.value, mean.u, "deg", words)
        return mean, mean
    carried = Measured(mean.value, combine(mean.u, U_LINE_DEG), "deg", f"{words}, bare foot: {LINE_NOTE}")
    return mean, carried


def side_difference(left: HangingFoot, right: HangingFoot) -> tuple[Measured, str]:
    """Right minus left, and the sentence for it: a difference is named only when it can be told from noise."""
    d = difference(right.yaw_deg, left.yaw_deg)
    if not distinguishable(right.yaw_deg, left.yaw_deg):
        sides = [Trials(f.yaw_deg, f.sem_deg, 0.0, f.trials) for f in (left, right)]
        return d, f"left and right are not distinguishable ({d}); {what_would_tell(d.value, *sides)}"
    return d, f"the {'right' if d.value > 0 else 'left'} foot turns out further, by {abs(d.value):.1f}°"
