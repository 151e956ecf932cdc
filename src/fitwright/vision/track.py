"""Named points followed through a whole clip from one marked frame, forward and backward.

Strategy: a short warm-up after the marked frame finds velocities and the exposure time (from how long fast markers
are smeared); then one decoding pass runs from the marked frame to the end. When the marked frame is not the first,
the part before it is read in short blocks, each decoded forward into small cut-outs and followed backward, so that
memory does not grow with the length of the clip.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError, Stopped
from fitwright.quantity import Floats
from fitwright.vision.follow import DiscFollower
from fitwright.vision.past import MEMORY_S
from fitwright.vision.snap import Spot, find_spot
from fitwright.vision.start import DEFAULT_EXPOSURE_S, SPAN, first_motion
from fitwright.vision.texture import PatchFollower
from fitwright.vision.video import (
    Cancelled,
    ClipInfo,
    Luma,
    LumaFrame,
    Progress,
    ReadReport,
    luma_frames,
    missing_tail,
    probe,
    read_ahead,
    to_upright,
)  # fmt: skip

LOWEST_FPS = 23.0
SHORTEST_S = 0.5
FASTEST_WIDTHS_PER_S = 0.75
"""No marked point crosses the picture faster (a pedal at 120 rpm in a picture 2 m wide needs about 1.1 m/s·m⁻¹)."""
LEAST_RANGE = 12.0
LEAST_SHARE = 0.3
"""Share of frames in which a point that gives scale and crank angle must be seen (our choice)."""
STILL = ("bottom_bracket",)
"""Points that do not move with the rider: the leg passes over them, and nothing is lost by it."""
TURN_S = 1.5
"""A turn of the crank at 40 rpm: after that long the points have been everywhere they go."""
WARM_UP_BYTES = 48e6
BLOCK_BYTES = 64e6


@dataclass(frozen=True)
class Tracks:
    """Where each named point was seen in each frame.

    Attributes:
        names: (P,). time_s: (T,) presentation time stamps. uv_px: (T, P, 2) SENSOR pixels, NaN where not seen.
        u_px: (T, P, 2) standard uncertainty. kind: (P,) "disc" or "texture". info: the clip, with the estimated
        exposure. quality: per point "seen" (share of frames), "gaps", "longest_gap_s", "residual_grey", "u_px".
        notes: what is weak, in words.
    """

    names: tuple[str, ...]
    time_s: Floats
    uv_px: Floats
    u_px: Floats
    kind: tuple[str, ...]
    info: ClipInfo
    quality: Mapping[str, Mapping[str, Any]]
    notes: tuple[str, ...] = ()

    @property
    def upright_px(self) -> Floats:
        """(T, P, 2) in pixels of the upright picture."""
        return to_upright(self.uv_px, self.info)

    def require(self, name: str) -> None:
        """Refuse to go on when a point that all else hangs from was hardly followed.

        Raises:
            InputError: with what to do.
        """
        seen = int(np.isfinite(self.uv_px[:, self.names.index(name), 0]).sum())
        if seen < LEAST_SHARE * len(self.time_s):
            raise InputError(
                name, f"was followed in {seen} of {len(self.time_s)} frames", allowed=f"{LEAST_SHARE:.0%} and more",
                hint="mark it again in a frame where it is plainly seen, or use a larger disc",
            )  # fmt: skip

    def to_json(self) -> dict[str, Any]:
        """Compact: per point lists of upright pixels to 0.01 px, null where not seen."""

        def pack(x: Floats) -> list[float | None]:
            return [round(float(v), 2) if math.isfinite(v) else None for v in x]

        uv = self.upright_px
        return {
            "time_s": [round(float(t), 5) for t in self.time_s],
            "points": {
                name: {"u": pack(uv[:, i, 0]), "v": pack(uv[:, i, 1]),
                       "u_px": pack(np.hypot(self.u_px[:, i, 0], self.u_px[:, i, 1]) / math.sqrt(2))}
                for i, name in enumerate(self.names)
            },
            "kind": dict(zip(self.names, self.kind, strict=True)),
            "quality": {k: dict(v) for k, v in self.quality.items()}, "clip": self.info.to_json(),
        }  # fmt: skip


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
    warm, marked = _warm_up_frames(path, info, marked_s)
    names = tuple(points_px)
    picks = np.array([points_px[n] for n in names], dtype=np.float64).reshape(len(names), 2)
    start = _start(info, warm, marked, picks)
    info = replace(info, exposure_s=start.exposure_s)
    rows: list[tuple[float, Floats, Floats]] = []
    first = warm[marked]
    first_s = first.time_s
    del warm
    before = max(first_s, 0.0) / max(info.duration_s, first_s, 1e-6)
    follower = _Crew(start, first)
    for frame in read_ahead(luma_frames(path, first_s, None, report)):
        _stop_if(cancelled)
        rows.append((frame.time_s, *follower.step(frame)))
        if progress is not None and len(rows) % 16 == 0 and info.duration_s > first_s:
            share = min(1.0, (frame.time_s - first_s) / (info.duration_s - first_s))
            progress(before + (1 - before) * share)
    ahead = _backward(path, info, start, first, rows, cancelled)
    rows = [*reversed(list(ahead)), *rows]
    if progress is not None:
        progress(1.0)
    return _finished(names, rows, start, info, report)


def _stop_if(cancelled: Cancelled | None) -> None:
    if cancelled is not None and cancelled():
        raise Stopped("following the points was stopped")


def _check_clip(info: ClipInfo) -> None:
    if info.fps and info.fps < LOWEST_FPS:
        raise InputError("video", "too few frames per second to follow a pedalling foot", value=round(info.fps, 2),
                         allowed="24 and more, better 60", hint="set the camera to 60 frames per second")  # fmt: skip
    if 0 < info.duration_s < SHORTEST_S:
        raise InputError("video", "too short", value=f"{info.duration_s:.2f} s", allowed=f"{SHORTEST_S} s and more",
                         hint="film for half a minute")  # fmt: skip


def _warm_up_frames(path: Path, info: ClipInfo, marked_s: float) -> tuple[list[LumaFrame], int]:
    """Copies of the marked frame and of some before and after it, and which of them is the marked one."""
    size = info.width_px * info.height_px * (2 if info.bits > 8 else 1)
    span = int(np.clip((WARM_UP_BYTES / size - 1) // 2, 3, SPAN))
    step = 1.0 / info.fps if info.fps else 0.04
    kept: list[LumaFrame] = []
    for frame in luma_frames(path, max(0.0, marked_s - (2 * span + 0.5) * step)):
        kept.append(LumaFrame(frame.time_s, frame.luma.copy()))
        before = sum(f.time_s < marked_s - step / 2 for f in kept)
        kept = kept[max(0, before - span) :]
        if len(kept) - min(before, span) > span:
            break
    marked = next((k for k, f in enumerate(kept) if f.time_s >= marked_s - step / 2), None)
    if marked is None:
        raise InputError("time_s", "no frame of the film is shown at that time", value=marked_s,
                         allowed=f"0 to {info.duration_s:.2f} s")  # fmt: skip
    return kept, marked


@dataclass(frozen=True)
class _Start:
    """What the warm-up found: disc markers and their velocities (None = not known), points without a disc, exposure,
    scale of time."""

    discs: NDArray[np.intp]
    spots: list[Spot]
    velocity: Floats | None
    bend: Floats | None
    plain: NDArray[np.intp]
    picks: Floats
    exposure_s: float
    step_s: float
    white: float
    reach_px_per_s: float


def _start(info: ClipInfo, warm: list[LumaFrame], marked: int, picks: Floats) -> _Start:
    """Recognise discs under the picks and learn exposure and velocities from the frames around the marked one."""
    white = float((1 << info.bits) - 1)
    luma = warm[marked].luma
    _check_light(luma, white)
    found = [_spot_at(luma, p, white) for p in picks]
    discs = np.array([i for i, s in enumerate(found) if s is not None], dtype=np.intp)
    plain = np.array([i for i, s in enumerate(found) if s is None], dtype=np.intp)
    spots = [s for s in found if s is not None]
    step_s = 1.0 / info.fps if info.fps else 1 / 30
    reach = FASTEST_WIDTHS_PER_S * max(info.width_px, info.height_px)
    if not spots:
        return _Start(discs, spots, None, None, plain, picks, DEFAULT_EXPOSURE_S, step_s, white, reach)
    motion = first_motion(warm, marked, spots, step_s, white, reach)
    return _Start(
        discs, spots, motion.velocity, motion.bend, plain, picks, motion.exposure_s, step_s, white, reach
    )


def _check_light(luma: Luma, white: float) -> None:
    """Refuse a picture in which there is nothing to see."""
    dark, bright = np.percentile(luma[::8, ::8], [2, 98]) * (255.0 / white)
    if bright - dark < LEAST_RANGE:
        raise InputError("video", "the picture is all dark or without contrast where the points are marked",
                         value=f"{bright - dark:.0f} grey levels", allowed=f"{LEAST_RANGE:.0f} of 255 and more",
                         hint="film with more light, the lens uncovered")  # fmt: skip


def _spot_at(luma: Luma, pick: Floats, white: float) -> Spot | None:
    """The disc under a pick, in the picture's own pixels."""
    reach = 60
    low = np.maximum(np.floor(pick).astype(int) - reach, 0)
    window = luma[low[1] : low[1] + 2 * reach + 1, low[0] : low[0] + 2 * reach + 1].astype(np.float64)
    spot = find_spot(window * (255.0 / white), pick - low)
    return None if spot is None else replace(spot, uv_px=spot.uv_px + low)


Row = tuple[float, Floats, Floats]
"""Time, places (P, 2) and their standard uncertainties (P, 2) of one frame."""


class _Crew:
    """Disc follower and patch followers of one direction, joined to rows of all points."""

    def __init__(self, start: _Start, first: LumaFrame) -> None:
        self.start, self.first_s = start, first.time_s
        self.discs = DiscFollower(
            start.spots, first.time_s, start.exposure_s, start.velocity, start.step_s, start.white,
            start.reach_px_per_s, start.bend,
        ) if start.spots else None  # fmt: skip
        self.patches = [
            PatchFollower(first.luma, start.picks[i], first.time_s, start.reach_px_per_s) for i in start.plain
        ]

    def step(self, frame: LumaFrame) -> tuple[Floats, Floats]:
        """(P, 2) places and uncertainties of all points in one frame."""
        p = len(self.start.picks)
        uv, u = np.full((p, 2), np.nan), np.full((p, 2), np.nan)
        if self.discs is not None:
            if frame.time_s == self.first_s:
                uv[self.start.discs], u[self.start.discs] = self._first(frame)
            else:
                uv[self.start.discs], u[self.start.discs] = self.discs.step(frame.time_s, frame.luma)
        for patch, i in zip(self.patches, self.start.plain, strict=True):
            uv[i], u[i] = (
                (patch.uv.copy(), np.full(2, 1.0)) if frame.time_s == self.first_s
                else patch.step(frame.time_s, frame.luma)
            )  # fmt: skip
        return uv, u

    def remember(self, rows: list[Row]) -> None:
        """Learn the paths of the turn after the marked frame, for the way back."""
        if self.discs is not None:
            turn = [r for r in rows if r[0] < self.first_s + MEMORY_S]
            for k, i in enumerate(self.start.discs):
                self.discs.remember(k, [(t, uv[i]) for t, uv, _ in reversed(turn) if np.isfinite(uv[i, 0])])

    def _first(self, frame: LumaFrame) -> tuple[Floats, Floats]:
        """The marked frame itself, fitted again now that velocity and exposure are known."""
        assert self.discs is not None
        index = np.arange(len(self.start.spots))
        fit = self.discs.fit_at(frame.luma, index, self.discs.places[:, 0], self.discs.hint)
        near = np.hypot(*(fit.uv_px - self.discs.places[:, 0]).T) < 3.0
        self.discs.places[near, 0] = fit.uv_px[near]
        u = np.sqrt(np.diagonal(fit.covariance, axis1=1, axis2=2))
        return np.where(near[:, None], fit.uv_px, np.nan), np.where(near[:, None], u, np.nan)


def _boxes(rows: list[Row], start: _Start, info: ClipInfo) -> NDArray[np.intp]:
    """(B, 4) left, top, right, bottom of the parts of the picture that the points visit, with room to spare, px.

    One box per point, or the whole picture when that is smaller or when not even a turn has been seen.
    """
    whole = np.array([[0, 0, info.width_px, info.height_px]], dtype=np.intp)
    if abs(rows[-1][0] - rows[0][0]) < TURN_S:
        return whole
    uv = np.stack([r[1] for r in rows])
    low = np.nanmin(np.where(np.isfinite(uv), uv, start.picks), axis=0)
    high = np.nanmax(np.where(np.isfinite(uv), uv, start.picks), axis=0)
    room = 70.0 + 0.25 * np.max(high - low, axis=1, keepdims=True)
    boxes = np.concatenate([np.floor(low - room), np.ceil(high + room)], axis=1).astype(np.intp)
    boxes = np.clip(boxes, 0, [info.width_px, info.height_px] * 2)
    return boxes if _area(boxes) < _area(whole) else whole


def _area(boxes: NDArray[np.intp]) -> int:
    return int(np.sum((boxes[:, 2] - boxes[:, 0]) * (boxes[:, 3] - boxes[:, 1])))


def _backward(
    path: Path,
    info: ClipInfo,
    start: _Start,
    first: LumaFrame,
    rows: list[Row],
    cancelled: Cancelled | None,
) -> Iterator[Row]:
    """Rows before the marked frame, latest first; `rows` from it on tell where the points go."""
    boxes = _boxes(rows, start, info)
    crew = _Crew(start, first)
    crew.remember(rows)
    crew.step(first)
    shape = (info.height_px, info.width_px)
    per_frame = max(1, _area(boxes)) * (2 if info.bits > 8 else 1)
    block_s = max(4, int(BLOCK_BYTES / per_frame)) * start.step_s
    canvas = np.zeros(shape, np.uint16 if info.bits > 8 else np.uint8)
    until = first.time_s - 1e-4
    while until > 0:
        since = max(0.0, until - block_s)
        kept = [
            (f.time_s, [f.luma[t:b, lft:r].copy() for lft, t, r, b in boxes])
            for f in luma_frames(path, since, until)
        ] if until > 0 else []  # fmt: skip
        for time_s, cuts in reversed(kept):
            _stop_if(cancelled)
            for (lft, t, r, b), cut in zip(boxes, cuts, strict=True):
                canvas[t:b, lft:r] = cut
            yield (time_s, *crew.step(LumaFrame(time_s, canvas)))
        until = since - 1e-4 if since > 0 else -1.0


def _finished(
    names: tuple[str, ...], rows: list[Row], start: _Start, info: ClipInfo, report: ReadReport
) -> Tracks:
    """Rows to arrays: mid-exposure correction, uncertainty floor, quality per point."""
    if len(rows) < 8:
        raise InputError(
            "video", "too short to follow anything", value=f"{len(rows)} frames", allowed="8 and more"
        )
    times = np.array([r[0] for r in rows])
    uv, u = np.stack([r[1] for r in rows]), np.stack([r[2] for r in rows])
    uv = uv - _bend(times, uv) * (info.exposure_s or 0.0) ** 2 / 24
    discs = np.zeros(len(names), dtype=bool)
    discs[start.discs] = True
    floor = compression_floor_px(info)
    u = np.where(discs[None, :, None], np.hypot(u, floor), u)
    kinds = tuple("disc" if d else "texture" for d in discs)
    quality = {n: _quality(times, uv[:, i], u[:, i], kinds[i]) for i, n in enumerate(names)}
    notes = [missing_tail(info, report)]
    notes += [f"{n}: no contrast disc under the mark; the cloth or skin around it was followed, less surely."
              for n, k in zip(names, kinds, strict=True) if k == "texture"]  # fmt: skip
    notes += [f"{n}: seen in only {q['seen']:.0%} of the frames (longest gap {q['longest_gap_s']:.2f} s)."
              for n, q in quality.items() if q["seen"] < 0.9 and n not in STILL]  # fmt: skip
    if info.exposure_s and info.exposure_s > 1 / 220:
        notes.append(f"The exposure is about 1/{1 / info.exposure_s:.0f} s: fast points are smeared. "
                     "More light, or a shorter exposure (1/500 s), would make them sharper.")  # fmt: skip
    return Tracks(names, times, uv, u, kinds, info, quality, tuple(n for n in notes if n))


def compression_floor_px(info: ClipInfo) -> float:
    """Position error that lossy compression leaves on a contrast disc, px per axis.

    Interpolated between measurements on simulated films of 1080p60 (0.03 px at 0.14 bit per pixel, 0.06 px at 0.04);
    0.05 px when the rate is unknown.
    """
    rate = info.bits_per_pixel
    return 0.05 if not math.isfinite(rate) else float(np.clip(0.012 / math.sqrt(rate), 0.015, 0.2))


def _bend(times: Floats, uv: Floats) -> Floats:
    """(T, P, 2) acceleration, px/s², by central differences; 0 at ends and gaps."""
    out = np.zeros_like(uv)
    before, after = np.diff(times)[:-1], np.diff(times)[1:]
    slope = np.diff(uv, axis=0) / np.diff(times)[:, None, None]
    out[1:-1] = np.nan_to_num(np.diff(slope, axis=0) / (0.5 * (before + after))[:, None, None])
    return out


def _quality(times: Floats, uv: Floats, u: Floats, kind: str) -> dict[str, Any]:
    seen = np.isfinite(uv[:, 0])
    edges = np.flatnonzero(np.diff(np.concatenate([[1], seen.astype(int), [1]])))
    gaps = [
        (times[min(b, len(times) - 1)] - times[max(a - 1, 0)])
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]
    mean_u = float(np.sqrt(np.nanmean(u**2))) if seen.any() else math.nan
    return {
        "kind": kind, "seen": float(seen.mean()), "gaps": len(gaps),
        "longest_gap_s": round(float(max(gaps, default=0.0)), 4), "u_px": round(mean_u, 4),
    }  # fmt: skip
