"""One point put right by hand in one frame, and followed again from there, both ways, to where it was right already.

Only the part of the film that changes is decoded. The point keeps its old places from where the new ones agree with
them for some frames, where the new ones get lost for long, or at a frame that was put right before. All other points
stay untouched.
"""

from __future__ import annotations

from collections.abc import Callable, Generator, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np

from fitwright.errors import InputError, Stopped
from fitwright.quantity import Floats
from fitwright.vision.crew import Crew, find_start
from fitwright.vision.kept import Kept, frames_before, read_around
from fitwright.vision.snap_bank import beginnings
from fitwright.vision.tracks import STILL, Row, Tracks, as_arrays, gathered
from fitwright.vision.video import Cancelled, ClipInfo, LumaFrame, Progress, to_upright

HAND_PX = 1.0
"""Standard uncertainty of a place that was pointed at, where no disc is beneath it (our choice)."""
AGREE_PX = 1.0
AGREE_FRAMES = 5
LOST_S = 0.6
BLOCK_S = 0.4
APART_PX = 4.0
"""Two points nearer than this sit on the same marker."""
USUAL_FRAMES = 60
"""What was wrong lasts about so many frames (our guess, for telling how far it is)."""
CORRECTED = "corrected_s"
"""Entry of a point's quality: the times at which it was put right."""


def repair(
    path: Path, tracks: Tracks, name: str, time_s: float, uv_px: Floats,
    progress: Progress | None = None, cancelled: Cancelled | None = None, anew: bool = False,
) -> Tracks:  # fmt: skip
    """The tracks with one point put right.

    Args:
        path: the film. tracks: of that film. name: of the point. time_s: of the frame in which it was pointed at.
        uv_px: (2,) where it is there, SENSOR pixels; up to 5 px off a disc's centre is fine.
        progress: called with the share done, a guess that comes to 1 in the end, as nobody knows beforehand how far
            the wrong goes. cancelled: asked once per frame.
        anew: forget the point's old places, which hung from a guess, and follow it to both ends of the film; where it
            is not found it is not seen.

    Returns:
        new tracks; the last note says which frames changed, and quality[name]["corrected_s"] keeps the time.

    Raises:
        InputError: no such point, time or place. Stopped: cancelled.
    """
    i, k = _check(tracks, name, time_s, uv_px)
    here_s = float(tracks.time_s[k])
    been = np.vstack([tracks.uv_px[:, i], uv_px])
    around = 40.0
    if anew:  # what was guessed went along beside the point
        around += float(np.nan_to_num(np.hypot(*(uv_px - tracks.uv_px[k, i]))))
        tracks = _forgotten(tracks, i)
    low, high = np.nanmin(been, axis=0) - around, np.nanmax(been, axis=0) + around
    early = Kept(tracks.info, low, high)
    warm, marked, ahead = read_around(path, tracks.info, here_s, early)
    start = find_start(tracks.info, warm, marked, uv_px[None], [0] if name in STILL else ())
    if tracks.info.exposure_s is not None:  # all points told it better than one can
        start = replace(start, exposure_s=tracks.info.exposure_s)
    if anew:
        tracks = replace(tracks, kind=(*tracks.kind[:i], start.kinds[0], *tracks.kind[i + 1 :]))
    first = warm[marked]
    del warm
    old = _Old(tracks, i, k, _watched(progress, cancelled), np.inf if anew else LOST_S)
    crew = Crew(start, first)
    later = old.followed(crew, ahead)
    back = Crew(start, first)
    back.remember(*gathered(later)[:2])
    back.step(first)
    earlier = old.followed(back, frames_before(path, tracks.info, first.time_s, early, low, high, BLOCK_S))
    if not np.isfinite(later[0][1]).all():
        later = [(here_s, uv_px[None], np.full((1, 2), HAND_PX)), *later[1:]]
    if progress is not None:
        progress(1.0)
    return _with(tracks, i, [*reversed(earlier), *later], start.kinds, here_s)


def rehearse() -> None:
    """Follow one drawn disc, so that compiled loops and the bank of discs are there before a point is put right."""
    v, u = np.mgrid[:120, :160]
    away = np.hypot(u - 80, v - 60)
    luma = np.where(away < 5, 30, np.where(away < 9, 220, 90 + u // 4)).astype(np.uint8)
    frames = [LumaFrame(k / 60, luma) for k in range(8)]
    start = find_start(ClipInfo("", "", 160, 120, 60.0, 1.0, 0, 8, 0.0), frames, 2, np.array([[80.0, 60.0]]))
    beginnings(luma.astype(np.float64), np.array([80.0, 60.0]), 7.0)
    crew = Crew(start, frames[2])
    crew.remember(*gathered((f.time_s, *crew.step(f)) for f in frames[2:])[:2])


def _forgotten(tracks: Tracks, i: int) -> Tracks:
    """The tracks without any place of point i."""
    uv, u = tracks.uv_px.copy(), tracks.u_px.copy()
    uv[:, i], u[:, i] = np.nan, np.nan
    return replace(tracks, uv_px=uv, u_px=u)


Watched = Callable[[Iterator[LumaFrame]], Iterator[LumaFrame]]


def _watched(progress: Progress | None, cancelled: Cancelled | None) -> Watched:
    """Frames passed through, both ways counted together: tells how far it is, and stops when asked to."""
    done = 0

    def through(frames: Iterator[LumaFrame]) -> Iterator[LumaFrame]:
        nonlocal done
        for frame in frames:
            if cancelled is not None and cancelled():
                raise Stopped("following the point again was stopped")
            yield frame
            done += 1
            if progress is not None and done % 8 == 0:
                progress(done / (done + USUAL_FRAMES))

    return through


def _check(tracks: Tracks, name: str, time_s: float, uv_px: Floats) -> tuple[int, int]:
    """Which point and which frame is meant."""
    if name not in tracks.names:
        raise InputError("name", "is not a point of this film", value=name, allowed=", ".join(tracks.names))
    k = int(np.argmin(np.abs(tracks.time_s - time_s)))
    if abs(tracks.time_s[k] - time_s) > 1.0 / (tracks.info.fps or 25.0):
        raise InputError("time_s", "no frame of the film is shown at that time", value=time_s,
                         allowed=f"{tracks.time_s[0]:.2f} to {tracks.time_s[-1]:.2f} s")  # fmt: skip
    width, height = tracks.info.width_px, tracks.info.height_px
    if not (np.all(uv_px >= 0) and uv_px[0] <= width - 1 and uv_px[1] <= height - 1):
        raise InputError(name, "outside the picture", value=f"{uv_px[0]:g}, {uv_px[1]:g}",
                         allowed=f"0 to {width - 1} and 0 to {height - 1} px")  # fmt: skip
    return tracks.names.index(name), k


class _Old:
    """What is known already of point i when it is put right in frame k."""

    def __init__(self, tracks: Tracks, i: int, k: int, watched: Watched, lost_s: float) -> None:
        self.tracks, self.i, self.k, self.watched, self.lost_s = tracks, i, k, watched, lost_s
        by_hand = tracks.quality.get(tracks.names[i], {}).get(CORRECTED, [])
        self.by_hand = {int(np.argmin(np.abs(tracks.time_s - t))) for t in by_hand} - {k}

    def followed(self, crew: Crew, frames: Generator[LumaFrame]) -> list[Row]:
        """New rows of the one point, from the marked frame away to where the old ones hold."""
        rows: list[Row] = []
        keep, agree = 0, 0
        with closing(frames):  # no more is to be decoded than is asked for
            for frame in self.watched(frames):
                n = int(np.argmin(np.abs(self.tracks.time_s - frame.time_s)))
                if n in self.by_hand:
                    break
                uv, u = crew.step(frame)
                if n != self.k and self._on_another(n, uv[0]):
                    uv, u = np.full_like(uv, np.nan), np.full_like(u, np.nan)
                rows.append((float(self.tracks.time_s[n]), uv, u))
                seen = bool(np.isfinite(uv).all())
                agree = agree + 1 if n != self.k and seen and self._as_before(n, uv[0]) else 0
                if n == self.k or (seen and agree == 0):
                    keep = len(rows)
                if agree == AGREE_FRAMES or abs(rows[-1][0] - rows[max(keep - 1, 0)][0]) > self.lost_s:
                    break
        return rows[:keep]

    def _as_before(self, n: int, uv: Floats) -> bool:
        old, u = self.tracks.uv_px[n, self.i], self.tracks.u_px[n, self.i]
        return bool(np.hypot(*(uv - old)) < max(AGREE_PX, 4.0 * float(np.hypot(*u))))

    def _on_another(self, n: int, uv: Floats) -> bool:
        """Whether another point sits there in that frame."""
        away = np.hypot(*(self.tracks.uv_px[n] - uv).T)
        away[self.i] = np.nan
        return bool(np.any(away < APART_PX))


def _with(tracks: Tracks, i: int, rows: list[Row], kinds: tuple[str, ...], here: float) -> Tracks:
    """The tracks with the rows of point i laid into them."""
    name = tracks.names[i]
    times, places, around = as_arrays(gathered(rows), kinds, tracks.info)
    at = np.searchsorted(tracks.time_s, times - 1e-6)
    uv, u = tracks.uv_px[:, i].copy(), tracks.u_px[:, i].copy()
    uv[at], u[at] = places[:, 0], around[:, 0]
    by_hand = {*tracks.quality.get(name, {}).get(CORRECTED, []), round(here, 5)}
    pixel = to_upright(uv[int(np.searchsorted(tracks.time_s, here - 1e-6))], tracks.info)
    again = (
        "only that frame" if len(rows) == 1 else f"{len(rows)} frames, {times[0]:.2f} to {times[-1]:.2f} s,"
    )
    begun = f"{name}: put right by hand at {here:.2f} s"
    note = f"{begun} ({pixel[0]:.1f}, {pixel[1]:.1f} px); {again} followed again."
    earlier = tuple(n for n in tracks.notes if not n.startswith(begun))
    return replace(tracks, notes=earlier).with_point(i, uv, u, {CORRECTED: sorted(by_hand)}, note)
