"""A small picture laid over every place of a small area, compiled: how alike they are.

The same as OpenCV's normalised correlation coefficient with a mask; for some thousand places that one's Fourier
transforms would cost more than adding up.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

_compiled = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
f32 = np.float32


@_compiled
def correlation(area, picture, mask):
    """(H − h + 1, W − w + 1) correlation, −1 to 1, of the picture (h, w) with the area (H, W) where the mask (h, w)
    is 1 (else 0); −1 where the area is even. All float32."""
    height, width = picture.shape
    rows, columns = area.shape[0] - height + 1, area.shape[1] - width + 1
    within, total = f32(0.0), f32(0.0)
    for r in range(height):
        for c in range(width):
            within += mask[r, c]
            total += mask[r, c] * picture[r, c]
    own, level, shape = f32(0.0), area.mean(), np.empty_like(picture)
    for r in range(height):
        for c in range(width):
            shape[r, c] = mask[r, c] * (picture[r, c] - total / within)
            own += shape[r, c] * shape[r, c]
    out, grey = np.empty((rows, columns), np.float32), area - level
    product, first, second = np.empty((3, columns), np.float32)
    for v in range(rows):
        product[:], first[:], second[:] = f32(0.0), f32(0.0), f32(0.0)
        for r in range(height):
            for c in range(width):
                if mask[r, c] == f32(0.0):
                    continue
                weight, line = shape[r, c], grey[v + r, c : c + columns]
                for u in range(columns):  # innermost, for the processor does eight places at once
                    product[u] += weight * line[u]
                    first[u] += line[u]
                    second[u] += line[u] * line[u]
        for u in range(columns):
            uneven = second[u] - first[u] * first[u] / within
            out[v, u] = product[u] / math.sqrt(own * uneven) if uneven > f32(1e-3) * within else f32(-1.0)
    return out


@_compiled
def _top(before, here, after):
    """Offset, within half a sample, of the parabola's top through three neighbours."""
    bend = before - 2.0 * here + after
    return min(max(0.5 * (before - after) / bend, -0.5), 0.5) if bend < 0 else 0.0


@_compiled
def tops(likeness, least, most):
    """Places (N, 2), column and row, and values (N,) of the greatest peaks above `least`, at most `most`, best first.

    A peak is no less than all within two samples; its place is that of a parabola's top.
    """
    rows, columns = likeness.shape
    at, value, n = np.zeros((most, 2), np.intp), np.full(most, -np.inf), 0
    for v in range(rows):
        for u in range(columns):
            here = likeness[v, u]
            if not here > least or (n == most and here <= value[n - 1]):
                continue
            around = likeness[max(v - 2, 0) : v + 3, max(u - 2, 0) : u + 3]
            if here < around.max():
                continue
            n = min(n + 1, most)
            k = n - 1
            while k > 0 and value[k - 1] < here:
                value[k], at[k] = value[k - 1], at[k - 1]
                k -= 1
            value[k], at[k, 0], at[k, 1] = here, u, v
    places = at[:n].astype(np.float64)
    for k in range(n):
        u, v = at[k]
        if 0 < u < columns - 1:
            places[k, 0] += _top(likeness[v, u - 1], value[k], likeness[v, u + 1])
        if 0 < v < rows - 1:
            places[k, 1] += _top(likeness[v - 1, u], value[k], likeness[v + 1, u])
    return places, value[:n]
