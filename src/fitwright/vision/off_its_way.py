"""Single frames in which a point was told where it cannot have been: not on the way from the places before to those
after. Another disc that passes over a marker can look so much like it that the fit itself has nothing against it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from fitwright.quantity import Floats
from fitwright.vision.chains import FASTEST_TURN_RAD_S

ROOM_PX, ROOM_U = 1.0, 4.0
"""A place is no further off its way than both of these together (the second: its standard uncertainties)."""
HARMONICS = 2.0
"""Share by which the overtones of a pedalling leg bend its way more than the fastest turn does (our choice)."""
ENOUGH = 3
"""So many points of a frame, off by the same, are off because the camera was knocked."""


BESIDE = ((-2, -1, 1, 2), (-1, 1, 2, 3), (-3, -2, -1, 1), (1, 2, 3, 4), (-4, -3, -2, -1))
"""Which neighbours may be asked: two on either side; beside a gap, or at an end, more on one side."""
_Neighbours = tuple[NDArray[np.intp], NDArray[np.intp], Floats, Floats]
MOST_PASSES = 3
AROUND = 5
"""Frames: where ways so near to a stray are broken without it too, it was none."""


def off_their_way(time_s: Floats, uv_px: Floats, u_px: Floats) -> NDArray[np.bool_]:
    """(T, P) where places (T, P, 2) with uncertainties (T, P, 2) leave the way through their four neighbours.

    A cubic runs through the neighbours. What it misses of a smooth way is at most the fourth derivative over 24 times
    the product of their distances in time, and the fastest turn of a crank bounds that derivative. A shift that most
    points of the frame share is the camera's and counts for none. What is left when a stray is out is asked again;
    where a point jumps and stays, no frame is a stray.
    """
    bad = np.zeros(uv_px.shape[:2], dtype=bool)
    for _ in range(MOST_PASSES):
        share = _off_over_room(time_s, np.where(bad[..., None], np.nan, uv_px), u_px)
        found = (share > 1.0) & _highest(share, uv_px)
        if not found.any():
            return bad
        bad |= found
    broken = _off_over_room(time_s, np.where(bad[..., None], np.nan, uv_px), u_px, BESIDE[:1]) > 1.0
    return np.asarray(bad & ~binary_dilation(broken, np.ones((2 * AROUND + 1, 1), dtype=bool)))


def _off_over_room(
    time_s: Floats, uv_px: Floats, u_px: Floats, beside: Sequence[tuple[int, ...]] = BESIDE
) -> Floats:
    """(T, P) distance of each place from its way over what it may be; 0 where a place or its way is not told."""
    off, room = np.full(uv_px.shape, np.nan), np.full(uv_px.shape[:2], np.nan)
    known: dict[bytes, _Neighbours] = {}  # points seen in the same frames have the same
    for i, told in enumerate(np.isfinite(uv_px[..., 0]).T):
        seen = np.flatnonzero(told)
        if len(seen) < 5:
            continue
        if (same := told.tobytes()) not in known:
            known[same] = _neighbours(time_s[seen], beside)
        k, at, product, weights = known[same]
        bend = HARMONICS * float(np.ptp(uv_px[seen, i], axis=0).max()) / 2 * FASTEST_TURN_RAD_S**4 / 24
        own = np.hypot(*u_px[seen[k], i].T) * np.sqrt(1 + (weights**2).sum(axis=1))
        off[seen[k], i] = uv_px[seen[k], i] - np.einsum("nk,nkd->nd", weights, uv_px[seen[at], i])
        room[seen[k], i] = ROOM_PX + bend * product + ROOM_U * own
    count = np.isfinite(off[..., 0]).sum(axis=1)
    whole, many = count == uv_px.shape[1], count >= ENOUGH
    off[many & whole] -= np.median(off[many & whole], axis=1, keepdims=True)
    off[many & ~whole] -= np.nanmedian(off[many & ~whole], axis=1, keepdims=True)  # does the same, slowly
    return np.asarray(np.nan_to_num(np.hypot(off[..., 0], off[..., 1]) / room), dtype=np.float64)


def _neighbours(time_s: Floats, beside: Sequence[tuple[int, ...]]) -> _Neighbours:
    """Which of n times have neighbours `beside` them (m,); which four of those are nearest (m, 4), the product of
    their distances (m,) and their weights in the cubic through them (m, 4)."""
    n = len(time_s)
    at, product = np.zeros((n, 4), dtype=np.intp), np.full(n, np.inf)
    for steps in beside:
        k = np.arange(max(0, -min(steps)), min(n, n - max(steps)))
        some = k[:, None] + steps
        far = np.abs(np.prod(time_s[some] - time_s[k, None], axis=1))
        better = far < product[k]
        at[k[better]], product[k[better]] = some[better], far[better]
    told = np.flatnonzero(np.isfinite(product))
    away = time_s[at[told]] - time_s[told, None]
    weights = np.ones((len(told), 4))
    for m in range(4):
        others = [j for j in range(4) if j != m]
        weights[:, m] = np.prod(-away[:, others] / (away[:, [m]] - away[:, others]), axis=1)
    return told, at[told], product[told], weights


def _highest(share: Floats, uv_px: Floats) -> NDArray[np.bool_]:
    """(T, P) where a share is the highest among those of the places seen beside it: a stray pulls its neighbours'
    ways aside, each of them by less than it is off itself."""
    out = np.zeros(share.shape, dtype=bool)
    for i in range(share.shape[1]):
        seen = np.flatnonzero(np.isfinite(uv_px[:, i, 0]))
        wide = np.pad(share[seen, i], 2)
        out[seen, i] = share[seen, i] >= np.max([wide[k : k + len(seen)] for k in range(5)], axis=0)
    return out
