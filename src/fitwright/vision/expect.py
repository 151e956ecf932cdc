"""Where markers are expected next: the polynomial through their last places, compiled.

Arrays in, arrays out. Times are true time stamps: the frames of a telephone are not evenly spaced.
"""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def expected(times, places, order, hint, bend, time_s):
    """Places (P, 2) and velocities (P, 2) at `time_s`.

    Args:
        times, places: (P, n) and (P, n, 2), newest first. order: (P,) how many of them the polynomial goes through;
            with one, `hint` (P, 2, px/s) and `bend` (P, 2, px/s²) lead on, with two, `bend` does.
    """
    p = len(order)
    uv, velocity = np.empty((p, 2)), np.empty((p, 2))
    for i in range(p):
        ahead, n = time_s - times[i, 0], order[i]
        if n <= 1:
            for d in range(2):
                uv[i, d] = places[i, 0, d] + (hint[i, d] + 0.5 * bend[i, d] * ahead) * ahead
                velocity[i, d] = hint[i, d] + bend[i, d] * ahead
            continue
        uv[i], velocity[i] = 0.0, 0.0
        for j in range(n):
            weight, slope = _lagrange(times[i], n, j, time_s)
            for d in range(2):
                uv[i, d] += weight * places[i, j, d]
                velocity[i, d] += slope * places[i, j, d]
        if n == 2:
            since = times[i, 0] - times[i, 1]
            for d in range(2):
                uv[i, d] += 0.5 * bend[i, d] * ahead * (ahead + since)
                velocity[i, d] += bend[i, d] * (ahead + 0.5 * since)
    return uv, velocity


@njit(cache=True, nogil=True)
def _lagrange(times, n, j, at):
    """Weight of place j in the polynomial through n places at one time, and in its slope there."""
    weight, slope = 1.0, 0.0
    for k in range(n):
        if k == j:
            continue
        span = times[j] - times[k]
        rest = 1.0 / span
        for m in range(n):
            if m not in (j, k):
                rest *= (at - times[m]) / (times[j] - times[m])
        weight *= (at - times[k]) / span
        slope += rest
    return weight, slope
