"""Named points followed through a whole clip from one marked frame, forward and backward.

Each frame is decoded once: reading begins at the key frame before the mark; the frames up to the mark are kept, cut
to where the points can go, for the way back; a short warm-up around the mark finds velocities and exposure; then the
points are followed to the end. What lies before the frames kept is read in short blocks, each decoded forward and
followed backward, so that memory does not grow with the length of the clip.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import chain
from pathlib import Path

import numpy as np

from fitwright.errors import InputError, Stopped
from fitwright.quantity import Floats
from fitwright.vision.crew import Crew, Start, find_start
from fitwright.vision.kept import Kept
from fitwright.vision.start import SPAN
from fitwright.vision.tracks import Row, Tracks, tracks_from
from fitwright.vision.video import (
    Cancelled,
    ClipInfo,
    LumaFrame,
    Progress,
    ReadReport,
    luma_frames,
    missing_tail,
    probe,
    read_ahead,
)  # fmt: skip

__all__ = ["Tracks", "track_points"]
LOWEST_FPS = 23.0
SHORTEST_S = 0.5
TURN_S = 1.5
"""A turn of the crank at 40 rpm: after that long the points have been everywhere they go."""
WARM_UP_BYTES = 48e6
AROUND = 0.35
"""The points are expected to stay within the marks' own box, widened by this share of its longer side."""


def track_points(
    path: Path,
    marked_s: float,
    points_px: Mapping[str, Floats],
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
) -> Tracks:
    """Follow the points through the clip.

    Args:
        path: the film. marked_s: time of the frame in which they were marked. points_px: name → (u, v) in SENSOR
            pixels; up to 5 px off a disc's centre is fine.
        progress, cancelled: see `luma_frames`.

    Raises:
        InputError: unreadable, too short, or too few frames per second. Stopped: cancelled.
    """
    info = probe(path)
    _check_clip(info)
    report = ReadReport()
    names = tuple(points_px)
    picks = np.array([points_px[n] for n in names], dtype=np.float64).reshape(len(names), 2)
    span = _span(info)
    since = max(0.0, marked_s - (2 * span + 0.5) / (info.fps or 25.0))
    frames = read_ahead(luma_frames(path, since, None, report, from_key=True))
    widened = AROUND * np.max(np.ptp(picks, axis=0))
    early = Kept(info, picks.min(axis=0) - widened, picks.max(axis=0) + widened)
    warm, marked = _around_mark(frames, early, marked_s, span, info)
    start = find_start(info, warm, marked, picks)
    info = replace(info, exposure_s=start.exposure_s)
    first = warm[marked]
    early.extend(warm[:marked])
    ahead = chain(warm[marked:], frames)
    del warm
    done = _Done(info.duration_s, progress, cancelled)
    crew = Crew(start, first)
    rows = [(f.time_s, *crew.step(f)) for f in done.watched(ahead, first.time_s)]
    back = Crew(start, first)
    back.remember(rows)
    back.step(first)
    before = done.watched(_before(path, info, start, first, early, rows), first.time_s)
    rows = [*reversed([(f.time_s, *back.step(f)) for f in before]), *rows]
    if progress is not None:
        progress(1.0)
    return tracks_from(rows, names, start.kinds, info, [missing_tail(info, report)])


class _Done:
    """How much of the film is done: tells it, and stops when asked to."""

    def __init__(self, whole_s: float, progress: Progress | None, cancelled: Cancelled | None) -> None:
        self.whole_s, self.progress, self.cancelled = whole_s, progress, cancelled
        self.frames, self.done_s = 0, 0.0

    def watched(self, frames: Iterable[LumaFrame], from_s: float) -> Iterator[LumaFrame]:
        """The same frames, which lead away from `from_s`."""
        before_s = self.done_s
        for frame in frames:
            if self.cancelled is not None and self.cancelled():
                raise Stopped("following the points was stopped")
            yield frame
            self.done_s = before_s + abs(frame.time_s - from_s)
            self.frames += 1
            if self.progress is not None and self.frames % 16 == 0 and self.whole_s > 0:
                self.progress(min(1.0, self.done_s / self.whole_s))


def _check_clip(info: ClipInfo) -> None:
    if info.fps and info.fps < LOWEST_FPS:
        raise InputError("video", "too few frames per second to follow a pedalling foot", value=round(info.fps, 2),
                         allowed="24 and more, better 60", hint="set the camera to 60 frames per second")  # fmt: skip
    if 0 < info.duration_s < SHORTEST_S:
        raise InputError("video", "too short", value=f"{info.duration_s:.2f} s", allowed=f"{SHORTEST_S} s and more",
                         hint="film for half a minute")  # fmt: skip


def _span(info: ClipInfo) -> int:
    """Frames on each side of the mark that the warm-up may keep whole."""
    size = info.width_px * info.height_px * (2 if info.bits > 8 else 1)
    return int(np.clip((WARM_UP_BYTES / size - 1) // 2, 3, SPAN))


def _around_mark(
    frames: Iterator[LumaFrame], early: Kept, marked_s: float, span: int, info: ClipInfo
) -> tuple[list[LumaFrame], int]:
    """Copies of the marked frame and of some before and after it, and which of them is the marked one; what lies
    before them goes to `early`."""
    half_s = 0.5 / info.fps if info.fps else 0.02
    before: deque[LumaFrame] = deque()
    after: list[LumaFrame] = []
    for frame in frames:
        if frame.time_s < marked_s - half_s:
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
    return [*before, *after], len(before)


def _visited(rows: list[Row], start: Start) -> tuple[Floats, Floats]:
    """(2,) corners of the part of the picture in which the points were seen, with a quarter more on every side."""
    uv = np.concatenate([start.picks[None], np.stack([r[1] for r in rows])])
    low, high = np.nanmin(uv, axis=(0, 1)), np.nanmax(uv, axis=(0, 1))
    room = 0.25 * np.nanmax(np.nanmax(uv, axis=0) - np.nanmin(uv, axis=0))
    return low - room, high + room


def _before(
    path: Path, info: ClipInfo, start: Start, first: LumaFrame, early: Kept, rows: list[Row]
) -> Iterator[LumaFrame]:
    """The frames before the marked one, latest first; `rows` from it on tell where the points go."""
    low, high = np.zeros(2), np.array([info.width_px, info.height_px], dtype=np.float64)
    if abs(rows[-1][0] - rows[0][0]) > TURN_S:
        low, high = _visited(rows, start)
    until = first.time_s
    if early.holds(low, high):
        until = min(until, early.since_s)
        yield from early.backward()
    early.cuts.clear()
    while until > 1e-4:
        block = Kept(info, low, high)
        since = max(0.0, until - (block.capacity - 1) * start.step_s)
        block.extend(luma_frames(path, since, until - 1e-4))
        until = min(since, block.since_s)
        yield from block.backward()
