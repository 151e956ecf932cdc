"""A disc that may be a lost marker is not believed at once: it must be there in three frames and move like a body.

A chain is a list of (time, place) of one such disc, newest last. It grows while something like the marker is where
the chain expects it, and dies otherwise.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from fitwright.quantity import Floats

Chain = list[tuple[float, Floats]]
Look = Callable[[Floats, float], list[Floats]]
LONG_ENOUGH = 3
LONGEST_STEP_S = 0.075
SLACK_PX = 2.5
FASTEST_TURN_RAD_S = 13.0
"""124 turns a minute: what moves at v on a circle is accelerated by v times this."""


def grow(
    chains: list[Chain], time_s: float, look: Look, fresh: list[Floats], fastest_px_per_s: float
) -> list[Chain]:  # fmt: skip
    """The chains that live on in this frame, and new ones.

    Args:
        chains: of earlier frames. look: (centre, reach) → places like the marker, nearest first.
        fresh: places found by a wide search, each the beginning of a chain unless one ends there already.
        fastest_px_per_s: speed that no marker exceeds.
    """
    out: list[Chain] = []
    for chain in chains:
        step = abs(time_s - chain[-1][0])
        if step > LONGEST_STEP_S:
            continue
        expected, reach = _expected(chain, time_s, fastest_px_per_s)
        places = [p for p in look(expected, reach) if np.hypot(*(p - expected)) <= reach]
        for place in places if len(chain) == 1 else places[:1]:
            if not any(_same(c, chain[-1], place) for c in out):
                out.append([*chain[1 - LONG_ENOUGH :], (time_s, place)])
    new = [p for p in fresh if not any(np.hypot(*(c[-1][1] - p)) < SLACK_PX for c in out)]
    return out + [[(time_s, p)] for p in new]


def _same(chain: Chain, before: tuple[float, Floats], place: Floats) -> bool:
    """Whether a chain that has grown already went from there to here."""
    return bool(np.hypot(*(chain[-1][1] - place)) < 2.0 and np.hypot(*(chain[-2][1] - before[1])) < 2.0)


def certain(chains: list[Chain]) -> tuple[Floats, Floats] | None:
    """Place and velocity (2,) of the only chain that is long enough; None when there is none or more than one."""
    whole = [c for c in chains if len(c) >= LONG_ENOUGH]
    if len(whole) != 1:
        return None
    (t0, first), *_, (t1, last) = whole[0]
    return last, (last - first) / (t1 - t0)


def _expected(chain: Chain, time_s: float, fastest_px_per_s: float) -> tuple[Floats, float]:
    """Where the disc should be now, and how far off it may be, px."""
    (t1, last) = chain[-1]
    step = abs(time_s - t1)
    if len(chain) == 1:
        return last, SLACK_PX + fastest_px_per_s * step
    t0, before = chain[-2]
    bend = 0.5 * fastest_px_per_s * FASTEST_TURN_RAD_S * step * abs(time_s - t0)
    return last + (last - before) * ((time_s - t1) / (t1 - t0)), SLACK_PX + bend
