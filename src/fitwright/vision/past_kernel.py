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
def _unlike(time_s, uv_px, k, du, dv, alike_s, least_ago_s, same_place_px):
    """Difference in place and, times `alike_s`, in velocity of sample k from the last, whose velocity is (du, dv);
    infinite when just before, or in another place."""
    last = len(time_s) - 1
    if abs(time_s[k] - time_s[last]) < least_ago_s:
        return np.inf
    by_u, by_v = uv_px[k, 0] - uv_px[last, 0], uv_px[k, 1] - uv_px[last, 1]
    if by_u * by_u + by_v * by_v > same_place_px * same_place_px:
        return np.inf
    turned = math.hypot(_slope(time_s, uv_px, k, 0) - du, _slope(time_s, uv_px, k, 1) - dv)
    return math.hypot(by_u, by_v) + alike_s * turned


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
    unlike, out, found = np.empty(n), np.empty(n), 0
    du, dv = _slope(time_s, uv_px, n - 1, 0), _slope(time_s, uv_px, n - 1, 1)
    for k in range(n):
        unlike[k] = _unlike(time_s, uv_px, k, du, dv, alike_s, least_ago_s, same_place_px)
    least = np.inf
    for k in range(1, n - 1):
        if unlike[k] <= unlike[k - 1] and unlike[k] < unlike[k + 1]:
            least = min(least, unlike[k])
    most = min(same_place_px, 3.0 + 3.0 * least)  # else it may be on its way back there
    for k in range(n - 2, 0, -1):
        if not by_gaps and abs(time_s[k + 1] - time_s[k - 1]) > LONGEST_STEPS_S:
            continue
        if unlike[k] < most and unlike[k] <= unlike[k - 1] and unlike[k] < unlike[k + 1]:
            out[found] = _passed(time_s, uv_px, k)
            found += 1
    return out[:found]


@_compiled
def recent(which, path_s, path_px, path_n, now_s, memory_s):
    """Of some markers (M,), the last samples of their rings (P, L), (P, L, 2), written path_n (P,) times, which are
    no more than `memory_s` from now_s (P,), oldest first: (M, L), (M, L, 2), and how many (M,). Those without a time
    are left out."""
    size = path_s.shape[1]
    time_s, uv_px = np.empty((len(which), size)), np.empty((len(which), size, 2))
    kept = np.zeros(len(which), np.intp)
    for m in range(len(which)):
        i, n = which[m], 0
        at = path_n[i] % size if path_n[i] > size else 0
        for _ in range(min(path_n[i], size)):
            if abs(path_s[i, at] - now_s[i]) <= memory_s:
                time_s[m, n] = path_s[i, at]
                uv_px[m, n, 0], uv_px[m, n, 1] = path_px[i, at, 0], path_px[i, at, 1]
                n += 1
            at = at + 1 if at + 1 < size else 0
        kept[m] = n
    return time_s, uv_px, kept


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
    way; the rest as in `recent`, `passes` and `mostly_at`."""
    time_s, uv_px, kept = recent(which, path_s, path_px, path_n, now_s, memory_s)
    times, n = np.empty(len(which) * path_s.shape[1]), 0
    for m in range(len(which)):
        if kept[m] >= FEWEST:
            found = passes(
                time_s[m, : kept[m]], uv_px[m, : kept[m]], alike_s, least_ago_s, same_place_px, False
            )
            times[n : n + len(found)] = found
            n += len(found)
    own_s, own_px, seen = recent(np.array([i]), path_s, path_px, path_n, now_s, memory_s)
    if n == 0 or seen[0] < 3:
        return False, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    return mostly_at(own_s[0, : seen[0]], own_px[0, : seen[0]], times[:n], seen_s, longest_step_s)
