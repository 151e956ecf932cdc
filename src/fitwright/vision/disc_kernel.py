"""The disc fit, compiled: one marker after another, only the samples that count, no arrays in between.

Arrays in, arrays out; what the numbers mean is said in `fitwright.vision.disc`. Compiled at the first call and kept
on disk. Nothing here takes the interpreter's lock, so that a decoder works on the next frame meanwhile.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

STEP = 0.125
"""Spacing of the coverage table, px."""
SHORTEST_BLUR_PX = 0.75
"""Below this length a box blur cannot be told from the optics' own."""
PAD = 2
"""Samples around a window that the derivatives need."""
MARGIN_PX = 2.5
"""Width of background around the ring that takes part in the fit."""
FAR_PX = MARGIN_PX + 3.0
"""Further out than this the coverage is zero and no derivative reaches it."""
FREE, WEAK, FORBIDDEN = 1e-3, 1e-3, 1e9
RING, DISC, ONE, BY_U, BY_V, BY_SIZE, PIXEL, WEIGHT = range(8)
"""Rows of the samples that take part in a fit."""

_compiled = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
f32 = np.float32


@_compiled
def _look_up(table, top, low, x, b):
    """Bilinear values (ring, disc) at column x between two rows of the table, `b` of the way down."""
    last = table.shape[1] - 1
    x = min(max(x, f32(0.0)), f32(last))
    i = min(int(x), last - 1)
    a = x - f32(i)
    ring = (table[top, i, 0] + a * (table[top, i + 1, 0] - table[top, i, 0])) * (f32(1.0) - b)
    ring += (table[low, i, 0] + a * (table[low, i + 1, 0] - table[low, i, 0])) * b
    disc = (table[top, i, 1] + a * (table[top, i + 1, 1] - table[top, i, 1])) * (f32(1.0) - b)
    disc += (table[low, i, 1] + a * (table[low, i + 1, 1] - table[low, i, 1])) * b
    return ring, disc


@_compiled
def _cover(table, first_row, rows, ring_px, u0, v0, size, u, v, blur_u, blur_v, scale, cover, inside):
    """Coverage (2, size, size) of ring and disc, and which samples (size, size) lie inside the margin."""
    length = math.hypot(blur_u, blur_v)
    cos, sin = f32(1.0), f32(0.0)
    if length > 1e-6:
        cos, sin = f32(blur_u / length), f32(blur_v / length)
    length = max(length, SHORTEST_BLUR_PX)
    per = f32(1.0 / (scale * STEP))
    half = f32(0.5 * length) * per
    share = f32(0.5 / STEP) / half
    middle = f32((table.shape[1] - 1) // 2)
    near = (f32(ring_px * scale + MARGIN_PX) * per) ** 2
    far = (f32(ring_px * scale + FAR_PX) * per) ** 2
    for r in range(size):
        dv = f32(v0 + r - v) * per
        for c in range(size):
            du = f32(u0 + c - u) * per
            x = du * cos + dv * sin
            y = abs(dv * cos - du * sin)
            out = max(abs(x) - half, f32(0.0))
            away = out * out + y * y
            inside[r, c] = away < near
            if away > far:
                cover[0, r, c] = cover[1, r, c] = 0.0
                continue
            j = min(int(y), rows - 2)
            b = min(y - f32(j), f32(1.0))
            ring, disc = _look_up(table, first_row + j, first_row + j + 1, x + middle + half, b)
            ring0, disc0 = _look_up(table, first_row + j, first_row + j + 1, x + middle - half, b)
            cover[0, r, c], cover[1, r, c] = (ring - ring0) * share, (disc - disc0) * share


@_compiled
def _gather(window, cover, inside, u0, v0, u, v, size, share, samples, place):
    """The samples inside the margin, in a row: coverages, pixel, weight; `place` keeps row and column. How many.

    Weight 1 where only marker is seen, less where an uneven background shines in.
    """
    n = 0
    for r in range(size):
        for c in range(size):
            if not inside[r + PAD, c + PAD]:
                continue
            ring = cover[0, r + PAD, c + PAD]
            shine = (f32(1.0) - ring) * share
            samples[RING, n], samples[DISC, n], samples[ONE, n] = ring, cover[1, r + PAD, c + PAD], 1.0
            samples[PIXEL, n] = window[r, c]
            samples[WEIGHT, n] = f32(1.0) / (f32(1.0) + shine * shine)
            place[0, n], place[1, n] = r + PAD, c + PAD
            n += 1
    return n


@_compiled
def _slopes(cover, levels, place, n, u, v, scale, samples):
    """Derivatives of the model by u, v and scale into the samples; u, v: the centre in the padded window.

    Differences of fourth order: edges are about as wide as a pixel, and a plain central difference would flatten
    them so much that the steps overshoot.
    """
    a, b = f32(levels[0]), f32(levels[1])
    near, far, per = f32(2.0 / 3.0), f32(1.0 / 12.0), f32(1.0 / scale)
    ring, disc = cover[0], cover[1]
    for k in range(n):
        y, x = place[0, k], place[1, k]
        m1 = a * (ring[y, x - 1] - ring[y, x + 1]) + b * (disc[y, x - 1] - disc[y, x + 1])
        m2 = a * (ring[y, x - 2] - ring[y, x + 2]) + b * (disc[y, x - 2] - disc[y, x + 2])
        by_u = near * m1 - far * m2
        m1 = a * (ring[y - 1, x] - ring[y + 1, x]) + b * (disc[y - 1, x] - disc[y + 1, x])
        m2 = a * (ring[y - 2, x] - ring[y + 2, x]) + b * (disc[y - 2, x] - disc[y + 2, x])
        by_v = near * m1 - far * m2
        samples[BY_U, k], samples[BY_V, k] = by_u, by_v
        samples[BY_SIZE, k] = (by_u * f32(x - u) + by_v * f32(y - v)) * per


@_compiled
def _normal(samples, n, columns, weighted, matrix, right):
    """Normal matrix and right side of the first `columns` rows of the samples."""
    for a in range(columns):
        total = f32(0.0)
        for k in range(n):
            weighted[k] = samples[a, k] * samples[WEIGHT, k]
            total += weighted[k] * samples[PIXEL, k]
        right[a] = total
        for b in range(a + 1):
            total = f32(0.0)
            for k in range(n):
                total += weighted[k] * samples[b, k]
            matrix[a, b] = matrix[b, a] = total


@_compiled
def _residuals(samples, n, change):
    """Mean squared residual on the marker and around it, grey levels²."""
    highest = f32(0.0)
    for k in range(n):
        highest = max(highest, samples[RING, k])
    on = min(f32(0.75), f32(0.9) * highest)
    c0, c1, c2, c3, c4, c5 = (f32(change[0]), f32(change[1]), f32(change[2]), f32(change[3]), f32(change[4]),
                              f32(change[5]))  # fmt: skip
    inner, n_inner, outer, n_outer = f32(0.0), f32(0.0), f32(0.0), f32(0.0)
    for k in range(n):
        ring = samples[RING, k]
        left = samples[PIXEL, k] - c0 * ring - c1 * samples[DISC, k] - c2
        left -= c3 * samples[BY_U, k] + c4 * samples[BY_V, k] + c5 * samples[BY_SIZE, k]
        square = left * left
        marker, around = f32(ring > on), f32(ring < f32(0.5))
        inner += square * marker
        n_inner += marker
        outer += square * around
        n_outer += around
    return inner / max(n_inner, f32(1.0)), outer / max(n_outer, f32(1.0))


@_compiled
def fit_markers(
    table, rows, ring_px, ringed, index, windows, corner, uv, blur, scale, levels, known, noise, uneven, iterations,
    scale_sd, good_enough_px, covariance, rms, around, step,
):  # fmt: skip
    """Gauss–Newton for P markers; uv, scale, levels and the last four are written in place."""
    size = windows.shape[1]
    wide = size + 2 * PAD
    cover, inside = np.empty((2, wide, wide), np.float32), np.empty((wide, wide), np.bool_)
    samples, place = np.empty((8, size * size), np.float32), np.empty((2, size * size), np.int32)
    weighted, matrix, right = np.empty(size * size, np.float32), np.empty((6, 6)), np.empty(6)
    for k in range(len(index)):
        i = index[k]
        u0, v0, start, unrest = corner[k, 0] - PAD, corner[k, 1] - PAD, scale[k], uneven[k]
        quiet, ring_weight = max(noise[k], 0.3), FREE if ringed[i] else FORBIDDEN
        for turn in range(iterations):
            _cover(table, i * rows, rows, ring_px[i], u0, v0, wide, uv[k, 0], uv[k, 1], blur[k, 0], blur[k, 1],
                   scale[k], cover, inside)  # fmt: skip
            n = _gather(windows[k], cover, inside, u0, v0, uv[k, 0], uv[k, 1], size, f32(unrest / quiet), samples,
                        place)  # fmt: skip
            if turn == 0 and not known:
                _normal(samples, n, 3, weighted, matrix, right)
                matrix[0, 0] += ring_weight
                matrix[1, 1] += WEAK
                matrix[2, 2] += WEAK
                levels[k] = np.linalg.solve(matrix[:3, :3].copy(), right[:3].copy())
            _slopes(cover, levels[k], place, n, uv[k, 0] - u0, uv[k, 1] - v0, scale[k], samples)
            _normal(samples, n, 6, weighted, matrix, right)
            matrix[0, 0] += ring_weight
            for a in range(1, 5):
                matrix[a, a] += WEAK
            prior = quiet**2 / scale_sd**2
            matrix[5, 5] += prior
            right[5] += prior * (start - scale[k])
            inverse = np.linalg.inv(matrix)
            change = inverse @ right
            inner, outer = _residuals(samples, n, change)
            du, dv = min(max(change[3], -2.0), 2.0), min(max(change[4], -2.0), 2.0)
            uv[k, 0] += du
            uv[k, 1] += dv
            scale[k] = min(max(scale[k] + min(max(change[5], -0.1), 0.1), 0.5), 2.0)
            levels[k] = change[:3]
            step[k] = math.hypot(du, dv)
            rms[k], around[k] = math.sqrt(inner), math.sqrt(outer)
            covariance[k] = inverse[3:5, 3:5] * inner
            surprise = around[k] > 2.0 * unrest + 3.0
            # an edge behind the marker (a hem, a shoe) must not pull it: this frame's background counts at once
            unrest = max(unrest, around[k])
            if not surprise and step[k] < good_enough_px:
                break
