"""A still from a stored film, upright, as JPEG: for marking points and for the contact strip."""

from __future__ import annotations

import cv2
import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.records.media import path_of
from fitwright.records.models import Medium
from fitwright.vision.video import luma_frames, probe


def still_jpeg(medium: Medium, at_s: float = 0.0, quality: int = 95) -> bytes:
    """The first frame at or after `at_s`, turned upright, in shades of grey.

    Raises InputError when the medium is no film, cannot be decoded, or ends before.
    """
    if medium.kind != "film":
        raise InputError(medium.name, "is not a film")
    check_range("t", at_s, 0, 36000, "s")
    path = path_of(medium)
    clip = probe(path)
    frame = next(iter(luma_frames(path, start_s=at_s or None)), None)
    if frame is None:
        raise InputError(
            "t", "is after the end of the film", value=at_s, allowed=f"0 to {clip.duration_s:.2f} s"
        )
    luma = np.asarray(frame.luma)
    if luma.dtype != np.uint8:
        luma = (luma >> (clip.bits - 8)).astype(np.uint8)
    upright = np.ascontiguousarray(np.rot90(luma, -clip.rotation_deg // 90))
    done, data = cv2.imencode(".jpg", upright, [cv2.IMWRITE_JPEG_QUALITY, quality])
    if not done:
        raise InputError(medium.name, "the frame could not be written as a picture")
    return bytes(data)
