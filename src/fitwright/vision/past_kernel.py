"""When a marker was where it is now, compiled: asked for several markers in each frame in which one is missing.

Arrays in, arrays out; `fitwright.vision.past` says what they mean.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

LONGEST_STEPS_S = 0.11
"""Two frame steps, one frame left out, at 30 frames a second."""
FEWEST = 5
"""Places that a path needs for it to show when it was somewhere before."""
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
def unlike(time_s, uv_px, alike_s, least_ago_s, same_place_px):
    """Differences (N,) in place and, times `alike_s`, in velocity of the samples from the last; infinite when just
    before, or in another place."""
    last, out = len(time_s) - 1, np.full(len(time_s), np.inf)
    du, dv = _slope(time_s, uv_px, last, 0), _slope(time_s, uv_px, last, 1)
    now_s, u, v, near = time_s[last], uv_px[last, 0], uv_px[last, 1], same_place_px * same_place_px
    for k in range(np.uintp(last + 1)):
        by_u, by_v = uv_px[k, 0] - u, uv_px[k, 1] - v
        if by_u * by_u + by_v * by_v <= near and abs(time_s[k] - now_s) >= least_ago_s:
            turned = math.hypot(_slope(time_s, uv_px, k, 0) - du, _slope(time_s, uv_px, k, 1) - dv)
            out[k] = math.hypot(by_u, by_v) + alike_s * turned
    return out


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
def passes(time_s, uv_px, alike_s, least_ago_s, same_place_px, by_gaps):
    """Times at which samples (N,), (N, 2) were where the last one is and going the same way, latest first; also next
    to a gap, in which they may have come nearer, if `by_gaps`."""
    n = len(time_s)
    differs, out, found = unlike(time_s, uv_px, alike_s, least_ago_s, same_place_px), np.empty(n), 0
    least = np.inf
    for k in range(1, n - 1):
        if differs[k] <= differs[k - 1] and differs[k] < differs[k + 1]:
            least = min(least, differs[k])
    most = min(same_place_px, 3.0 + 3.0 * least)  # else it may be on its way back there
    for k in range(n - 2, 0, -1):
        if not by_gaps and abs(time_s[k + 1] - time_s[k - 1]) > LONGEST_STEPS_S:
            continue
        if differs[k] < most and differs[k] <= differs[k - 1] and differs[k] < differs[k + 1]:
            out[found] = _passed(time_s, uv_px, k)
            found += 1
    return out[:found]


@_compiled
def since(time_s, now_s, memory_s):
    """The first of the last samples (N,) that are no more than `memory_s` from now_s."""
    k = len(time_s)
    while k > 0 and abs(time_s[k - 1] - now_s) <= memory_s:
        k -= 1
    return k


@_compiled
def extent(uv_px):
    """Longer side of the box around places (N, 2)."""
    longest = 0.0
    for d in range(2):
        longest = max(longest, uv_px[:, d].max() - uv_px[:, d].min())
    return longest


@_compiled
def top_speed(time_s, uv_px):
    """Greatest speed between neighbouring samples that are no further apart in time than usual."""
    steps = np.abs(np.diff(time_s))
    usual, fastest = np.median(steps), 0.0
    for k in range(len(steps)):
        if steps[k] < 2.5 * usual:
            way = math.hypot(uv_px[k + 1, 0] - uv_px[k, 0], uv_px[k + 1, 1] - uv_px[k, 1])
            fastest = max(fastest, way / steps[k])
    return fastest


@_compiled
def _nearest(time_s, when_s):
    """The sample nearest to a time; times rise all the way, or fall."""
    low, high = 0, len(time_s) - 1
    rising = time_s[high] > time_s[low]
    while high - low > 1:
        middle = (low + high) // 2
        if (time_s[middle] <= when_s) == rising:
            low = middle
        else:
            high = middle
    return low if abs(time_s[low] - when_s) <= abs(time_s[high] - when_s) else high


@_compiled
def at(time_s, uv_px, when_s, seen_s, longest_step_s):
    """Whether samples tell where it was at a time, no further than `seen_s` from one; place u, v, velocity and
    acceleration there, by the neighbours that are no further than `longest_step_s` away."""
    k, last = _nearest(time_s, when_s), len(time_s) - 1
    a = k - 1 if k > 0 and abs(time_s[k] - time_s[k - 1]) < longest_step_s else k  # not across a gap
    b = k + 1 if k < last and abs(time_s[k + 1] - time_s[k]) < longest_step_s else k
    ahead = when_s - time_s[k]
    if a == b or abs(ahead) > seen_s:
        return False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    du = (uv_px[b, 0] - uv_px[a, 0]) / (time_s[b] - time_s[a])
    dv = (uv_px[b, 1] - uv_px[a, 1]) / (time_s[b] - time_s[a])
    ddu = ddv = 0.0
    if a < k < b:
        before, after = time_s[k] - time_s[a], time_s[b] - time_s[k]
        ddu = (uv_px[b, 0] - uv_px[k, 0]) / after - (uv_px[k, 0] - uv_px[a, 0]) / before
        ddv = (uv_px[b, 1] - uv_px[k, 1]) / after - (uv_px[k, 1] - uv_px[a, 1]) / before
        ddu, ddv = 2.0 * ddu / (before + after), 2.0 * ddv / (before + after)
    return True, uv_px[k, 0] + du * ahead, uv_px[k, 1] + dv * ahead, du, dv, ddu, ddv


@_compiled
def mostly_at(time_s, uv_px, times_s, seen_s, longest_step_s):
    """Whether samples tell where it was at any of some times (M,); the middle u, v of those places, and velocity and
    acceleration at the place nearest to that."""
    found, n = np.empty((6, len(times_s))), 0
    for when_s in times_s:
        motion = at(time_s, uv_px, when_s, seen_s, longest_step_s)
        if motion[0]:
            found[:, n] = motion[1:]
            n += 1
    if n == 0:
        return False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    u, v = np.median(found[0, :n]), np.median(found[1, :n])
    nearest, least = 0, np.inf
    for k in range(n):
        away = math.hypot(found[0, k] - u, found[1, k] - v)
        if away < least:
            nearest, least = k, away
    return True, u, v, found[2, nearest], found[3, nearest], found[4, nearest], found[5, nearest]


@_compiled
def like_now(
    i, which, path_s, path_px, path_n, now_s, memory_s, alike_s, least_ago_s, same_place_px, seen_s, longest_step_s
):  # fmt: skip
    """Where marker i mostly was at the times at which some others (M,) were where they are now and going the same
    way. Paths (P, L) and (P, L, 2) hold path_n (P,) samples, of which those count that are no more than `memory_s`
    from now_s (P,); the rest as in `passes` and `mostly_at`."""
    times, n = np.empty(len(which) * path_s.shape[1]), 0
    for k in which:
        end = path_n[k]
        begin = since(path_s[k, :end], now_s[k], memory_s)
        if end - begin >= FEWEST:
            some_s, some_px = path_s[k, begin:end], path_px[k, begin:end]
            found = passes(some_s, some_px, alike_s, least_ago_s, same_place_px, False)
            times[n : n + len(found)] = found
            n += len(found)
    end = path_n[i]
    begin = since(path_s[i, :end], now_s[i], memory_s)
    if n == 0 or end - begin < 3:
        return False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    return mostly_at(path_s[i, begin:end], path_px[i, begin:end], times[:n], seen_s, longest_step_s)
