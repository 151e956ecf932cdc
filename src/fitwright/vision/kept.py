"""Reading a film away from a marked moment in both directions, each frame decoded once.

Reading begins at the key frame before the mark, which has to be decoded anyhow; what is passed on the way is kept for
the way back, cut to the part of the picture where something is to be followed. What lies before that is read in
blocks, each decoded forward and given backward, so that memory does not grow with the length of the film.
"""

from __future__ import annotations

import ctypes
from collections import deque
from collections.abc import Generator, Iterable, Iterator
from contextlib import suppress
from pathlib import Path

import numpy as np

from fitwright.errors import InputError
from fitwright.quantity import Floats
from fitwright.vision.start import SPAN
from fitwright.vision.video import (
    Cancelled,
    ClipInfo,
    LumaFrame,
    ReadReport,
    key_times,
    luma_frames,
    read_ahead,
)

MOST_BYTES, MOST_BEFORE_BYTES = 48e6, 64e6
"""Of the frames around the mark, and of one block of those before, when those around it are no longer needed."""
ROOM_PX = 70.0
"""Room around the places of points: a marker, its blur, and a search beside it."""


class Kept:
    """The latest frames that fit into `most_bytes` (None: `MOST_BYTES`), each cut to a box.

    Args:
        info: the clip. low, high: (2,) corners of the box, px; it is made wider by `ROOM_PX` and ends at the edge.
    """

    def __init__(self, info: ClipInfo, low: Floats, high: Floats, most_bytes: float | None = None) -> None:
        size = np.array([info.width_px, info.height_px])
        self.low = np.clip(np.floor(low - ROOM_PX), 0, size).astype(int)
        self.high = np.clip(np.ceil(high + ROOM_PX), 0, size).astype(int)
        self.canvas = np.zeros((info.height_px, info.width_px), np.uint16 if info.bits > 8 else np.uint8)
        area = int(np.prod(self.high - self.low)) * self.canvas.itemsize
        self.cuts: deque[LumaFrame] = deque(maxlen=max(8, int((most_bytes or MOST_BYTES) / max(area, 1))))

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

    def forward(self) -> Iterator[LumaFrame]:
        """The frames, earliest first, as whole pictures (empty outside the box); each is valid until the next."""
        return map(self._whole, self.cuts)

    def backward(self) -> Iterator[LumaFrame]:
        """The same, latest first, each let go when the next is asked for."""
        while self.cuts:
            yield self._whole(self.cuts.pop())

    def _whole(self, cut: LumaFrame) -> LumaFrame:
        self.canvas[self.low[1] : self.high[1], self.low[0] : self.high[0]] = cut.luma
        return LumaFrame(cut.time_s, self.canvas)


def read_around(
    path: Path, info: ClipInfo, marked_s: float, early: Kept, report: ReadReport | None = None
) -> tuple[list[LumaFrame], int, Generator[LumaFrame]]:
    """Begin to read at a marked moment.

    Returns:
        copies of the marked frame and of some before and after it; which of them is the marked one; the frames from
        the marked one to the film's end. Those before it have gone to `early`.

    Raises:
        InputError: no frame there.
    """
    size = info.width_px * info.height_px * early.canvas.itemsize
    span = int(np.clip((MOST_BYTES / size - 1) // 2, 3, SPAN))
    step_s = 1.0 / (info.fps or 25.0)
    since = max(0.0, marked_s - (2 * span + 0.5) * step_s)
    frames = read_ahead(luma_frames(path, since, None, report, from_key=True))
    before: deque[LumaFrame] = deque()
    after: list[LumaFrame] = []
    for frame in frames:
        if frame.time_s < marked_s - step_s / 2:
            before.append(LumaFrame(frame.time_s, frame.luma.copy()))
            if len(before) > span:
                early.extend([before.popleft()])
        else:
            after.append(LumaFrame(frame.time_s, frame.luma.copy()))
            if len(after) > span:
                break
    if not after:
        raise InputError("time_s", "no frame of the film is shown at that time", value=marked_s,
                         allowed=f"0 to {info.duration_s:.2f} s")  # fmt: skip
    early.extend(before)
    return [*before, *after], len(before), _one_after_another(deque(after), frames)


def _one_after_another(first: deque[LumaFrame], rest: Iterable[LumaFrame]) -> Generator[LumaFrame]:
    """The first frames, each let go once it was given, and then the rest."""
    while first:
        yield first.popleft()
    yield from rest


def frames_before(
    path: Path, info: ClipInfo, first_s: float, early: Kept, low: Floats, high: Floats, block_s: float = 10.0,
    cancelled: Cancelled | None = None,
) -> Generator[LumaFrame]:  # fmt: skip
    """The frames before `first_s`, latest first, whole within the box low–high; `early` holds the latest of them.

    Blocks begin at key frames, so that nothing is decoded twice, and are as long as fits, or about `block_s` where
    not all will be wanted. `cancelled` is asked for every frame read.
    """
    until = first_s
    if early.cuts and early.holds(low, high):
        until = early.since_s
        yield from early.backward()
    early.cuts.clear()
    keys = key_times(path, until) if until > 1e-4 else []
    while until > 1e-4:
        block = Kept(info, low, high, MOST_BEFORE_BYTES)
        since = max(0.0, until - min(block_s, (block.capacity - 1) / (info.fps or 30.0)))
        # where a whole stretch between key frames does not fit, some frames are decoded again
        since = next((k for k in keys if since <= k < until - 1e-4), since)
        block.extend(luma_frames(path, since, until - 1e-4, cancelled=cancelled, from_key=True))
        until = min(block.since_s, since) if len(block.cuts) < block.capacity else block.since_s
        yield from block.backward()


def give_back() -> None:
    """Free memory, which the C library (glibc) keeps in pieces, back to the system: frames leave much of it."""
    with suppress(OSError, TypeError, AttributeError):
        ctypes.CDLL(None).malloc_trim(0)
