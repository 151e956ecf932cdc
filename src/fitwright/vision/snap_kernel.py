"""Looking for a disc, compiled: how far distance alone explains the picture around a place.

Arrays in, numbers out; `fitwright.vision.snap` says what they mean.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_compiled = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")


@_compiled
def radial_score(grey, u, v, reach, strict):
    """(score, radius, contrast): how much of the picture around a pixel distance alone explains, at the best radius.

    Explained minus `strict` times the unexplained sum of squares; contrast is the range of the mean levels.
    """
    n, s, q = np.zeros(reach + 1), np.zeros(reach + 1), np.zeros(reach + 1)
    for dv in range(-reach, reach + 1):
        for du in range(-reach, reach + 1):
            k = int(math.sqrt(du * du + dv * dv) + 0.5)
            if k <= reach:
                x = grey[v + dv, u + du]
                n[k] += 1
                s[k] += x
                q[k] += x * x
    best, radius, contrast = -np.inf, 0, 0.0
    within, count, total, square = 0.0, 0.0, 0.0, 0.0
    low = high = s[0] / n[0]
    for k in range(reach + 1):
        within += q[k] - s[k] * s[k] / n[k]
        count, total, square = count + n[k], total + s[k], square + q[k]
        mean = s[k] / n[k]
        low, high = min(low, mean), max(high, mean)
        score = square - total * total / count - (1.0 + strict) * within  # the first two hold both
        if k >= 3 and score > best:
            best, radius, contrast = score, k, high - low
    return best, radius, contrast
