"""One frame of following, compiled: where markers are expected, whether what was fitted is them, what is learnt.

Arrays in, arrays out; `fitwright.vision.follow` says what they mean. Times are true time stamps: the frames of a
telephone are not evenly spaced.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

HISTORY = 4
"""Last places kept per marker: a polynomial goes through two, three or all four of them."""
ORDERS = HISTORY - 1
LONGEST_PATH = 512
"""Places of its past that a marker remembers (more than a turn at 240 frames a second)."""
_compiled = njit(cache=True, nogil=True)


@_compiled
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


@_compiled
def expected(times, places, known, hint, bend, misses, longest_s, time_s, guesses):
    """Places (P, 2) and velocities (P, 2) at `time_s`.

    A polynomial through more places follows a curve better and repeats more of their noise: the order that has
    missed least lately is taken. With one place, or after a gap (a curve runs away), velocity and bend lead on.

    Args:
        times, places: (P, n) and (P, n, 2), newest first. known: (P,) how many of them are filled. hint, bend: (P, 2)
            px/s and px/s². misses: (P, n − 1) how far each order was off lately. longest_s: a longer step is a gap.
        guesses: (P, n − 1, 2) gets what each order expects, NaN where it cannot.
    """
    p = len(known)
    uv, velocity = np.empty((p, 2)), np.empty((p, 2))
    for i in range(p):
        ahead = time_s - times[i, 0]
        for d in range(2):
            uv[i, d] = places[i, 0, d] + (hint[i, d] + 0.5 * bend[i, d] * ahead) * ahead
            velocity[i, d] = hint[i, d] + bend[i, d] * ahead
        guesses[i] = np.nan
        if abs(ahead) > longest_s:
            continue
        least = np.inf
        for n in range(2, known[i] + 1):
            at, speed = np.zeros(2), np.zeros(2)
            for j in range(n):
                weight, slope = _lagrange(times[i], n, j, time_s)
                for d in range(2):
                    at[d] += weight * places[i, j, d]
                    speed[d] += slope * places[i, j, d]
            if n == 2 and known[i] == 2:
                since = times[i, 0] - times[i, 1]
                for d in range(2):
                    at[d] += 0.5 * bend[i, d] * ahead * (ahead + since)
                    speed[d] += bend[i, d] * (ahead + 0.5 * since)
            guesses[i, n - 2] = at
            if misses[i, n - 2] <= least or known[i] < HISTORY:
                least = misses[i, n - 2]
                uv[i], velocity[i] = at, speed
    return uv, velocity


@_compiled
def to_fit(lost, uv, velocity, ring_px, scale, exposure_s, width, height):
    """Which markers are worth a fit: not lost, and expected, smeared by their motion, whole within the picture."""
    index, n = np.empty(len(uv), np.intp), 0
    for i in range(len(uv)):
        smear = 0.5 * max(abs(velocity[i, 0]), abs(velocity[i, 1])) * exposure_s
        edge = ring_px[i] * scale[i] + smear + 1.0
        whole = edge < uv[i, 0] < width - 1 - edge and edge < uv[i, 1] < height - 1 - edge
        if whole and lost[i] == 0:
            index[n] = i
            n += 1
    return index[:n]


@_compiled
def credible(
    index, uv, scale, contrast, rms, last_step, predicted, velocity, ago_s, usual_contrast, usual_rms, usual_scale,
    ring_px, known, misses, homes, stays_px,
):  # fmt: skip
    """Which fits are the markers `index`: residual, contrast, size, convergence, distance from the prediction and,
    for one that does not go with the rider, from its home (NaN for the others); and not on a disc that another one,
    nearer to where it was expected, has.

    The first six are those of the fits (N,); predicted, velocity and ago_s too; the rest are of all markers (P,).
    """
    n = len(index)
    good, off = np.zeros(n, np.bool_), np.empty(n)
    for k in range(n):
        i = index[k]
        off[k] = math.hypot(uv[k, 0] - predicted[k, 0], uv[k, 1] - predicted[k, 1])
        way = math.hypot(velocity[k, 0], velocity[k, 1]) * abs(ago_s[k])
        gate = 3.0 + 0.25 * way
        if known[i] == HISTORY:  # how far it has been off lately tells how far it may be
            gate = min(gate, 1.5 + 8.0 * np.min(misses[i]) + 0.05 * way)
        share, size = contrast[k] / usual_contrast[i], scale[k] / usual_scale[i]
        alike = 0.45 < share < 2.2 and 0.75 < size < 1.33
        level = max(2.5 * usual_rms[i] + 1.0, 0.06 * abs(usual_contrast[i]))
        astray = math.hypot(uv[k, 0] - homes[i, 0], uv[k, 1] - homes[i, 1]) >= stays_px
        good[k] = alike and rms[k] < level and off[k] < gate and last_step[k] < 0.25 and not astray
    for k in range(n):
        for m in range(n):
            apart = math.hypot(uv[k, 0] - uv[m, 0], uv[k, 1] - uv[m, 1])
            if k != m and good[k] and good[m] and apart < ring_px[index[k]] and off[k] > off[m]:
                good[k] = False
    return good


@_compiled
def take(index, good, time_s, uv, times, places, known, hint, guesses, misses, path_s, path_px, path_n):
    """The new places `uv` (N, 2) of those markers `index` that are `good` go into their histories and paths."""
    for k in range(len(index)):
        if not good[k]:
            continue
        i = index[k]
        for n in range(ORDERS):
            off = math.hypot(guesses[i, n, 0] - uv[k, 0], guesses[i, n, 1] - uv[k, 1])
            if off == off:
                misses[i, n] += 0.1 * (off - misses[i, n])
        ago = time_s - times[i, 0]
        for d in range(2):
            hint[i, d] = (uv[k, d] - places[i, 0, d]) / ago
        for n in range(HISTORY - 1, 0, -1):
            times[i, n], places[i, n] = times[i, n - 1], places[i, n - 1]
        times[i, 0], places[i, 0] = time_s, uv[k]
        known[i] = min(known[i] + 1, HISTORY)
        at = path_n[i] % LONGEST_PATH
        path_s[i, at], path_px[i, at] = time_s, uv[k]
        path_n[i] += 1


@_compiled
def learn(
    index, good, fit_uv, fit_scale, fit_amplitudes, fit_rms, fit_around, covariance, scale, amplitudes, usual_scale,
    usual_contrast, usual_rms, background, lost, homes, drifts_px, uv, u,
):  # fmt: skip
    """How those markers `index` that are `good` look now: size and levels at once, what is usual slowly; a home
    follows by `drifts_px` at most; where they are and their standard uncertainties go into this frame's uv and u."""
    for k in range(len(index)):
        if not good[k]:
            continue
        i = index[k]
        scale[i], amplitudes[i] = fit_scale[k], fit_amplitudes[k]
        usual_scale[i] += 0.02 * (fit_scale[k] - usual_scale[i])
        usual_contrast[i] += 0.05 * (fit_amplitudes[k, 1] - usual_contrast[i])
        usual_rms[i] = max(usual_rms[i] + 0.1 * (fit_rms[k] - usual_rms[i]), 0.5)
        background[i] += 0.2 * (fit_around[k] - background[i])
        lost[i] = 0
        for d in range(2):
            homes[i, d] += min(max(fit_uv[k, d] - homes[i, d], -drifts_px), drifts_px)
            uv[i, d], u[i, d] = fit_uv[k, d], math.sqrt(covariance[k, d, d])
