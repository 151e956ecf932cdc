"""JPEG pictures, upright and in colour, of what no browser shows by itself: a film's frame, a HEIC photograph."""

from __future__ import annotations

import io
import os
import tempfile
import threading
from collections import deque
from pathlib import Path
from typing import Any

import av
import cv2
import numpy as np
from django.conf import settings
from PIL import Image, ImageOps
from pillow_heif import register_heif_opener

from fitwright.errors import InputError, check_range
from fitwright.records.media import path_of
from fitwright.records.models import Medium
from fitwright.vision.picture import Grey
from fitwright.vision.video import ClipInfo, pictures, probe, turned_upright

JPEG_QUALITY = 95
MOMENT = "Time of the picture"
SAME_S = 1e-5
_latest: deque[tuple[Path, float, ClipInfo, Any]] = deque(maxlen=3)
"""Frames decoded lately, each with the time it was asked for: a page asks for the time of one, then for its picture,
then for what is found in it; and the page itself is opened again."""
_one_at_a_time = threading.Lock()

register_heif_opener()


def shown_copy(medium: Medium, longest_px: int | None = None) -> Path:
    """The JPEG that stands for a HEIC photograph in a browser, or a small one (`longest_px` at most) of any
    photograph, made when it is first asked for; the original stays.

    Raises InputError when the photograph cannot be decoded.
    """
    size = "" if longest_px is None else f"-{longest_px}"
    target = Path(settings.MEDIA_ROOT) / "shown" / f"{medium.sha256}{size}.jpg"
    if target.is_file():
        return target
    jpeg = io.BytesIO()
    try:
        with Image.open(path_of(medium)) as opened:
            if longest_px is not None:
                opened.thumbnail((longest_px, longest_px))  # a JPEG is decoded no larger than it needs to be
            ImageOps.exif_transpose(opened).convert("RGB").save(jpeg, "JPEG", quality=JPEG_QUALITY)
    except (OSError, SyntaxError, ValueError, EOFError, RuntimeError):
        raise InputError(medium.name, "the picture is damaged or cut short", hint="Copy it again.") from None
    target.parent.mkdir(exist_ok=True)
    descriptor, temporary = tempfile.mkstemp(dir=target.parent, prefix="incoming-")
    with os.fdopen(descriptor, "wb") as file:
        file.write(jpeg.getvalue())
    Path(temporary).replace(target)
    return target


def check_film(medium: Medium) -> ClipInfo:
    """What is known of a film; InputError, by the name that it came with, when it cannot be read."""
    path = path_of(medium)
    try:
        return probe(path)
    except InputError as error:
        problem = error.problem.replace(path.name, medium.name)
        raise InputError(
            "film", problem, value=error.value, allowed=error.allowed, hint=error.hint
        ) from error


def still_jpeg(medium: Medium, at_s: float = 0.0, quality: int = JPEG_QUALITY) -> bytes:
    """The frame at `at_s` as `frame_at` finds it, turned upright.

    Raises InputError when the medium is no film, cannot be decoded, or ends before.
    """
    clip, frame = frame_at(medium, at_s)
    upright = turned_upright(as_pixels(frame, "bgr24"), clip)
    done, data = cv2.imencode(".jpg", upright, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise InputError(medium.name, "the frame could not be written as a picture")
    return bytes(data)


def upright_grey(medium: Medium, at_s: float) -> Grey:
    """(h, w) the same frame in grey, upright."""
    clip, frame = frame_at(medium, at_s)
    return np.asarray(turned_upright(as_pixels(frame, "gray"), clip), dtype=np.uint8)


def as_pixels(frame: Any, pixels: str) -> Any:
    """A decoded frame in another format of pixels, as an array; several threads may ask for one frame."""
    return av.video.reformatter.VideoReformatter().reformat(frame, format=pixels).to_ndarray()


def frame_time(medium: Medium, at_s: float) -> float:
    """True time of the frame that is shown for `at_s`, s: a time rounded either way finds its frame again."""
    return float(frame_at(medium, at_s)[1].time)


def frame_at(medium: Medium, at_s: float) -> tuple[ClipInfo, Any]:
    """The clip and its first decoded frame not more than half a frame before `at_s`: the one in which following
    begins when points are marked at `at_s`.

    Raises InputError when the medium is no film, cannot be decoded, or ends before.
    """
    if medium.kind != "film":
        raise InputError(medium.name, "is not a film")
    check_range(MOMENT, at_s, 0, 36000, "s")
    path = path_of(medium)
    if (known := _known(path, at_s)) is not None:
        return known
    clip = check_film(medium)
    since = at_s - 0.5 / (clip.fps or 25.0)
    try:
        frame = next((f for time_s, f in pictures(path, max(0.0, since)) if time_s >= since), None)
    except av.error.FFmpegError:
        frame = None
    if frame is None:
        raise InputError(
            MOMENT, "is after the end of the film", value=at_s, allowed=f"0 to {clip.duration_s:.2f} s"
        )
    with _one_at_a_time:
        _latest.append((path, at_s, clip, frame))
    return clip, frame


def _known(path: Path, at_s: float) -> tuple[ClipInfo, Any] | None:
    """The frame whose own time this is, or that was asked for by it, if it was decoded lately."""
    with _one_at_a_time:
        for of, asked_s, clip, frame in _latest:
            if of == path and min(abs(asked_s - at_s), abs(float(frame.time) - at_s)) < SAME_S:
                return (clip, frame) if path.is_file() else None
    return None
