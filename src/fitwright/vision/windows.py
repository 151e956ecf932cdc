"""Square windows cut from a frame."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from fitwright.vision.video import Luma


def cut_windows(luma: Luma, corner: NDArray[np.intp], size: int, per_grey: float) -> NDArray[np.float32]:
    """Square windows (P, size, size) in 8-bit grey levels; beyond the picture the edge is repeated."""
    windows = np.empty((len(corner), size, size), np.float32)
    height, width = luma.shape
    for window, (u, v) in zip(windows, corner, strict=True):
        if u >= 0 and v >= 0 and u + size <= width and v + size <= height:
            window[...] = luma[v : v + size, u : u + size]
        else:
            rows = np.clip(np.arange(v, v + size), 0, height - 1)
            window[...] = luma[rows[:, None], np.clip(np.arange(u, u + size), 0, width - 1)]
    if per_grey != 1.0:
        windows *= np.float32(per_grey)
    return windows
