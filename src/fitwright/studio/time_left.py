"""How long long work will still take, told in one way everywhere."""

from __future__ import annotations

TOLD_FROM, TOLD_AFTER_S = 0.02, 1.0
"""Before so much is done, or so long has gone by, what the start costs would be taken for the pace."""


def seconds_left(share: float, spent_s: float) -> float | None:
    """Seconds still to go at the mean pace so far; None before one can tell.

    Args:
        share: part of the work that is done, 0 to 1. spent_s: what that took.
    """
    if share < TOLD_FROM or spent_s < TOLD_AFTER_S:
        return None
    return spent_s * max(0.0, 1.0 - share) / share


def words_left(seconds: float | None) -> str:
    """`about 40 s left`, to what can be relied on (a tenth or so); empty when nobody can tell."""
    if seconds is None:
        return ""
    if seconds >= 90:
        return f"about {round(seconds / 60)}\N{NO-BREAK SPACE}min left"
    return (
        f"about {5 * round(seconds / 5) if seconds > 20 else max(1, round(seconds))}\N{NO-BREAK SPACE}s left"
    )
