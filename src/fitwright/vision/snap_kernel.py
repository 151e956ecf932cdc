"""Looking for a disc, compiled: where the picture is like a ring, how far distance alone
explains it around a place, and the fit of the model.

Arrays in, numbers out; `fitwright.vision.snap` says what they mean.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

DAMPING, EASE, STIFFEN = 0.1, 0.2, 4.0
"""Damping that a fit begins with, and its factors after a trial that gained and after one that did not."""
LOWEST = -1e300
"""A score below all others."""
LITTLE = 1e-6
"""A trial that changes what is left by a smaller share of it ends the fit."""
UNSEEN = 5.5
"""Widths (SD) of an edge beyond which a disc covers a place wholly, or not at all, but for 2e-8 of it."""
_compiled = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")


@_compiled
def likest(product, sums, squares, count, mean, norm, best):
    """Raises `best` (h, w) to how like a square pattern, dark or light, a picture is around each place.

    Args: product: (h - n + 1, w - n + 1) sums of pattern times picture. sums, squares: (h, w) sums of the picture and
        of its square over the pattern's `count` pixels. mean, norm: the pattern's mean, and the root of its summed
        squared deviations.
    """
    half = (best.shape[0] - product.shape[0]) // 2
    for v in range(product.shape[0]):
        for u in range(product.shape[1]):
            s = np.float64(sums[v + half, u + half])
            spread = squares[v + half, u + half] - s * s / count
            alike = abs(product[v, u] - s * mean) / (math.sqrt(max(spread, 1.0)) * norm)
            # below a grey level a place is even, and the product's last digits do not tell what it is like
            alike = np.float32(alike if spread > count else 0.0)
            best[v + half, u + half] = max(best[v + half, u + half], alike)


@_compiled
def _rounds(reach):
    """(2 reach + 1, 2 reach + 1) distance from the middle in whole px, and (reach + 1,) how many places have each."""
    out = np.empty((2 * reach + 1, 2 * reach + 1), np.int64)
    n = np.zeros(reach + 1)
    for v in range(2 * reach + 1):
        for u in range(2 * reach + 1):
            k = int(math.sqrt((u - reach) ** 2 + (v - reach) ** 2) + 0.5)
            out[v, u] = k
            if k <= reach:
                n[k] += 1.0
    return out, n


@_compiled
def radial_scores(grey, places, farthest, strict):
    """(m, 3) score, radius and contrast at each pixel (m, 2) u, v: how much of the picture around it distance alone
    explains, out to the best radius, which is `farthest` px at most.

    Score: explained minus `strict` times the unexplained sum of squares. Contrast: the range of the mean levels.
    """
    rounds, n = _rounds(farthest)
    out = np.zeros((len(places), 3))
    s, q = (
        np.empty(2 * farthest),
        np.empty(2 * farthest),
    )  # what lies in the corners is added up too and not read
    for i in range(len(places)):
        u, v = places[i, 0], places[i, 1]
        reach = min(farthest, u, v, grey.shape[1] - 1 - u, grey.shape[0] - 1 - v)
        out[i, 0] = LOWEST
        if reach < 4:
            continue
        for k in range(2 * farthest):
            s[k] = q[k] = 0.0
        for dv in range(-reach, reach + 1):
            for du in range(-reach, reach + 1):
                k = rounds[dv + farthest, du + farthest]
                x = grey[v + dv, u + du]
                s[k] += x
                q[k] += x * x
        within, count, total, square = 0.0, 0.0, 0.0, 0.0
        low = high = s[0] / n[0]
        for k in range(reach + 1):
            within += q[k] - s[k] * s[k] / n[k]
            count, total, square = count + n[k], total + s[k], square + q[k]
            mean = s[k] / n[k]
            low, high = min(low, mean), max(high, mean)
            score = square - total * total / count - (1.0 + strict) * within  # the first two hold both
            if k >= 3 and score > out[i, 0]:
                out[i, 0], out[i, 1], out[i, 2] = score, k, high - low
    return out


@_compiled
def radial_means(grey, u, v, reach):
    """(reach + 1,) mean grey level by distance from a pixel in bins of 1 px."""
    rounds, _ = _rounds(reach)
    n, s = np.zeros(reach + 1), np.zeros(reach + 1)
    for y in range(max(v - reach, 0), min(v + reach + 1, grey.shape[0])):
        for x in range(max(u - reach, 0), min(u + reach + 1, grey.shape[1])):
            k = rounds[y - v + reach, x - u + reach]
            if k <= reach:
                n[k] += 1.0
                s[k] += grey[y, x]
    for k in range(reach + 1):
        s[k] /= max(n[k], 1.0)
    return s


@_compiled
def _nodes(q):
    """Places along the motion at which the coverage is averaged."""
    return 1 + 2 * int(min(math.hypot(q[5], q[6]) / 1.5, 8.0))


@_compiled
def _cover(u, v, q, radius, out):
    """Coverage of each place (u, v) by a Gaussian-blurred disc, averaged along its motion, into `out`."""
    n = _nodes(q)
    scale = 1.0 / (math.sqrt(2.0) * q[4])
    out[:] = 0.0
    for k in range(n):
        t = (k + 0.5) / n - 0.5
        cu, cv = q[0] + t * q[5], q[1] + t * q[6]
        for i in range(u.size):
            z = (math.sqrt((u[i] - cu) ** 2 + (v[i] - cv) ** 2) - radius) * scale
            if z < -UNSEEN / math.sqrt(2.0):
                out[i] += 1.0
            elif z < UNSEEN / math.sqrt(2.0):
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
def levels(a, x, weight):
    """(k,) levels of the parts a (k, n) that fit pixels x (n,) best, each pixel counted by its weight."""
    normal, right = _normal(a, x, weight)
    return _solved(normal, right)


@_compiled
def _normal(a, x, weight):
    """Normal matrix (k, k) of the rows a (k, n), kept from being singular, and right side (k,) for x (n,)."""
    k, n = a.shape
    normal, right = np.empty((k, k)), np.empty(k)
    for r in range(k):
        total = 0.0
        for i in range(n):
            total += weight[i] * a[r, i] * x[i]
        right[r] = total
        for c in range(r + 1):
            total = 0.0
            for i in range(n):
                total += weight[i] * a[r, i] * a[c, i]
            normal[r, c] = normal[c, r] = total
        normal[r, r] += 1e-9
    return normal, right


@_compiled
def _solved(matrix, right):
    """(k,) solution for a positive matrix (k, k), which is used up, by elimination (np.linalg.solve takes seconds
    to compile)."""
    out = right.copy()
    for a in range(len(out)):
        for b in range(a + 1, len(out)):
            factor = matrix[b, a] / matrix[a, a]
            out[b] -= factor * out[a]
            for c in range(a, len(out)):
                matrix[b, c] -= factor * matrix[a, c]
    for a in range(len(out) - 1, -1, -1):
        for c in range(a + 1, len(out)):
            out[a] -= matrix[a, c] * out[c]
        out[a] /= matrix[a, a]
    return out


@_compiled
def _left(a, x, w):
    """(n,) what is left of pixels x once the parts a (k, n) at levels w (k,) are taken off."""
    out = x.copy()
    for r in range(len(w)):
        for i in range(out.size):
            out[i] -= w[r] * a[r, i]
    return out


@_compiled
def _squares(left, weight):
    total = 0.0
    for i in range(left.size):
        total += weight[i] * left[i] * left[i]
    return total


@_compiled
def _add_slopes(u, v, q, radius, by_disc, by_ring, level, out):
    """Adds to `out` (7, n) how `level` times the coverage of a circle changes with each parameter q; `by_disc` and
    `by_ring` are how its radius does with the third and the fourth."""
    n = _nodes(q)
    sigma = q[4]
    peak = level / (n * math.sqrt(2.0 * math.pi) * sigma)
    for k in range(n):
        t = (k + 0.5) / n - 0.5
        cu, cv = q[0] + t * q[5], q[1] + t * q[6]
        for i in range(u.size):
            du, dv = u[i] - cu, v[i] - cv
            rho = math.sqrt(du * du + dv * dv)
            z = (rho - radius) / sigma
            if abs(z) > UNSEEN:
                continue
            edge = peak * math.exp(-0.5 * z * z)
            by_u, by_v = edge * du / max(rho, 1e-9), edge * dv / max(rho, 1e-9)
            out[0, i] += by_u
            out[1, i] += by_v
            out[2, i] += edge * by_disc
            out[3, i] += edge * by_ring
            out[4, i] += edge * z
            out[5, i] += t * by_u
            out[6, i] += t * by_v


@_compiled
def slopes(u, v, q, ringed, w):
    """(7, n) change of the picture at places (u, v), at levels w (k,), with each parameter q."""
    out = np.zeros((7, u.size))
    if ringed:
        _add_slopes(u, v, q, q[3] * q[2], q[3], q[2], w[0], out)
    _add_slopes(u, v, q, q[2], 1.0, 0.0, w[len(w) - 2], out)
    return out


@_compiled
def improved(u, v, x, weight, q, ringed, free, low, high, steps, damping):
    """Parameters (7,) of a disc that fit pixels x better than q, and the damping to go on with.

    Levenberg–Marquardt over levels and the parameters named in `free`, within `low` and `high` (7,); the levels are
    solved anew for each trial. Ends after `steps` trials, or where another would gain next to nothing.
    """
    here = q.copy()
    a = covers(u, v, here, ringed)
    w = levels(a, x, weight)
    left = _left(a, x, w)
    cost = _squares(left, weight)
    k, f, tried = len(a), free.size, 0
    while tried < steps:
        normal, right = _normal(_rows(a, slopes(u, v, here, ringed, w), free), left, weight)
        for j in range(f):  # what stands at its bound and would go beyond it stays
            at, pull = free[j], right[k + j]
            if (here[at] <= low[at] and pull < 0.0) or (here[at] >= high[at] and pull > 0.0):
                for c in range(k + f):
                    normal[k + j, c] = normal[c, k + j] = 0.0
                normal[k + j, k + j] = 1.0
                right[k + j] = 0.0
        gained = False
        while tried < steps and not gained:
            damped = normal.copy()
            for j in range(k, k + f):
                damped[j, j] *= 1.0 + damping
            change = _solved(damped, right)
            there = here.copy()
            for j in range(f):
                at = free[j]
                there[at] = min(max(here[at] + change[k + j], low[at]), high[at])
            b = covers(u, v, there, ringed)
            w_there = levels(b, x, weight)
            still = _left(b, x, w_there)
            tried += 1
            gain = cost - _squares(still, weight)
            done = abs(gain) < LITTLE * cost
            gained = gain > 0.0
            if gained:
                here, a, w, left, cost = there, b, w_there, still, cost - gain
                damping = max(damping * EASE, 1e-9)
            else:
                damping *= STIFFEN
            if done:
                return here, damping
    return here, damping


@_compiled
def _rows(a, by, free):
    """(k + f, n) the parts a (k, n) and, below them, those of the slopes (7, n) that are named in `free` (f,)."""
    k, n = a.shape
    out = np.empty((k + free.size, n))
    for r in range(len(out)):
        row = a[r] if r < k else by[free[r - k]]
        for i in range(n):
            out[r, i] = row[i]
    return out
