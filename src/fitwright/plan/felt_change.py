"""How much a pain rating (0-10) must change before it means something to the rider.

Detectable: an answer repeated without any change differs by less than 1.77 points in 95 of 100 (1232 persons with
back pain; doi 10.1055/a-1304-3677). Important: 2 points (or 33 %) go with "much better", 1 point (or 15 %) with
"slightly better" (Salaffi et al. 2004, Eur J Pain 8:283, 825 persons with lasting pain in joints or muscles); from 8
upwards it takes 3 points (the first paper). All of them were patients, not cyclists on a bicycle, and a change is no
proof of what caused it. For comfort there is no such number.
"""

from __future__ import annotations

from dataclasses import dataclass

MDC95_POINTS = 1.77
SEM_POINTS = 0.64
"""MDC95 / (1.96 √2): standard error of one rating."""
SEVERE_FROM = 8
SOURCE = "Salaffi et al. 2004, Eur J Pain 8:283; doi 10.1055/a-1304-3677"


@dataclass(frozen=True)
class FeltChange:
    """A change of a rating. `clear`: beyond what an answer repeated may differ by; `important`: also enough to matter
    to the rider; None where nobody has published how much that is."""

    points: int
    clear: bool
    important: bool | None
    words: str


def important_points(before: int) -> int:
    """Least fall, or rise, of a pain rating that matters, from where it stood."""
    return 3 if before >= SEVERE_FROM else 2


def pain_change(before: int, after: int) -> FeltChange:
    """Two pain ratings 0-10, the earlier first."""
    points = after - before
    clear, important = abs(points) > MDC95_POINTS, abs(points) >= important_points(min(before, 10))
    if points == 0:
        words = "no change"
    elif important:
        words = f"{'less' if points < 0 else 'more'} by {abs(points)}: a change that matters to most people"
    elif clear:
        way = "less" if points < 0 else "more"
        words = f"{way} by {abs(points)}: noticeable, yet less than what matters from {before}"
    else:
        words = f"{'less' if points < 0 else 'more'} by 1: not distinguishable from answering twice"
    return FeltChange(points, clear, important, words)


def comfort_change(before: int, after: int) -> FeltChange:
    """Two comfort ratings 0-10, the earlier first; told without a judgement."""
    points = after - before
    words = "no change" if not points else (f"better by {points}" if points > 0 else f"worse by {-points}")
    return FeltChange(points, abs(points) > MDC95_POINTS, None, words)


def rating_change(kind: str, before: int, after: int) -> FeltChange | None:
    """Two ratings of `kind` "pain" or "comfort", the earlier first; None for what is not felt but measured."""
    judge = {"pain": pain_change, "comfort": comfort_change}.get(kind)
    return judge(before, after) if judge else None
