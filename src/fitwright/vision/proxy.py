"""A light copy of a film, upright and small, that any browser plays and that can be stepped frame by frame.

One frame of the copy stands for one frame of the film, at the film's own time: the copy's presentation times are
the true ones less the first, so that a variable frame rate stays what it was. A whole picture comes every few frames
and none waits for a later one, which makes every seek short and exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from fitwright.vision.video import Cancelled, Progress, ReadReport, luma_of, pictures, probe

LONGEST_PX = 960
WHOLE_EVERY = 6
"""Frames from one whole picture to the next: a seek decodes at most so many."""
CLOCK = 90_000
LOOKED_AT_S = 0.5
BURNT = 0.98
"""Share of the brightest level from which a pixel holds no picture any more (our choice)."""
OPTIONS = {
    "preset": "ultrafast", "profile": "baseline", "crf": "24", "g": str(WHOLE_EVERY), "bf": "0",
    "tune": "fastdecode",
}  # fmt: skip


@dataclass(frozen=True)
class FrameTable:
    """The copy's frames in order: true time of each (s), size of the copy and of the upright film (px), mean share
    of the film's pixels that are burnt out."""

    time_s: tuple[float, ...]
    size_px: tuple[int, int]
    film_px: tuple[int, int]
    burnt: float

    def to_json(self) -> dict[str, Any]:
        """Plain data, times to 1e-6 s."""
        return {
            "time_s": [round(t, 6) for t in self.time_s], "size_px": list(self.size_px),
            "film_px": list(self.film_px), "burnt": round(self.burnt, 4),
        }  # fmt: skip

    @staticmethod
    def from_json(data: dict[str, Any]) -> FrameTable:
        """The inverse of `to_json`."""
        w, h = data["size_px"]
        fw, fh = data["film_px"]
        return FrameTable(tuple(data["time_s"]), (w, h), (fw, fh), data["burnt"])


def write_proxy(
    path: Path, target: Path, progress: Progress | None = None, cancelled: Cancelled | None = None
) -> FrameTable:
    """Write the copy of the film `path` as MP4 (H.264, baseline) to `target`.

    Raises:
        InputError: the film cannot be read. Stopped: cancelled; `target` is then not whole.
    """
    info = probe(path)
    turns = info.rotation_deg // 90
    shrink = min(1.0, LONGEST_PX / max(info.width_px, info.height_px))
    width, height = (max(2, round(side * shrink / 2) * 2) for side in (info.width_px, info.height_px))
    upright = (height, width) if turns % 2 else (width, height)
    light = _Light()
    with av.open(str(target), "w", format="mp4", options={"movflags": "+faststart"}) as file:
        stream: Any = file.add_stream("libx264", rate=max(1, round(info.fps or 30)))
        stream.width, stream.height = upright
        stream.pix_fmt, stream.options = "yuv420p", dict(OPTIONS)
        stream.codec_context.time_base = Fraction(1, CLOCK)
        times: list[float] = []
        stamp = -1
        for time_s, frame in pictures(path, report=ReadReport(), progress=progress, cancelled=cancelled):
            light.look(time_s, frame)
            small = _upright(frame.reformat(width=width, height=height, format="yuv420p"), turns)
            times.append(time_s)
            stamp = max(stamp + 1, round((time_s - times[0]) * CLOCK))
            small.pts, small.time_base = stamp, Fraction(1, CLOCK)
            file.mux(stream.encode(small))
        file.mux(stream.encode(None))
    return FrameTable(tuple(times), upright, info.upright_size_px, light.burnt)


def _upright(frame: Any, turns: int) -> Any:
    """A 4:2:0 frame turned clockwise by so many quarter turns; its size is even."""
    if turns == 0:
        return frame
    w, h = frame.width, frame.height
    flat = frame.to_ndarray(format="yuv420p").reshape(-1)
    luma, rest = flat[: w * h].reshape(h, w), flat[w * h :].reshape(2, h // 2, w // 2)
    turned: list[NDArray[np.uint8]] = [np.rot90(plane, -turns) for plane in (luma, *rest)]
    across = turned[0].shape[1]
    packed = np.concatenate([plane.reshape(-1) for plane in turned]).reshape(-1, across)
    return av.VideoFrame.from_ndarray(np.ascontiguousarray(packed), format="yuv420p")


@dataclass
class _Light:
    """Looks at the light twice a second."""

    shares: list[float] = field(default_factory=list)
    next_s: float = -1.0

    def look(self, time_s: float, frame: Any) -> None:
        """Count the burnt-out pixels of this frame when it is time for it."""
        if time_s < self.next_s:
            return
        self.next_s = time_s + LOOKED_AT_S
        self.shares.append(burnt_share(frame))

    @property
    def burnt(self) -> float:
        """Mean share of burnt-out pixels."""
        return float(np.mean(self.shares)) if self.shares else 0.0


def burnt_share(frame: Any) -> float:
    """Share of a decoded frame's pixels that are burnt out to white."""
    luma = luma_of(frame)[::4, ::4]
    deep = 1 << (frame.format.components[0].bits - 8)
    white = (255 if frame.color_range == 2 else 235) * deep  # unless it says otherwise, 16 to 235 is meant
    return float(np.mean(luma >= BURNT * white))
