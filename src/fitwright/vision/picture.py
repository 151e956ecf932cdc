"""Read a photograph: upright grey pixels, what the file tells of its camera, and a reason when it cannot be used.

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
from pillow_heif import register_heif_opener

from fitwright.errors import InputError
from fitwright.quantity import Floats

Grey = NDArray[np.uint8]

MAX_BYTES = 80_000_000
MAX_PIXELS = 120_000_000
MIN_SIDE_PX = 200
FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
EXIF_BLOCK, EXIF_MAKE, EXIF_MODEL, EXIF_ORIENTATION, EXIF_FOCAL_35MM = 0x8769, 0x010F, 0x0110, 0x0112, 0xA405
HEIF_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"mif1")
FORMATS = "a JPEG, PNG, HEIC, TIFF or WebP photograph"

Turn = tuple[tuple[int, int], tuple[int, int]]
STRAIGHT: Turn = ((1, 0), (0, 1))
TURNS: dict[int, Turn] = {
    1: STRAIGHT, 2: ((-1, 0), (0, 1)), 3: ((-1, 0), (0, -1)), 4: ((1, 0), (0, -1)),
    5: ((0, 1), (1, 0)), 6: ((0, -1), (1, 0)), 7: ((0, -1), (-1, 0)), 8: ((0, 1), (-1, 0)),
}  # fmt: skip
"""EXIF orientation → what takes an offset (u, v) on the sensor to the upright picture (CIPA DC-008, tag 274)."""

register_heif_opener()


@dataclass(frozen=True)
class Picture:
    """An upright photograph.

    Attributes:
        grey: (h, w) luma, turned upright as its orientation tag says. name: file name for messages.
        focal_px: focal length in pixels from the file's 35 mm equivalent, or None.
        camera_name: make and model as the file states them, or "". focal_35mm: the 35 mm equivalent, or None.
        turn: (2, 2) takes offsets from the middle of the sensor to offsets in the upright picture.
    """

    grey: Grey
    name: str
    focal_px: float | None = None
    camera_name: str = ""
    focal_35mm: float | None = None
    turn: Turn = STRAIGHT

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
    _refuse_what_is_no_photograph(data, name)
    try:
        with Image.open(io.BytesIO(data)) as opened:
            _check_size(opened.size, name)
            camera, focal, turn = _camera_of(opened)
            opened.draft("L", opened.size)  # JPEG: decode luma only
            upright = ImageOps.exif_transpose(opened).convert("L")
    except UnidentifiedImageError:
        if data[4:8] == b"ftyp":
            raise _damaged(name, "HEIC") from None
        raise InputError(name, "not a picture that can be read", allowed=FORMATS) from None
    except Image.DecompressionBombError:
        raise InputError(
            name, "too many pixels", allowed=f"up to {MAX_PIXELS / 1e6:.0f} megapixels"
        ) from None
    except (OSError, SyntaxError, ValueError, EOFError, RuntimeError) as error:
        raise _damaged(name, " ".join(str(error).split())) from None
    grey = np.asarray(upright, dtype=np.uint8)
    focal_px = focal * math.hypot(*grey.shape) / FULL_FRAME_DIAGONAL_MM if focal else None
    return Picture(grey, name, focal_px, camera, focal, turn)


def _damaged(name: str, reason: str) -> InputError:
    return InputError(
        name, f"the picture is damaged or cut short ({reason})", hint="Copy it again from the camera."
    )


def _refuse_what_is_no_photograph(data: bytes, name: str) -> None:
    if not data:
        raise InputError(name, "the file is empty", allowed=FORMATS)
    if data[4:8] == b"ftyp" and data[8:12] not in HEIF_BRANDS:
        if data[8:12] in (b"avif", b"avis", b"hevc", b"msf1"):
            raise InputError(
                name, "an AVIF picture or a series of pictures, which is not read here", allowed=FORMATS,
                hint="Share the photo as JPEG, or set the camera to the most compatible format.",
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


def _camera_of(image: Image.Image) -> tuple[str, float | None, Turn]:
    """Make and model, 35 mm equivalent focal length (when credible), and how the picture is turned upright."""
    try:
        exif = image.getexif()
        words = [_plain(exif.get(tag)) for tag in (EXIF_MAKE, EXIF_MODEL)]
        number = image.info.get("original_orientation") or exif.get(EXIF_ORIENTATION)  # HEIC: turned already
        focal = float(exif.get_ifd(EXIF_BLOCK).get(EXIF_FOCAL_35MM, 0))
    except (TypeError, ValueError, OSError, SyntaxError, ZeroDivisionError):
        return "", None, STRAIGHT  # a broken tag is no reason to refuse the picture
    make, model = words
    name = model if model.lower().startswith(make.lower()) else f"{make} {model}".strip()
    return name[:120], focal if 8 <= focal <= 400 else None, TURNS.get(number or 1, STRAIGHT)


def _plain(text: object) -> str:
    """An EXIF text without padding and control characters."""
    return (
        " ".join("".join(c if c.isprintable() else " " for c in text).split())
        if isinstance(text, str)
        else ""
    )


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
