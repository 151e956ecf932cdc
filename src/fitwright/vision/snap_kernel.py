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


@_compiled
def _cover(u, v, q, radius, out):
    """Coverage of each place (u, v) by a Gaussian-blurred disc, averaged along its motion, into `out`."""
    n = 1 + 2 * int(min(max(math.hypot(q[5], q[6]) / 1.5, 0.0), 8.0))
    scale = 1.0 / (math.sqrt(2.0) * q[4])
    out[:] = 0.0
    for k in range(n):
        t = (k + 0.5) / n - 0.5
        cu, cv = q[0] + t * q[5], q[1] + t * q[6]
        for i in range(u.size):
            z = (math.sqrt((u[i] - cu) ** 2 + (v[i] - cv) ** 2) - radius) * scale
            if z < -6.0:  # erfc is 2 or 0 there to the last digit
                out[i] += 1.0
            elif z < 6.0:
                out[i] += 0.5 * math.erfc(z)
    for i in range(u.size):
        out[i] /= n


@_compiled
def covers(u, v, q, ringed):
    """(k, n) the model's parts at places (u, v): ring where there is one, disc, background."""
    a = np.ones((3 if ringed else 2, u.size))
    if ringed:
        _cover(u, v, q, q[3] * q[2], a[0])
    _cover(u, v, q, q[2], a[len(a) - 2])
    return a


@_compiled
def levels(a, x, trust):
    """(k,) levels of the parts (k, n) that fit pixels x (n,) best, each pixel counted by its `trust` squared."""
    k, n = a.shape
    normal, right = np.zeros((k, k)), np.zeros(k)
    for i in range(n):
        w = trust[i] * trust[i]
        for r in range(k):
            right[r] += w * a[r, i] * x[i]
            for c in range(r + 1):
                normal[r, c] += w * a[r, i] * a[c, i]
    for r in range(k):
        for c in range(r):
            normal[c, r] = normal[r, c]
        normal[r, r] += 1e-9
    return np.linalg.solve(normal, right)


@_compiled
def misfit(u, v, x, trust, q, ringed):
    """(n,) what is left of pixels x, with their trust, once the best levels of the model q are taken off."""
    a = covers(u, v, q, ringed)
    w = levels(a, x, trust)
    out = x.copy()
    for r in range(len(w)):
        for i in range(out.size):
            out[i] -= w[r] * a[r, i]
    return out * trust


@_compiled
def slopes(u, v, x, trust, q, ringed, free, low, high):
    """(n, f) change of `misfit` with each parameter named in `free`, by a small step within low and high."""
    here = misfit(u, v, x, trust, q, ringed)
    out = np.empty((u.size, free.size))
    for f in range(free.size):
        j = free[f]
        step = 1.4901161193847656e-8 * max(1.0, abs(q[j]))
        if q[j] < 0:
            step = -step
        if not low[j] <= q[j] + step <= high[j]:
            step = -step
        moved = q.copy()
        moved[j] += step
        out[:, f] = (misfit(u, v, x, trust, moved, ringed) - here) / (moved[j] - q[j])
    return out
