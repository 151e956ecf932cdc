"""Reading film: luma planes with true time stamps, one after another, in flat memory.

A frame's brightness is used as the camera coded it: the luma plane is mapped without a copy and without a colour
conversion, and each frame carries its own presentation time stamp, because telephones film with a variable frame
rate. Nothing is rotated here: `ClipInfo.rotation_deg` says how, and `to_upright`/`to_sensor` convert coordinates.
"""

from __future__ import annotations

import math
import os
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from queue import Full, Queue
from threading import Event, Thread
from typing import Any

import av
import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError, Stopped
from fitwright.given import check_file
from fitwright.quantity import Floats

Luma = NDArray[np.uint8] | NDArray[np.uint16]
Progress = Callable[[float], None]
Cancelled = Callable[[], bool]

PICTURE_FORMATS = ("image2", "_pipe", "gif", "webp")
LARGEST_SIDE_PX = 8192
PROBED_PACKETS = 30
LONGEST_HOLE_S = 0.15
"""Telephones leave frames out, but not for so long."""
AT_ONCE, AT_ONCE_BYTES, MOST_THREADS = 6, 24e6, 16
"""A decoder at work on so many frames keeps two processors busy though each waits for the one before it: a tenth
faster than with one more than there are processors."""


@dataclass(frozen=True)
class ClipInfo:
    """What is known about a clip before it is analysed.

    Attributes:
        name: the file's name. codec: e.g. "h264". width_px, height_px: size of the stored (sensor) picture.
        fps: mean frame rate. duration_s: as the file states it. rotation_deg: clockwise turn (0, 90, 180, 270)
            that makes the stored picture upright. bits: bit depth of the luma plane. bit_rate: of the video, bit/s,
            0 when not stated. exposure_s: the format does not tell, so None until it has been estimated.
        interlaced: each picture holds two moments, in alternate rows. camera: make and model as the file states them,
            or "".
    """

    name: str
    codec: str
    width_px: int
    height_px: int
    fps: float
    duration_s: float
    rotation_deg: int
    bits: int
    bit_rate: float
    exposure_s: float | None = None
    interlaced: bool = False
    camera: str = ""

    @property
    def upright_size_px(self) -> tuple[int, int]:
        """Width and height of the picture as a person sees it."""
        turned = self.rotation_deg in (90, 270)
        return (self.height_px, self.width_px) if turned else (self.width_px, self.height_px)

    @property
    def bits_per_pixel(self) -> float:
        """Compressed bits per pixel; NaN when the file does not say."""
        pixels = self.width_px * self.height_px * self.fps
        return self.bit_rate / pixels if self.bit_rate > 0 and pixels > 0 else math.nan

    def to_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "name": self.name, "codec": self.codec, "width_px": self.width_px, "height_px": self.height_px,
            "fps": self.fps, "duration_s": self.duration_s, "rotation_deg": self.rotation_deg, "bits": self.bits,
            "bit_rate": self.bit_rate, "exposure_s": self.exposure_s, "interlaced": self.interlaced,
            "camera": self.camera,
        }  # fmt: skip


@dataclass(frozen=True)
class LumaFrame:
    """One frame: `time_s` its presentation time, `luma` (height, width) a view on the decoder's own memory."""

    time_s: float
    luma: Luma


@dataclass
class ReadReport:
    """How a reading went, filled while it goes: frames given, packets that were damaged, last time stamp, s; the
    longest time without a frame, s, and where it begins, s."""

    frames: int = 0
    damaged: int = 0
    last_s: float = math.nan
    hole_s: float = 0.0
    hole_at_s: float = math.nan
    notes: list[str] = field(default_factory=list)


def turned_upright(picture: NDArray[Any], info: ClipInfo) -> NDArray[Any]:
    """A frame (h, w, ...) as the sensor saw it, turned as its film says."""
    return np.ascontiguousarray(np.rot90(picture, -info.rotation_deg // 90))


def to_upright(uv_px: Floats, info: ClipInfo) -> Floats:
    """Sensor pixels (..., 2) to pixels of the upright picture."""
    u, v = uv_px[..., 0], uv_px[..., 1]
    right, bottom = info.width_px - 1, info.height_px - 1
    turned = {0: (u, v), 90: (bottom - v, u), 180: (right - u, bottom - v), 270: (v, right - u)}
    return np.stack(turned[info.rotation_deg], axis=-1)


def to_sensor(uv_px: Floats, info: ClipInfo) -> Floats:
    """Pixels of the upright picture (..., 2) to sensor pixels; the inverse of `to_upright`."""
    u, v = uv_px[..., 0], uv_px[..., 1]
    right, bottom = info.width_px - 1, info.height_px - 1
    turned = {0: (u, v), 90: (v, bottom - u), 180: (right - u, bottom - v), 270: (right - v, u)}
    return np.stack(turned[info.rotation_deg], axis=-1)


def probe(path: Path) -> ClipInfo:
    """Size, rate, duration and rotation of a clip.

    Raises:
        InputError: not a film, a picture, no video in it, no readable frame, or an absurd size.
    """
    with _opened(path) as container:
        stream = _video_stream(container, path)
        frame, stamps_s = _first_of(container, stream)
        if frame is None:
            raise InputError("video", f"{path.name} holds no frame that can be read", hint=_FILM_AGAIN)
        if max(frame.width, frame.height) > LARGEST_SIDE_PX:
            raise InputError("video", f"{path.name} is {frame.width} × {frame.height} px",
                             allowed=f"up to {LARGEST_SIDE_PX} px on the longer side")  # fmt: skip
        duration = float(stream.duration * stream.time_base) if stream.duration else 0.0
        duration = duration or (container.duration or 0) / av.time_base
        rate = _rate(float(stream.average_rate or stream.guessed_rate or 0), stamps_s)
        bit_rate = float(stream.bit_rate or container.bit_rate or 0)
        return ClipInfo(
            path.name, stream.codec_context.name, frame.width, frame.height, rate, duration,
            _clockwise(frame), frame.format.components[0].bits, bit_rate, interlaced=bool(frame.interlaced_frame),
            camera=_named({**container.metadata, **stream.metadata}),
        )  # fmt: skip


def _named(metadata: Mapping[str, str]) -> str:
    """Make and model of the camera, from whatever keys end so."""
    parts = [
        value.strip() for end in ("make", "manufacturer", "model") for key, value in metadata.items()
        if key.lower().rpartition(".")[2] == end and value.strip()
    ]  # fmt: skip
    return " ".join(dict.fromkeys(parts))[:80]


def luma_frames(
    path: Path,
    start_s: float | None = None,
    stop_s: float | None = None,
    report: ReadReport | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
    from_key: bool = False,
) -> Iterator[LumaFrame]:
    """Yield the luma planes of a clip from `start_s` to `stop_s` (both inclusive), in order of time.

    Arguments and errors as `pictures`.
    """
    for time_s, frame in pictures(path, start_s, stop_s, report, progress, cancelled, from_key):
        yield LumaFrame(time_s, luma_of(frame))


def pictures(
    path: Path,
    start_s: float | None = None,
    stop_s: float | None = None,
    report: ReadReport | None = None,
    progress: Progress | None = None,
    cancelled: Cancelled | None = None,
    from_key: bool = False,
) -> Iterator[tuple[float, Any]]:
    """Yield (time in s, decoded PyAV frame in colour, not turned upright) in order of time.

    Args:
        path: the film. start_s, stop_s: part of it; None = from its beginning, to its end.
        report: filled on the way. progress: called with the share done, 0 to 1.
        cancelled: asked once per frame; when true, reading ends with `Stopped`.
        from_key: give the frames from the key frame before `start_s` on too: they have to be decoded anyhow.

    Raises:
        InputError: the file cannot be read at all. Damage later in the file ends or thins the reading and is
            written in `report`, because what was readable is worth having.
    """
    report = ReadReport() if report is None else report
    with _opened(path) as container:
        stream = _video_stream(container, path)
        stream.thread_type = "AUTO"
        stream.codec_context.thread_count = _threads(stream)
        if start_s is not None and start_s > 0:
            container.seek(round(start_s / float(stream.time_base)), stream=stream, backward=True)
        total = (
            float(stream.duration * stream.time_base) if stream.duration else (container.duration or 0) / 1e6
        )
        begin, end = start_s or 0.0, min(x for x in (stop_s, total or math.inf, math.inf) if x is not None)
        last = -math.inf
        for frame in _decoded(container, stream, report):
            if cancelled is not None and cancelled():
                raise Stopped("reading the film was stopped")
            time_s = _time_of(frame, report)
            if time_s <= last or time_s < (0.0 if from_key else begin) - 1e-6:
                continue  # an edit list or a seek delivers frames from before the wanted part
            if stop_s is not None and time_s > stop_s + 1e-6:
                break
            if report.frames and time_s - last > report.hole_s:
                report.hole_s, report.hole_at_s = time_s - last, last
            last = report.last_s = time_s
            report.frames += 1
            if progress is not None and math.isfinite(end) and end > begin and report.frames % 16 == 0:
                progress(min(1.0, (time_s - begin) / (end - begin)))
            yield time_s, frame
    if report.frames == 0 and start_s is None:
        raise InputError("video", f"{path.name} holds no frame that can be read", hint=_FILM_AGAIN)


def key_times(path: Path, until_s: float) -> list[float]:
    """Times of the key frames before `until_s`, in order: a decoder can begin at them. Nothing is decoded."""
    found: list[float] = []
    with _opened(path) as container:
        stream = _video_stream(container, path)
        for packet in _packets(container, stream, ReadReport()):
            if packet.is_keyframe and packet.pts is not None:
                time_s = float(packet.pts * packet.time_base)
                if time_s >= until_s:
                    break
                found.append(time_s)
    return sorted(found)


def read_ahead(frames: Iterator[LumaFrame], some: int = 3) -> Iterator[LumaFrame]:
    """The same frames, decoded by a thread of its own while the caller works on the one before.

    They are handed over `some` at a time: to wake the other thread costs about as much as to follow a point. As many
    wait, and as many are being read. What the reading raises is raised here; when the caller stops, so does the
    thread.
    """
    waiting: Queue[list[LumaFrame] | BaseException | None] = Queue(1)
    left = Event()

    def hand_over(item: list[LumaFrame] | BaseException | None) -> None:
        while not left.is_set():
            try:
                waiting.put(item, timeout=0.1)
                break
            except Full:
                continue

    def read_on() -> None:
        try:
            while not left.is_set() and (read := list(islice(frames, some))):
                hand_over(read)
            hand_over(None)
        except BaseException as error:  # handed to the caller's thread, whatever it is
            hand_over(error)

    thread = Thread(target=read_on, name="film reader", daemon=True)
    thread.start()
    try:
        while (item := waiting.get()) is not None:
            if isinstance(item, BaseException):
                raise item
            yield from item
    finally:
        left.set()
        thread.join()


def luma_of(frame: Any) -> Luma:
    """The luma plane (height, width) of a PyAV frame, as a view; uint16 when deeper than 8 bit."""
    fmt = frame.format
    if (
        fmt.is_rgb
        or fmt.components[0].plane != 0
        or fmt.is_bit_stream
        or fmt.has_palette
        or fmt.is_big_endian
    ):
        return np.ascontiguousarray(frame.to_ndarray(format="gray"))
    if fmt.components[0].bits > 8:
        samples = np.frombuffer(frame.planes[0], np.uint16).reshape(-1, frame.planes[0].line_size // 2)
        return samples[: frame.height, : frame.width]
    if len(frame.planes) == 1 and fmt.name not in ("gray", "gray8"):  # packed YUV: luma is interleaved
        return np.ascontiguousarray(frame.to_ndarray(format="gray"))
    samples8 = np.frombuffer(frame.planes[0], np.uint8).reshape(-1, frame.planes[0].line_size)
    return samples8[: frame.height, : frame.width]


def missing_tail(info: ClipInfo, report: ReadReport) -> str:
    """A sentence on what could not be read, or "" when the clip was whole."""
    frame_s = 1.0 / info.fps if info.fps else 0.04
    missing = info.duration_s - (report.last_s + frame_s) if math.isfinite(report.last_s) else info.duration_s
    told = []
    if missing > max(0.25, 3 * frame_s):
        told.append(f"{missing:.1f} s of {info.duration_s:.1f} s at its end could not be read")
    if report.hole_s > max(LONGEST_HOLE_S, 4 * frame_s):
        told.append(f"{report.hole_s:.1f} s from {report.hole_at_s:.1f} s on hold no frame")
    if told:
        return f"the film is damaged: {' and '.join(told)}; copy it from the camera again if you need them"
    return f"{report.damaged} damaged pieces of the film were left out" if report.damaged else ""


_FILM_AGAIN = "Copy the clip from the camera again, or film again"


def _opened(path: Path) -> Any:
    """The opened container, or the reason in one line."""
    check_file("video", path)
    if path.stat().st_size == 0:
        raise InputError("video", f"{path.name} is empty (0 bytes)", hint=_FILM_AGAIN)
    try:
        container = av.open(str(path), mode="r", metadata_errors="replace")
    except (av.error.FFmpegError, ValueError) as error:
        raise InputError(
            "video", f"{path.name} is not a film that can be read, or its end (with the index) is missing",
            allowed="MP4, MOV, MKV, WebM or AVI with H.264, HEVC, VP9, AV1 or MJPEG", hint=_FILM_AGAIN,
        ) from error  # fmt: skip
    if any(kind in container.format.name for kind in PICTURE_FORMATS):
        container.close()
        raise InputError("video", f"{path.name} is a picture, not a film", hint="Choose the clip itself")
    return container


def _video_stream(container: Any, path: Path) -> Any:
    """The first video stream that is not a cover picture."""
    for stream in container.streams.video:
        if not int(stream.disposition) & 0x400:  # attached picture
            return stream
    raise InputError("video", f"{path.name} has sound or data but no picture", hint="Choose the clip itself")


def _threads(stream: Any) -> int:
    """How many frames the decoder works on at once: as many as keep all processors busy, fewer where they are
    large."""
    usual = min((os.cpu_count() or 1) + 1, MOST_THREADS)
    small = int(AT_ONCE_BYTES / max(1.5 * stream.width * stream.height, 1.0))
    return max(usual, min(small, AT_ONCE))


def _packets(container: Any, stream: Any, report: ReadReport) -> Iterator[Any]:
    """Packets up to where the file breaks off."""
    packets = container.demux(stream)
    while True:
        try:
            yield next(packets)
        except StopIteration:
            return
        except av.error.FFmpegError:
            report.damaged += 1
            return


def _decoded(container: Any, stream: Any, report: ReadReport) -> Iterator[Any]:
    """Frames, stepping over packets that cannot be decoded."""
    for packet in _packets(container, stream, report):
        yield from _frames_of(packet, report)


def _frames_of(packet: Any, report: ReadReport) -> list[Any]:
    try:
        return list(packet.decode())
    except av.error.EOFError:
        return []
    except av.error.FFmpegError:
        report.damaged += 1
        return []


def _first_of(container: Any, stream: Any) -> tuple[Any, list[float]]:
    """The first frame that can be decoded (or None), and the time stamps of the first packets, s, in order."""
    report = ReadReport()
    frame: Any = None
    stamps: list[float] = []
    for packet in _packets(container, stream, report):
        if packet.pts is not None and len(stamps) < PROBED_PACKETS:
            stamps.append(float(packet.pts * packet.time_base))
        if frame is None:
            frame = next(iter(_frames_of(packet, report)), None)
        elif len(stamps) == PROBED_PACKETS:
            break
    return frame, sorted(stamps)


def _time_of(frame: Any, report: ReadReport) -> float:
    if frame.pts is None:
        report.damaged += 1
        return -math.inf
    return float(frame.pts * frame.time_base)


def _rate(stated: float, stamps_s: list[float]) -> float:
    """Frames per second as stated, unless the first time stamps contradict it (some containers state nonsense)."""
    steps = np.diff(np.array(stamps_s))
    if steps.size == 0 or np.median(steps) <= 0:
        return stated
    seen = float(1.0 / np.median(steps))
    return stated if 0.5 * seen < stated < 2.0 * seen else seen


def _clockwise(frame: Any) -> int:
    """Clockwise turn that makes the picture upright, from the display matrix, to the next quarter turn."""
    return round(-float(frame.rotation) / 90.0) % 4 * 90
