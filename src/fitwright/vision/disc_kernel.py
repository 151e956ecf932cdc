"""The disc fit, compiled: one marker after another, only the samples that count, straight from the picture.

Arrays in, arrays out; what the numbers mean is said in `fitwright.vision.disc`. Compiled at the first call and kept
on disk. Nothing here takes the interpreter's lock, so that a decoder works on the next frame meanwhile.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit
from numpy.polynomial import chebyshev
from scipy.special import erfc

MARGIN_PX = 2.5
"""Width of background around the ring that takes part in the fit."""
STILL_PX = 0.3
"""A shorter motion blur cannot be told from the optics' own."""
MOST_NODES = 32
FEWEST_SAMPLES = 24
THIN_PX = 0.5
"""A ring that goes no further beyond its disc is none."""
FREE, WEAK, FORBIDDEN = 1e-3, 1e-3, 1e9
RING, DISC, ONE, BY_U, BY_V, BY_SIZE, PIXEL, WEIGHT, ALONG, ACROSS = range(10)
"""Rows of the samples that take part in a fit."""


def _rules() -> np.ndarray:
    rules = np.zeros((2, MOST_NODES + 1, MOST_NODES), np.float32)
    for n in range(1, MOST_NODES + 1):
        rules[:, n, :n] = np.array(np.polynomial.legendre.leggauss(n)) / 2
    return rules


NODES, WEIGHTS = _rules()
"""Row n: places from −1/2 to 1/2 and weights of the Gauss–Legendre rule of n nodes."""

FAR_SD, DEGREE = 3.5, 6
"""Where a blurred edge ends (3e-5 of its step is left); the degree of the series below: right to 2e-6 and 7e-6."""


def _series() -> np.ndarray:
    t = np.cos(np.pi * (np.arange(200) + 0.5) / 200)
    z = FAR_SD * np.sqrt((t + 1) / 2)
    even = (0.5 - 0.5 * erfc(z / np.sqrt(2))) / z, np.exp(-z * z / 2) / np.sqrt(2 * np.pi)
    fits = [chebyshev.cheb2poly(chebyshev.chebfit(t, y, DEGREE)) for y in even]
    return np.ascontiguousarray(np.array(fits)[:, ::-1], np.float32)


SERIES = _series()
"""Coefficients, highest power first, of (Φ(z) − 1/2) / z and φ(z), the normal distribution's integral and density,
in t = 2 (z / FAR_SD)² − 1: without a table to look up, the processor does eight samples at once."""

_compiled = njit(cache=True, nogil=True, fastmath=True, error_model="numpy")
f32 = np.float32


@_compiled
def nodes_for(length, sigma):
    """How many nodes show a sweep of that length (px): a little more than one per width of an edge."""
    if length < STILL_PX:
        return 1
    return min(2 + int(length / max(f32(1.5) * f32(sigma), f32(0.6))), MOST_NODES)


@_compiled
def _edge(z):
    """Coverage z standard deviations outside a blurred edge, and how fast it falls there per standard deviation."""
    z = min(max(z, -f32(FAR_SD)), f32(FAR_SD))
    t = z * z * f32(2.0 / FAR_SD**2) - f32(1.0)
    inside, density = SERIES[0, 0], SERIES[1, 0]
    for k in range(1, DEGREE + 1):
        inside, density = inside * t + SERIES[0, k], density * t + SERIES[1, k]
    return f32(0.5) - z * inside, density


@_compiled
def sweep(ring_px, disc_px, sigma, samples, n, nodes, length, scale, a, b):
    """Coverages of ring and disc at n samples, and the slopes of a·ring + b·disc along and across the motion.

    samples[ALONG], samples[ACROSS] hold where the samples lie from the centre, px; the slopes replace them.
    """
    per = f32(1.0 / (sigma * scale))
    ring_sd, disc_sd = f32(ring_px / sigma), f32(disc_px / sigma)
    by_ring, by_disc = -a * per, -b * per
    samples[RING, :n] = samples[DISC, :n] = f32(0.0)
    slopes = np.zeros((2, n), np.float32)
    for m in range(nodes):
        ahead, weight = NODES[nodes, m] * length, WEIGHTS[nodes, m]
        for k in range(np.uintp(n)):  # innermost, for the processor does eight samples at once
            at, across = samples[ALONG, k] - ahead, samples[ACROSS, k]
            away = math.sqrt(at * at + across * across + f32(1e-6))
            ring, ring_falls = _edge(away * per - ring_sd)
            disc, disc_falls = _edge(away * per - disc_sd)
            samples[RING, k] += weight * ring
            samples[DISC, k] += weight * disc
            steep = weight * (by_ring * ring_falls + by_disc * disc_falls) / away
            slopes[0, k] += steep * at
            slopes[1, k] += steep
    for k in range(np.uintp(n)):
        samples[ALONG, k], samples[ACROSS, k] = slopes[0, k], slopes[1, k] * samples[ACROSS, k]


@_compiled
def _middle(ring_px, sigma, nodes, length, scale):
    """Coverage of the ring at the swept centre, where it is highest."""
    covered, per = f32(0.0), f32(1.0 / (sigma * scale))
    for m in range(nodes):
        covered += WEIGHTS[nodes, m] * _edge(abs(NODES[nodes, m] * length) * per - f32(ring_px / sigma))[0]
    return covered


@_compiled
def coverage(ring_px, disc_px, sigma, half, blur_u, blur_v, scale):
    """(2, n, n) coverage of ring and disc on n = 2 · half + 1 samples a side around the centre."""
    n, length = 2 * half + 1, math.hypot(blur_u, blur_v)
    cos, sin = (blur_u / length, blur_v / length) if length > 1e-6 else (1.0, 0.0)
    samples = np.empty((10, n * n), np.float32)
    for v in range(n):
        for u in range(n):
            samples[ALONG, v * n + u] = (u - half) * cos + (v - half) * sin
            samples[ACROSS, v * n + u] = (v - half) * cos - (u - half) * sin
    nodes = nodes_for(length, sigma)
    sweep(ring_px, disc_px, sigma, samples, n * n, nodes, f32(length), scale, f32(0.0), f32(0.0))
    return samples[RING : DISC + 1].copy().reshape(2, n, n)


@_compiled
def _gather(luma, per_grey, u, v, blur_u, blur_v, cos, sin, length, reach, samples, offset):
    """The pixels within `reach` of the swept centre, in a row: grey level and place from the centre. How many."""
    height, width = luma.shape
    tall, wide = reach + 0.5 * abs(blur_v), reach + 0.5 * abs(blur_u)
    top, bottom = max(math.ceil(v - tall), 0), min(math.floor(v + tall), height - 1)
    left, right = max(math.ceil(u - wide), 0), min(math.floor(u + wide), width - 1)
    half, near = f32(0.5 * length), f32(reach * reach)
    n = 0
    for r in range(top, bottom + 1):
        dv = f32(r - v)
        for c in range(left, right + 1):
            du = f32(c - u)
            x, y = du * cos + dv * sin, dv * cos - du * sin
            out = max(abs(x) - half, f32(0.0))
            if out * out + y * y >= near:
                continue
            samples[ALONG, n], samples[ACROSS, n] = x, y
            samples[PIXEL, n] = f32(luma[r, c]) * per_grey
            offset[0, n], offset[1, n] = du, dv
            n += 1
    return n


@_compiled
def _weigh(samples, offset, n, share, cos, sin, scale):
    """Weight 1 where only the marker is seen, less where an uneven background shines in; slopes by u, v and size."""
    per = f32(1.0 / scale)
    for k in range(np.uintp(n)):
        shine = (f32(1.0) - samples[RING, k]) * share
        samples[ONE, k], samples[WEIGHT, k] = f32(1.0), f32(1.0) / (f32(1.0) + shine * shine)
        by_x, by_y = samples[ALONG, k], samples[ACROSS, k]
        by_u, by_v = by_y * sin - by_x * cos, -by_x * sin - by_y * cos  # the centre moves, not the sample
        samples[BY_U, k], samples[BY_V, k] = by_u, by_v
        samples[BY_SIZE, k] = (by_u * offset[0, k] + by_v * offset[1, k]) * per


@_compiled
def _normal(samples, n, columns, weighted, matrix, right):
    """Normal matrix and right side of the first `columns` rows of the samples."""
    for a in range(columns):
        total = f32(0.0)
        for k in range(np.uintp(n)):
            weighted[k] = samples[a, k] * samples[WEIGHT, k]
            total += weighted[k] * samples[PIXEL, k]
        right[a] = total
        for b in range(a + 1):
            total = f32(0.0)
            for k in range(np.uintp(n)):
                total += weighted[k] * samples[b, k]
            matrix[a, b] = matrix[b, a] = total


@_compiled
def _solved(matrix, right, n, inverse, change):
    """Inverse of the positive n × n matrix and its product with the right side, by Gauss–Jordan."""
    for a in range(n):
        for b in range(n):
            inverse[a, b] = 1.0 if a == b else 0.0
    for a in range(n):
        pivot = 1.0 / matrix[a, a]
        for b in range(n):
            matrix[a, b] *= pivot
            inverse[a, b] *= pivot
        for c in range(n):
            factor = matrix[c, a]
            if c == a or factor == 0.0:
                continue
            for b in range(n):
                matrix[c, b] -= factor * matrix[a, b]
                inverse[c, b] -= factor * inverse[a, b]
    for a in range(n):
        change[a] = 0.0
        for b in range(n):
            change[a] += inverse[a, b] * right[b]


@_compiled
def _residuals(samples, n, change, highest):
    """Mean squared residual on the marker, whose ring covers a sample by no more than `highest`, and around it, grey
    levels²."""
    on = min(f32(0.75), f32(0.9) * highest)
    c0, c1, c2, c3, c4, c5 = (f32(change[0]), f32(change[1]), f32(change[2]), f32(change[3]), f32(change[4]),
                              f32(change[5]))  # fmt: skip
    inner, n_inner, outer, n_outer = f32(0.0), f32(0.0), f32(0.0), f32(0.0)
    for k in range(np.uintp(n)):
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
def _called_for(luma, u, v, tall, wide):
    """The ends of all rows of a piece of the picture, touched in quick succession.

    The frame comes from another processor; row after row would be waited for in turn while each is worked on. The
    sum is of no use: with none, the compiler would leave the reading out.
    """
    height, width = luma.shape
    left, right = min(max(int(u - wide), 0), width - 1), max(min(int(u + wide), width - 1), 0)
    total = 0
    for r in range(max(int(v - tall), 0), min(int(v + tall), height - 1) + 1):
        total += int(luma[r, left]) + int(luma[r, right])
    return total


@_compiled
def fit_markers(
    ring_px, disc_px, sigma_px, index, luma, per_grey, uv, blur, scale, levels, known, noise,
    uneven, iterations, scale_sd, good_enough_px, covariance, rms, around, step,
):  # fmt: skip
    """Gauss–Newton for P markers; uv, scale, levels and the last four are written in place."""
    most = 0
    for k in range(len(index)):
        reach = ring_px[index[k]] * scale[k] * 1.5 + MARGIN_PX
        most = max(most, int((2 * reach + abs(blur[k, 0]) + 2) * (2 * reach + abs(blur[k, 1]) + 2)))
    samples, offset = np.empty((10, most), np.float32), np.empty((2, most), np.float32)
    weighted, matrix, right = np.empty(most, np.float32), np.empty((6, 6)), np.empty(6)
    inverse, change = np.empty((6, 6)), np.empty(6)
    for k in range(len(index)):
        i = index[k]
        start, unrest, quiet = scale[k], uneven[k], max(noise[k], 0.3)
        ring_weight = FREE if ring_px[i] > disc_px[i] + THIN_PX else FORBIDDEN
        reach = ring_px[i] * scale[k] + MARGIN_PX
        tall, wide = reach + 0.5 * abs(blur[k, 1]), reach + 0.5 * abs(blur[k, 0])
        weighted[0] = _called_for(luma, uv[k, 0], uv[k, 1], tall, wide)
        length = math.hypot(blur[k, 0], blur[k, 1])
        cos, sin = f32(1.0), f32(0.0)
        if length > 1e-6:
            cos, sin = f32(blur[k, 0] / length), f32(blur[k, 1] / length)
        nodes = nodes_for(length, sigma_px[i])
        if not known:
            levels[k] = 0.0
        for turn in range(iterations if known else iterations + 1):
            reach = ring_px[i] * scale[k] + MARGIN_PX
            n = _gather(luma, f32(per_grey), uv[k, 0], uv[k, 1], blur[k, 0], blur[k, 1], cos, sin, length, reach,
                        samples, offset)  # fmt: skip
            if n < FEWEST_SAMPLES:
                rms[k] = around[k] = step[k] = np.inf
                break
            sweep(ring_px[i], disc_px[i], sigma_px[i], samples, n, nodes, f32(length), scale[k],
                  f32(levels[k, 0]), f32(levels[k, 1]))  # fmt: skip
            _weigh(samples, offset, n, f32(unrest / quiet), cos, sin, scale[k])
            free = 6 if known or turn > 0 else 3  # with no levels to start from, these first
            _normal(samples, n, free, weighted, matrix, right)
            matrix[0, 0] += ring_weight
            for a in range(1, min(free, 5)):
                matrix[a, a] += WEAK
            if free == 3:
                _solved(matrix, right, 3, inverse, change)
                levels[k] = change[:3]
                continue
            prior = quiet**2 / scale_sd**2
            matrix[5, 5] += prior
            right[5] += prior * (start - scale[k])
            _solved(matrix, right, 6, inverse, change)
            highest = _middle(ring_px[i], sigma_px[i], nodes, f32(length), scale[k])
            inner, outer = _residuals(samples, n, change, highest)
            du, dv = min(max(change[3], -2.0), 2.0), min(max(change[4], -2.0), 2.0)
            uv[k, 0] += du
            uv[k, 1] += dv
            low, high = max(0.5, 0.7 * start), min(2.0, 1.45 * start)
            scale[k] = min(max(scale[k] + min(max(change[5], -0.1), 0.1), low), high)
            levels[k] = change[:3]
            step[k] = math.hypot(du, dv)
            rms[k], around[k] = math.sqrt(inner), math.sqrt(outer)
            covariance[k] = inverse[3:5, 3:5] * inner
            surprise = around[k] > 2.0 * unrest + 3.0
            # an edge behind the marker (a hem, a shoe) must not pull it: this frame's background counts at once
            unrest = max(unrest, around[k])
            if not surprise and step[k] < good_enough_px:
                break
