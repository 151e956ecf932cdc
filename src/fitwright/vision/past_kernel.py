"""When a marker was where it is now, compiled: asked for several markers in each frame in which one is missing.

Arrays in, arrays out; `fitwright.vision.past` says what they mean.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_compiled = njit(cache=True, nogil=True)


@_compiled
def _slope(time_s, uv_px, k, d):
    """Slope at sample k by second-order differences for uneven steps, one-sided at the ends."""
    last = len(time_s) - 1
    if k in (0, last):
        a, b = (0, 1) if k == 0 else (last - 1, last)
        return (uv_px[b, d] - uv_px[a, d]) / (time_s[b] - time_s[a])
    before, after = time_s[k] - time_s[k - 1], time_s[k + 1] - time_s[k]
    back, on = (uv_px[k, d] - uv_px[k - 1, d]) / before, (uv_px[k + 1, d] - uv_px[k, d]) / after
    return (back * after + on * before) / (before + after)


@_compiled
def _unlike(time_s, uv_px, k, alike_s, least_ago_s):
    """Difference in place and, times `alike_s`, in velocity of sample k from the last; infinite when just before."""
    last = len(time_s) - 1
    if abs(time_s[k] - time_s[last]) < least_ago_s:
        return np.inf
    away = math.hypot(uv_px[k, 0] - uv_px[last, 0], uv_px[k, 1] - uv_px[last, 1])
    turned = math.hypot(
        _slope(time_s, uv_px, k, 0) - _slope(time_s, uv_px, last, 0),
        _slope(time_s, uv_px, k, 1) - _slope(time_s, uv_px, last, 1),
    )
    return away + alike_s * turned


@_compiled
def _passed(time_s, uv_px, k):
    """When it was nearest to its last place: between samples, along its velocity at sample k."""
    last = len(time_s) - 1
    moved_u, moved_v = uv_px[k + 1, 0] - uv_px[k - 1, 0], uv_px[k + 1, 1] - uv_px[k - 1, 1]
    length, ahead = moved_u * moved_u + moved_v * moved_v, 0.0
    if length > 4.0:
        ahead = ((uv_px[last, 0] - uv_px[k, 0]) * moved_u + (uv_px[last, 1] - uv_px[k, 1]) * moved_v) / length
    return time_s[k] + min(max(ahead, -0.5), 0.5) * (time_s[k + 1] - time_s[k - 1])


@_compiled
def passes(time_s, uv_px, alike_s, least_ago_s, same_place_px):
    """Times at which samples (N,), (N, 2) were where the last one is and going the same way, latest first."""
    n = len(time_s)
    unlike, out, found = np.empty(n), np.empty(n), 0
    for k in range(n):
        unlike[k] = _unlike(time_s, uv_px, k, alike_s, least_ago_s)
    most = min(same_place_px, 3.0 + 3.0 * unlike.min())  # else it may be on its way back there
    for k in range(n - 2, 0, -1):
        if unlike[k] < most and unlike[k] <= unlike[k - 1] and unlike[k] < unlike[k + 1]:
            out[found] = _passed(time_s, uv_px, k)
            found += 1
    return out[:found]
