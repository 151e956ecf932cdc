"""Named points followed through a whole clip from one marked frame, forward and backward.

Each frame is decoded once: reading begins at the key frame before the mark; the frames up to the mark are kept, cut
to where the points can go, for the way back; a short warm-up around the mark finds velocities and exposure; then the
points are followed to the end. What lies before the frames kept is read in short blocks, each decoded forward and
followed backward, so that memory does not grow with the length of the clip.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import chain
from pathlib import Path

import numpy as np

from fitwright.errors import InputError, Stopped
from fitwright.quantity import Floats
from fitwright.vision.allowed import checked
from fitwright.vision.crew import Crew, Start, find_start, not_standing, standing_spots
from fitwright.vision.kept import Kept, frames_before, give_back, read_around
from fitwright.vision.snap import Spot
from fitwright.vision.tracks import STILL, Rows, Tracks, gathered, tracks_from
from fitwright.vision.video import (
    Cancelled,
    ClipInfo,
    LumaFrame,
    Progress,
    ReadReport,
    luma_frames,
    missing_tail,
    probe,
)

__all__ = ["Tracks", "track_points"]
LOWEST_FPS = 23.0
SHORTEST_S = 0.5
TURN_S = 1.5
"""A turn of the crank at 40 rpm: after that long the points have been everywhere they go."""
AROUND = 0.35
"""The points are expected to stay within the marks' own box, widened by this share of its longer side."""


def track_points(
    path: Path,
    marked_s: float,
    points_px: Mapping[str, Floats],
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
    info: ClipInfo | None = None,
) -> Tracks:
    """Follow the points through the clip.

    Args:
        path: the film. marked_s: time of the frame in which they were marked. points_px: name → (u, v) in SENSOR
            pixels; up to 5 px off a disc's centre is fine.
        progress, cancelled: see `luma_frames`. info: what `probe` told of the film, where that was asked before.

    Raises:
        InputError: unreadable, too short, or too few frames per second. Stopped: cancelled.
    """
    info = probe(path) if info is None else info
    _check_clip(info)
    report, names = ReadReport(), tuple(points_px)
    picks = np.array([points_px[n] for n in names], dtype=np.float64).reshape(len(names), 2)
    still = [i for i, n in enumerate(names) if n in STILL]
    done = _Done(info.duration_s, progress, cancelled)
    rows, start = _followed(path, info, marked_s, picks, still, report, done)
    give_back()
    if progress is not None:
        progress(1.0)
    info = replace(info, exposure_s=start.exposure_s)
    return checked(tracks_from(rows, names, start.kinds, info, [missing_tail(info, report)]))


def _followed(
    path: Path, info: ClipInfo, marked_s: float, picks: Floats, still: list[int], report: ReadReport, done: _Done
) -> tuple[Rows, Start]:  # fmt: skip
    """The points of every frame, in order, and how it began; no frame is held any more when this is told."""
    widened = AROUND * np.max(np.ptp(picks, axis=0))
    early = Kept(info, picks.min(axis=0) - widened, picks.max(axis=0) + widened)
    warm, marked, ahead = read_around(path, info, marked_s, early, report)
    start = find_start(
        info, warm, marked, picks, still, _covered(path, info, warm, marked, picks, still, early)
    )
    first = warm[marked]
    del warm
    give_back()
    crew = Crew(start, first)
    after = gathered((f.time_s, *crew.step(f)) for f in done.watched(ahead, first.time_s))
    back = Crew(start, first)
    back.remember(*after[:2])
    behind = frames_before(
        path, info, first.time_s, early, *_visited(after, start, info), cancelled=done.stopped
    )
    backward = chain([first], done.watched(behind, first.time_s))
    before = gathered((f.time_s, *back.step(f)) for f in backward)
    times, uv, u = (np.concatenate([b[:0:-1], a]) for b, a in zip(before, after, strict=True))
    return (times, uv, u), start


def _covered(
    path: Path, info: ClipInfo, warm: list[LumaFrame], marked: int, picks: Floats, still: list[int], early: Kept
) -> dict[int, Spot]:  # fmt: skip
    """Discs of points that do not move, which a leg hides in the marked frame: what lies over them then goes away
    with the leg, and would be followed in their stead. Frames at hand are looked at before others are decoded."""
    hidden = [still[k] for k in not_standing(info, warm, marked, picks[still])]
    if not hidden:
        return {}
    at_s = warm[marked].time_s
    others = luma_frames(path, max(0.0, at_s - TURN_S / 2), at_s + TURN_S / 2)
    return standing_spots(info, chain(early.forward(), warm[marked:], others), picks, hidden)


class _Done:
    """How much of the film is done: tells it, and stops when asked to."""

    def __init__(self, whole_s: float, progress: Progress | None, cancelled: Cancelled | None) -> None:
        self.whole_s, self.progress, self.cancelled = whole_s, progress, cancelled
        self.frames, self.done_s = 0, 0.0

    def watched(self, frames: Iterable[LumaFrame], from_s: float) -> Iterator[LumaFrame]:
        """The same frames, which lead away from `from_s`."""
        before_s = self.done_s
        for frame in frames:
            if self.stopped():
                raise Stopped("following the points was stopped")
            yield frame
            self.done_s = before_s + abs(frame.time_s - from_s)

    def stopped(self) -> bool:
        """Asked for every frame that is read or followed; tells from time to time, which may stop it too."""
        self.frames += 1
        if self.progress is not None and self.frames % 16 == 0 and self.whole_s > 0:
            self.progress(min(1.0, self.done_s / self.whole_s))
        return self.cancelled is not None and self.cancelled()


def _check_clip(info: ClipInfo) -> None:
    if info.interlaced:
        raise InputError("video", "is interlaced: each picture holds two moments in alternate rows",
                         allowed="progressive film", hint="set the camera to 60p (or 50p), not 60i")  # fmt: skip
    if info.fps and info.fps < LOWEST_FPS:
        raise InputError("video", "too few frames per second to follow a pedalling foot", value=round(info.fps, 2),
                         allowed="24 and more, better 60", hint="set the camera to 60 frames per second")  # fmt: skip
    if 0 < info.duration_s < SHORTEST_S:
        raise InputError("video", "too short", value=f"{info.duration_s:.2f} s", allowed=f"{SHORTEST_S} s and more",
                         hint="film for half a minute")  # fmt: skip


def _visited(rows: Rows, start: Start, info: ClipInfo) -> tuple[Floats, Floats]:
    """(2,) corners of the part of the picture in which the points were seen, with a quarter more on every side; of
    the whole picture when not even a turn was."""
    times, seen, _ = rows
    if abs(times[-1] - times[0]) < TURN_S:
        return np.zeros(2), np.array([info.width_px, info.height_px], dtype=np.float64)
    uv = np.concatenate([start.picks[None], seen])
    low, high = np.nanmin(uv, axis=(0, 1)), np.nanmax(uv, axis=(0, 1))
    room = 0.25 * np.nanmax(np.nanmax(uv, axis=0) - np.nanmin(uv, axis=0))
    return low - room, high + room
