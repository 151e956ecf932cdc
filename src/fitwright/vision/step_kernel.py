"""One frame of following, compiled: where markers are expected, whether what was fitted is them, what is learnt.

`m` (P,) are records of `fitwright.vision.markers.MARKER` and `fits` (P,) of `disc_kernel.FIT`, changed in place;
`fitwright.vision.follow` says what it is for. Times are true time stamps: the frames of a telephone are not evenly
spaced. Few calls with few arrays: between two frames the decoder has emptied the processor's caches, and to hand
twenty arrays over takes longer than all that is done with them.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from fitwright.vision.markers import HISTORY, ORDERS

STAYS_PX, DRIFTS_PX = 12.0, 0.5
"""A marker that does not go with the rider is no further than this from its place, which shifts by so much a frame
(the camera sways)."""
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
def expected(m, fits, longest_s, time_s, exposure_s, width, height):
    """Tell where each marker is expected at `time_s` and how fast, and prepare the fits of those worth one. How many
    these are, and the fewest places that are known of any marker.

    A polynomial through more places follows a curve better and repeats more of their noise: the order that has
    missed least lately is taken. With one place, or after a gap (longer than `longest_s`: a curve runs away),
    velocity and bend lead on.
    """
    fewest, at, speed = HISTORY, np.empty(2), np.empty(2)
    for i in range(len(m)):
        a = m[i]
        fewest = min(fewest, a.known)
        ahead = time_s - a.times[0]
        for d in range(2):
            a.uv[d] = a.places[0, d] + (a.hint[d] + 0.5 * a.bend[d] * ahead) * ahead
            a.speed[d] = a.hint[d] + a.bend[d] * ahead
            for n in range(ORDERS):
                a.guesses[n, d] = np.nan
        if abs(ahead) > longest_s:
            continue
        least = np.inf
        for n in range(2, a.known + 1):
            at[:] = speed[:] = 0.0
            for j in range(n):
                weight, slope = _lagrange(a.times, n, j, time_s)
                for d in range(2):
                    at[d] += weight * a.places[j, d]
                    speed[d] += slope * a.places[j, d]
            if n == 2 and a.known == 2:
                since = a.times[0] - a.times[1]
                for d in range(2):
                    at[d] += 0.5 * a.bend[d] * ahead * (ahead + since)
                    speed[d] += a.bend[d] * (ahead + 0.5 * since)
            better = a.misses[n - 2] <= least or a.known < HISTORY
            for d in range(2):
                a.guesses[n - 2, d] = at[d]
                if better:
                    least, a.uv[d], a.speed[d] = a.misses[n - 2], at[d], speed[d]
    return to_fit(m, fits, exposure_s, width, height), fewest


@_compiled
def prepare(m, i, uv, speed, fit):
    """The fit of marker i from the place uv (2,), smeared by its speed (2,)."""
    a = m[i]
    fit.marker, fit.ring_px, fit.disc_px, fit.sigma_px = i, a.ring_px, a.disc_px, a.sigma_px
    fit.noise, fit.uneven, fit.scale = a.rms, a.background, a.scale
    for d in range(2):
        fit.began[d] = fit.uv[d] = uv[d]
        fit.speed[d] = speed[d]
    for k in range(3):
        fit.amplitudes[k] = a.amplitudes[k]


@_compiled
def to_fit(m, fits, exposure_s, width, height):
    """Prepare the fits of the markers worth one: not lost, and expected, smeared by their motion, whole within the
    picture. How many."""
    n = 0
    for i in range(len(m)):
        a = m[i]
        u, v = a.uv[0], a.uv[1]
        edge = a.ring_px * a.scale + 0.5 * max(abs(a.speed[0]), abs(a.speed[1])) * exposure_s + 1.0
        if a.lost == 0 and edge < u < width - 1 - edge and edge < v < height - 1 - edge:
            prepare(m, i, a.uv, a.speed, fits[n])
            n += 1
    return n


@_compiled
def judge(m, fits, n, time_s):
    """Which of the first n fits are their markers: residual, contrast, size, convergence, distance from where they
    began and, for one that does not go with the rider, from its home; and not on a disc that another one, nearer to
    where it began, has."""
    off = np.empty(n)
    for k in range(n):
        f = fits[k]
        a = m[f.marker]
        off[k] = math.hypot(f.uv[0] - f.began[0], f.uv[1] - f.began[1])
        way = math.hypot(f.speed[0], f.speed[1]) * abs(time_s - a.times[0])
        gate = 3.0 + 0.25 * way
        if a.known == HISTORY:  # how far it has been off lately tells how far it may be
            gate = min(gate, 1.5 + 8.0 * min(a.misses[0], a.misses[1], a.misses[2]) + 0.05 * way)
        share, size = f.amplitudes[1] / a.contrast, f.scale / a.usual_scale
        alike = 0.45 < share < 2.2 and 0.75 < size < 1.33
        level = max(2.5 * a.rms + 1.0, 0.06 * abs(a.contrast))
        astray = math.hypot(f.uv[0] - a.home[0], f.uv[1] - a.home[1]) >= STAYS_PX
        f.good = alike and f.rms < level and off[k] < gate and f.step < 0.25 and not astray
    for k in range(n):
        for j in range(n):
            f, g = fits[k], fits[j]
            apart = math.hypot(f.uv[0] - g.uv[0], f.uv[1] - g.uv[1])
            if k != j and f.good and g.good and apart < m[f.marker].ring_px and off[k] > off[j]:
                f.good = False


@_compiled
def accept(m, fits, n, time_s, path_s, path_px, path_n, out):
    """Take those of the first n fits that are good into what is known of the markers, into their paths (as in
    `Paths`), and into this frame's places and standard uncertainties, out (2, P, 2)."""
    for k in range(n):
        f = fits[k]
        if f.good:
            a = m[f.marker]
            _take(a, f, time_s)
            _learn(a, f)
            remember(path_s, path_px, path_n, f.marker, time_s, f.uv)
            for d in range(2):
                out[0, f.marker, d], out[1, f.marker, d] = f.uv[d], math.sqrt(f.covariance[d, d])


@_compiled
def remember(path_s, path_px, path_n, i, time_s, uv):
    """Marker i was at uv (2,). Where the room for its path, twice `LONGEST_PATH`, ends, the later half moves to the
    front: what is remembered lies in a row and needs no copy when it is looked through."""
    if path_n[i] == 2 * LONGEST_PATH:
        path_s[i, :LONGEST_PATH], path_px[i, :LONGEST_PATH] = (
            path_s[i, LONGEST_PATH:],
            path_px[i, LONGEST_PATH:],
        )
        path_n[i] = LONGEST_PATH
    at = path_n[i]
    path_s[i, at], path_px[i, at, 0], path_px[i, at, 1] = time_s, uv[0], uv[1]
    path_n[i] = at + 1


@_compiled
def _take(a, f, time_s):
    """The new place of fit f goes into the history of marker a."""
    for n in range(ORDERS):
        off = math.hypot(a.guesses[n, 0] - f.uv[0], a.guesses[n, 1] - f.uv[1])
        if off == off:
            a.misses[n] += 0.1 * (off - a.misses[n])
    ago = time_s - a.times[0]
    for d in range(2):
        a.hint[d] = (f.uv[d] - a.places[0, d]) / ago
    for n in range(HISTORY - 1, 0, -1):
        a.times[n] = a.times[n - 1]
        for d in range(2):
            a.places[n, d] = a.places[n - 1, d]
    a.times[0], a.places[0, 0], a.places[0, 1] = time_s, f.uv[0], f.uv[1]
    a.known = min(a.known + 1, HISTORY)
    a.lost = 0


@_compiled
def _learn(a, f):
    """How marker a looks now: size and levels at once, what is usual slowly; its home follows it by `DRIFTS_PX` at
    most."""
    a.scale = f.scale
    for k in range(3):
        a.amplitudes[k] = f.amplitudes[k]
    a.usual_scale += 0.02 * (f.scale - a.usual_scale)
    a.contrast += 0.05 * (f.amplitudes[1] - a.contrast)
    a.rms = max(a.rms + 0.1 * (f.rms - a.rms), 0.5)
    a.background += 0.2 * (f.around - a.background)
    for d in range(2):
        a.home[d] += min(max(f.uv[d] - a.home[d], -DRIFTS_PX), DRIFTS_PX)


@_compiled
def seen(m, fits, n, time_s, path_s, path_px, path_n, out):
    """What the first n fits tell of this frame, as in `judge` and `accept`; out is NaN where a marker is not seen.
    How many are not."""
    out[:] = np.nan
    judge(m, fits, n, time_s)
    accept(m, fits, n, time_s, path_s, path_px, path_n, out)
    missing = 0
    for i in range(len(m)):
        missing += out[0, i, 0] != out[0, i, 0]
    return missing
