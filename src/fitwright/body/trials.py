"""Repeated trials by hand: their mean, what one of them is worth, and whether left and right can be told apart.

A reading's uncertainty has two parts: finding the place again with the hand, which repeats average out, and the tool
(tape, ruler, goniometer), which they do not. SEM and MDC95 after Weir 2005 (J Strength Cond Res 19:231; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from fitwright.quantity import Z95, Measured, combine, difference, distinguishable, mdc95

MOST = 12
"""More trials than this nobody takes (common practice, no source)."""


@dataclass(frozen=True)
class Trials:
    """The mean of n readings with its u; `sem` of one reading (hand only), `u_tool` that repeats do not lower."""

    mean: Measured
    sem: float
    u_tool: float
    n: int

    @property
    def mdc95(self) -> float:
        """Smallest difference between two such means that is more than noise (95 %)."""
        return mdc95(self.mean.u)


def trials(readings: Sequence[float], unit: str, method: str, u_hand: float, u_tool: float = 0.0) -> Trials:
    """Mean of repeated readings: u = max(spread, u_hand)/√n ⊕ u_tool.

    `u_hand` is a floor for the spread, because two or three equal readings prove little. Raises ValueError when
    nothing was read.
    """
    x = np.asarray(readings, dtype=np.float64)
    if x.size == 0:
        raise ValueError("no trial given")
    sem = max(u_hand, float(x.std(ddof=1)) if x.size > 1 else 0.0)
    u = combine(sem / math.sqrt(x.size), u_tool)
    words = method if x.size == 1 else f"{method}, mean of {x.size}"
    return Trials(Measured(float(x.mean()), u, unit, words), sem, u_tool, int(x.size))


def trials_needed(difference_: float, sem: float, u_tool: float = 0.0) -> int | None:
    """Readings on each side from which a true difference of this size exceeds its MDC95; None when no number does.

    n = s²/(d²/(2·1.96²) − u_tool²).
    """
    room = (difference_ / Z95) ** 2 / 2 - u_tool**2
    return None if room <= 0 else math.ceil(sem**2 / room)


@dataclass(frozen=True)
class Sides:
    """Right minus left, whether it is more than noise, from which difference on it would be, and words."""

    label: str
    left: Measured
    right: Measured
    difference: Measured
    distinguishable: bool
    told_from: float
    words: str


def compare_sides(label: str, left: Trials, right: Trials) -> Sides:
    """Left against right; a difference is called only when it exceeds its 95 % half-width."""
    d = difference(right.mean, left.mean)
    apart, told_from = distinguishable(right.mean, left.mean), Z95 * d.u
    if apart:
        words = f"{'right' if d.value > 0 else 'left'} is larger by {Measured(abs(d.value), d.u, d.unit)}"
    else:
        words = f"not distinguishable ({d}); {what_would_tell(d.value, left, right)}"
    return Sides(label, left.mean, right.mean, d, apart, told_from, words)


def what_would_tell(d: float, left: Trials, right: Trials) -> str:
    """What would settle a difference that cannot be told from noise yet."""
    tool, sem = max(left.u_tool, right.u_tool), combine(left.sem, right.sem) / math.sqrt(2)
    needed = trials_needed(d, sem, tool) if d else None
    if needed is None or needed > MOST:
        return "as good as equal: more readings would not tell"
    if needed <= min(left.n, right.n):
        needed = min(left.n, right.n) + 1
    return f"{needed} readings on each side could tell"
