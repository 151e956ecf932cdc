"""How sure followed points are beyond what their own fits say: the scatter of their paths, and what it tells.

A fit knows the grey levels it sees, not what lossy compression did to them. A body moves smoothly, so that what is
left of a path after the smooth part is error; it is told from this very film, whatever its coder, rate and noise.
That holds for a marker that goes a pixel and more from frame to frame: each frame brings new errors. A slow one takes
part of its errors along, so that its path tells too little, and is given what the fast ones tell at the least. One at
rest is copied, errors and all, and its path tells nothing; it is kept better than a moving one, though.
"""

from __future__ import annotations

import numpy as np

from fitwright.quantity import Floats

ORDER = 8
"""Differences of this order take away polynomials of lower degree: at 30 frames a second and 110 rpm they leave
hundredths of a pixel of a knee's path, those of order 4 a tenth and more."""
LEAST_WINDOWS = 30
BLOCK = 2048
"""So many windows are weighed at a time."""
RESTS_PX, FAST_PX = 1.5, 1.0
"""A point that stays within the first rests; one that goes further than the second from frame to frame is fast."""
AT_REST = 1 / 3
"""Error that compression leaves on a resting marker against a moving one (measured on simulated films)."""


def scatter_px(time_s: Floats, uv_px: Floats) -> Floats:
    """Standard deviation (P, 2) of what is not smooth in paths (T, P, 2) at times (T,), even or not; NaN where too
    little was seen. Errors are taken to be independent from frame to frame; strays do not count (median)."""
    out = np.full(uv_px.shape[1:], np.nan)
    if len(time_s) < ORDER + LEAST_WINDOWS:
        return out
    windows = np.lib.stride_tricks.sliding_window_view(uv_px, ORDER + 1, axis=0)
    rough = np.empty(windows.shape[:3])
    for k in range(0, len(windows), BLOCK):  # the weights of ten minutes of film all at once would take 70 MB
        weights = _difference_weights(time_s[k : k + BLOCK + ORDER])
        np.einsum("nk,npdk->npd", weights, windows[k : k + BLOCK], out=rough[k : k + BLOCK])
    np.abs(rough, out=rough)
    for i in range(len(out)):
        seen = rough[:, i][np.isfinite(rough[:, i]).all(axis=1)]
        if len(seen) >= LEAST_WINDOWS:
            out[i] = 1.4826 * np.median(seen, axis=0)
    return out


def _difference_weights(time_s: Floats) -> Floats:
    """(N, ORDER + 1) weights, of sum of squares 1, with which neighbouring values of a polynomial of degree below
    ORDER add up to 0: divided differences. NaN where two times are the same."""
    t = np.lib.stride_tricks.sliding_window_view(time_s, ORDER + 1)
    apart = (t[:, :, None] - t[:, None, :]) / np.median(np.diff(time_s))
    apart[:, np.arange(ORDER + 1), np.arange(ORDER + 1)] = 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        weights = 1.0 / np.prod(apart, axis=2)
        return np.asarray(weights / np.linalg.norm(weights, axis=1, keepdims=True))


def unexplained_px(time_s: Floats, uv_px: Floats, u_px: Floats, discs: Floats, prior_px: float) -> Floats:
    """(P,) standard uncertainty per axis that the stated ones u (T, P, 2) leave out.

    Args:
        discs: (P,) which points are disc markers. prior_px: what to take for a disc where the film does not tell.
    """
    stated = _mean(u_px**2)
    own = np.sqrt(np.maximum(np.mean(scatter_px(time_s, uv_px) ** 2, axis=1) - stated, 0.0))
    extent, step = np.array([_ways(p[np.isfinite(p).all(axis=1)]) for p in np.moveaxis(uv_px, 1, 0)]).T
    told = own[discs & (step > FAST_PX) & np.isfinite(own)]
    usual = float(np.sqrt(np.mean(told**2))) if len(told) else prior_px
    least = np.where(discs, np.where(extent > RESTS_PX, usual, AT_REST * usual), 0.0)
    return np.asarray(np.fmax(own, least))


def _ways(seen: Floats) -> tuple[float, float]:
    """How far a path (N, 2) reaches, and the usual step from one place to the next, px."""
    if len(seen) < 2:
        return 0.0, 0.0
    return float(np.ptp(seen, axis=0).max()), float(np.median(np.hypot(*np.diff(seen, axis=0).T)))


def _mean(squares: Floats) -> Floats:
    """(P,) mean of (T, P, 2) over the frames in which a point was seen, 0 for one never seen."""
    n = np.isfinite(squares).sum(axis=(0, 2))
    return np.asarray(np.nansum(squares, axis=(0, 2)) / np.maximum(n, 1))
