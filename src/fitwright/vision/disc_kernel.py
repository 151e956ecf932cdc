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
"""Where a blurred edge ends (2e-4 of its step is left); the degree of the series below: right to 6e-5 and 2e-4."""


def _series() -> np.ndarray:
    t = np.cos(np.pi * (np.arange(200) + 0.5) / 200)
    z = FAR_SD * np.sqrt((t + 1) / 2)
    even = (0.5 - 0.5 * erfc(z / np.sqrt(2))) / z, np.exp(-z * z / 2) / np.sqrt(2 * np.pi)
    fits = [chebyshev.cheb2poly(chebyshev.chebfit(t, y, DEGREE)) for y in even]
    return np.ascontiguousarray(np.array(fits)[:, ::-1], np.float32)


SERIES = _series()
"""Coefficients, highest power first, of (Φ(z) − 1/2) / z and φ(z), the normal distribution's integral and density,
in t = 2 (z / FAR_SD)² − 1: without a table to look up, the processor does eight samples at once."""

FIT = np.dtype(
    [("ring_px", "f8"), ("disc_px", "f8"), ("sigma_px", "f8"), ("noise", "f8"), ("uneven", "f8"), ("speed", "f8", 2),
     ("uv", "f8", 2), ("scale", "f8"), ("amplitudes", "f8", 3),
     ("covariance", "f8", (2, 2)), ("rms", "f8"), ("around", "f8"), ("step", "f8"),
     ("marker", "i8"), ("began", "f8", 2), ("good", "i8")]
)  # fmt: skip
"""One fit: the marker's shape, the noise of a pixel, how uneven its background is, and how fast it moves, px/s; from
where and what it starts, and where and what it is in the end; what `DiscFit` tells besides. For those who follow
markers: which one it is for, where it began, and whether it is believed to be that marker."""
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
def fit_markers(fits, n_fits, luma, per_grey, exposure_s, known, iterations, scale_sd, good_enough_px):
    """Gauss–Newton for the first `n_fits` of `FIT` records, changed in place; `known`: whether amplitudes are."""
    most, half_s = 0, 0.5 * exposure_s
    for k in range(n_fits):
        fit = fits[k]
        reach = fit.ring_px * fit.scale * 1.5 + MARGIN_PX
        wide, tall = reach + abs(fit.speed[0]) * half_s, reach + abs(fit.speed[1]) * half_s
        most = max(most, int((2 * wide + 2) * (2 * tall + 2)))
    samples, offset = np.empty((10, most), np.float32), np.empty((2, most), np.float32)
    weighted, matrix, right = np.empty(most, np.float32), np.empty((6, 6)), np.empty(6)
    inverse, change = np.empty((6, 6)), np.empty(6)
    for k in range(n_fits):
        fit = fits[k]
        ring_px, disc_px, sigma_px, start = fit.ring_px, fit.disc_px, fit.sigma_px, fit.scale
        u, v, scale = fit.uv[0], fit.uv[1], start
        ring_level, disc_level = (fit.amplitudes[0], fit.amplitudes[1]) if known else (0.0, 0.0)
        unrest, quiet = fit.uneven, max(fit.noise, 0.3)
        ring_weight = FREE if ring_px > disc_px + THIN_PX else FORBIDDEN
        blur_u, blur_v = fit.speed[0] * exposure_s, fit.speed[1] * exposure_s
        reach = ring_px * start + MARGIN_PX
        weighted[0] = _called_for(luma, u, v, reach + 0.5 * abs(blur_v), reach + 0.5 * abs(blur_u))
        length = math.hypot(blur_u, blur_v)
        cos, sin = f32(1.0), f32(0.0)
        if length > 1e-6:
            cos, sin = f32(blur_u / length), f32(blur_v / length)
        nodes = nodes_for(length, sigma_px)
        fit.step = np.inf
        for turn in range(iterations if known else iterations + 1):
            reach = ring_px * scale + MARGIN_PX
            n = _gather(luma, f32(per_grey), u, v, blur_u, blur_v, cos, sin, length, reach, samples, offset)
            if n < FEWEST_SAMPLES:
                fit.rms = fit.around = fit.step = np.inf
                break
            sweep(ring_px, disc_px, sigma_px, samples, n, nodes, f32(length), scale, f32(ring_level),
                  f32(disc_level))  # fmt: skip
            _weigh(samples, offset, n, f32(unrest / quiet), cos, sin, scale)
            free = 6 if known or turn > 0 else 3  # with no levels to start from, these first
            _normal(samples, n, free, weighted, matrix, right)
            matrix[0, 0] += ring_weight
            for a in range(1, min(free, 5)):
                matrix[a, a] += WEAK
            if free == 3:
                _solved(matrix, right, 3, inverse, change)
                ring_level, disc_level = change[0], change[1]
                continue
            prior = quiet**2 / scale_sd**2
            matrix[5, 5] += prior
            right[5] += prior * (start - scale)
            _solved(matrix, right, 6, inverse, change)
            inner, outer = _residuals(
                samples, n, change, _middle(ring_px, sigma_px, nodes, f32(length), scale)
            )
            du, dv = min(max(change[3], -2.0), 2.0), min(max(change[4], -2.0), 2.0)
            u, v = u + du, v + dv
            low, high = max(0.5, 0.7 * start), min(2.0, 1.45 * start)
            scale = min(max(scale + min(max(change[5], -0.1), 0.1), low), high)
            ring_level, disc_level = change[0], change[1]
            fit.uv[0], fit.uv[1], fit.scale = u, v, scale
            for a in range(3):
                fit.amplitudes[a] = change[a]
            for a in range(2):
                for b in range(2):
                    fit.covariance[a, b] = inverse[3 + a, 3 + b] * inner
            fit.step, fit.rms, fit.around = math.hypot(du, dv), math.sqrt(inner), math.sqrt(outer)
            surprise = fit.around > 2.0 * unrest + 3.0
            # an edge behind the marker (a hem, a shoe) must not pull it: this frame's background counts at once
            unrest = max(unrest, fit.around)
            if not surprise and fit.step < good_enough_px:
                break
