"""Read a photograph: upright grey pixels, focal length when the file tells it, and a reason when it cannot be used.

Pixels follow the image frame: centre of the top-left pixel is (0, 0), u to the right, v down, px.
"""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps, UnidentifiedImageError

from fitwright.errors import InputError
from fitwright.quantity import Floats

Grey = NDArray[np.uint8]

MAX_BYTES = 80_000_000
MAX_PIXELS = 120_000_000
MIN_SIDE_PX = 200
FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
EXIF_BLOCK, EXIF_FOCAL_35MM = 0x8769, 0xA405
HEIF_BRANDS = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif")
FORMATS = "a JPEG, PNG, TIFF or WebP photograph"


@dataclass(frozen=True)
class Picture:
    """An upright photograph.

    Attributes:
        grey: (h, w) luma, turned upright as its orientation tag says. name: file name for messages.
        focal_px: focal length in pixels from the file's 35 mm equivalent, or None.
    """

    grey: Grey
    name: str
    focal_px: float | None = None

    @property
    def size_px(self) -> tuple[int, int]:
        """(width, height)."""
        return int(self.grey.shape[1]), int(self.grey.shape[0])

    @property
    def diagonal_px(self) -> float:
        """Length of the diagonal."""
        return math.hypot(*self.size_px)

    def check_inside(self, name: str, point_px: tuple[float, float] | Floats) -> tuple[float, float]:
        """The point as floats; InputError with the picture's size when it lies outside or is not finite."""
        u, v = float(point_px[0]), float(point_px[1])
        width, height = self.size_px
        if not (-0.5 <= u <= width - 0.5 and -0.5 <= v <= height - 0.5):  # also false for NaN
            raise InputError(
                name, "lies outside the picture", value=f"{u:g},{v:g}",
                allowed=f"u 0 to {width - 1}, v 0 to {height - 1} px (the upright picture is {width} x {height})",
            )  # fmt: skip
        return u, v


def read_picture(path: Path) -> Picture:
    """Read a photograph from a file. Raises InputError with the reason when it cannot be used."""
    size = path.stat().st_size
    if size > MAX_BYTES:
        raise InputError(
            path.name, f"the file has {size / 1e6:.0f} MB", allowed=f"up to {MAX_BYTES / 1e6:.0f} MB"
        )
    return decode_picture(path.read_bytes(), path.name)


def decode_picture(data: bytes, name: str) -> Picture:
    """The same from bytes (an upload)."""
    _refuse_what_no_reader_here_knows(data, name)
    try:
        with Image.open(io.BytesIO(data)) as opened:
            _check_size(opened.size, name)
            focal = _focal_35mm(opened)
            opened.draft("L", opened.size)  # JPEG: decode luma only
            upright = ImageOps.exif_transpose(opened).convert("L")
    except UnidentifiedImageError:
        raise InputError(name, "not a picture that can be read", allowed=FORMATS) from None
    except Image.DecompressionBombError:
        raise InputError(
            name, "too many pixels", allowed=f"up to {MAX_PIXELS / 1e6:.0f} megapixels"
        ) from None
    except (OSError, SyntaxError, ValueError, EOFError) as error:
        raise InputError(
            name, f"the picture is damaged or cut short ({error})", hint="Copy it again from the camera."
        ) from None
    grey = np.asarray(upright, dtype=np.uint8)
    diagonal = math.hypot(*grey.shape)
    return Picture(grey, name, focal * diagonal / FULL_FRAME_DIAGONAL_MM if focal else None)


def _refuse_what_no_reader_here_knows(data: bytes, name: str) -> None:
    if not data:
        raise InputError(name, "the file is empty", allowed=FORMATS)
    if data[4:8] == b"ftyp":
        if data[8:12] in HEIF_BRANDS:
            raise InputError(
                name, "an HEIC/HEIF/AVIF picture, which cannot be decoded here", allowed=FORMATS,
                hint="Set the phone's camera to the most compatible format, or share the photo as JPEG.",
            )  # fmt: skip
        raise InputError(name, "a film, not a photograph", allowed=FORMATS)


def _check_size(size_px: tuple[int, int], name: str) -> None:
    width, height = size_px
    if width * height > MAX_PIXELS:
        raise InputError(
            name, f"{width} x {height} px is too large", allowed=f"up to {MAX_PIXELS / 1e6:.0f} megapixels"
        )
    if min(width, height) < MIN_SIDE_PX:
        raise InputError(
            name,
            f"{width} x {height} px is too small",
            allowed=f"at least {MIN_SIDE_PX} px on the short side",
        )


def _focal_35mm(image: Image.Image) -> float | None:
    """The 35 mm equivalent focal length, mm, when the file states a credible one."""
    try:
        focal = float(image.getexif().get_ifd(EXIF_BLOCK).get(EXIF_FOCAL_35MM, 0))
    except (TypeError, ValueError, OSError, SyntaxError):  # a broken tag is no reason to refuse the picture
        return None
    return focal if 8 <= focal <= 400 else None


def why_nothing_is_found(grey: Grey) -> str:
    """A reason why no marker could be read: too dark, too bright, blurred, mirrored; "" when nothing stands out."""
    small = shrunk(grey, 1200)[0]
    low, high = np.percentile(small, [2, 98])
    if high < 70:
        return "the picture is too dark; use more light"
    if low > 235:
        return "the picture is overexposed; use less light"
    if high - low < 25:
        return "the picture has hardly any contrast"
    edge = np.percentile(
        np.hypot(cv2.Sobel(small, cv2.CV_32F, 1, 0), cv2.Sobel(small, cv2.CV_32F, 0, 1)) / 8, 99.5
    )
    if edge < 0.06 * (high - low):  # a step blurred over more than about 6 px of the reduced picture
        return "the picture is blurred; hold still, tap to focus, use more light"
    return ""


def shrunk(grey: Grey, longest_px: int) -> tuple[Grey, float]:
    """The picture reduced so that its long side has at most `longest_px`, and the factor (<= 1) used."""
    factor = min(1.0, longest_px / max(grey.shape))
    if factor == 1.0:
        return grey, 1.0
    size = (round(grey.shape[1] * factor), round(grey.shape[0] * factor))
    return np.asarray(cv2.resize(grey, size, interpolation=cv2.INTER_AREA), dtype=np.uint8), factor
