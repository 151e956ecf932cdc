"""Frames kept for the way back, cut to the part of the picture where something is to be followed."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator

import numpy as np

from fitwright.quantity import Floats
from fitwright.vision.video import ClipInfo, LumaFrame

MOST_BYTES = 48e6
ROOM_PX = 70.0
"""Room around the places of points: a marker, its blur, and a search beside it."""


class Kept:
    """The latest frames that fit into `MOST_BYTES`, each cut to a box.

    Args:
        info: the clip. low, high: (2,) corners of the box, px; it is made wider by `ROOM_PX` and ends at the edge.
    """

    def __init__(self, info: ClipInfo, low: Floats, high: Floats) -> None:
        size = np.array([info.width_px, info.height_px])
        self.low = np.clip(np.floor(low - ROOM_PX), 0, size).astype(int)
        self.high = np.clip(np.ceil(high + ROOM_PX), 0, size).astype(int)
        self.canvas = np.zeros((info.height_px, info.width_px), np.uint16 if info.bits > 8 else np.uint8)
        area = int(np.prod(self.high - self.low)) * self.canvas.itemsize
        self.cuts: deque[LumaFrame] = deque(maxlen=max(8, int(MOST_BYTES / max(area, 1))))

    @property
    def capacity(self) -> int:
        """How many frames fit."""
        return int(self.cuts.maxlen or 0)

    @property
    def since_s(self) -> float:
        """Time of the earliest frame kept; infinite when there is none."""
        return self.cuts[0].time_s if self.cuts else np.inf

    def extend(self, frames: Iterable[LumaFrame]) -> None:
        """Keep copies of some more, later frames."""
        for frame in frames:
            cut = frame.luma[self.low[1] : self.high[1], self.low[0] : self.high[0]]
            self.cuts.append(LumaFrame(frame.time_s, cut.copy()))

    def holds(self, low: Floats, high: Floats) -> bool:
        """Whether the box low–high (2,) with room around it lies in the part kept (or at the picture's edge)."""
        size = np.array([self.canvas.shape[1], self.canvas.shape[0]])
        left_top = np.all((low - ROOM_PX / 2 >= self.low) | (self.low == 0))
        return bool(left_top and np.all((high + ROOM_PX / 2 <= self.high) | (self.high == size)))

    def backward(self) -> Iterator[LumaFrame]:
        """The frames, latest first, as whole pictures (empty outside the box); each is valid until the next."""
        while self.cuts:
            cut = self.cuts.pop()
            self.canvas[self.low[1] : self.high[1], self.low[0] : self.high[0]] = cut.luma
            yield LumaFrame(cut.time_s, self.canvas)
