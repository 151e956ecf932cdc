"""From a photograph along the shank and four picked points to a reading of the hanging foot.

Shared by the page and the command line. No database here: a path and points go in, a `HangingPhoto` comes out.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from fitwright.body.hanging_photo import (
    POINTS,
    U_SQUARE_CAMERA_DEG,
    U_SQUARE_CARD_DEG,
    HangingPhoto,
    Sight,
    read_hanging,
)
from fitwright.errors import InputError, check_range
from fitwright.quantity import Floats, Measured, propagate
from fitwright.vision.card import SCALE_CARD, CardLayout
from fitwright.vision.lens import LENS, LensPrior, undistort
from fitwright.vision.photo import U_PICK_PX, card_plane
from fitwright.vision.picture import Picture, read_picture
from fitwright.vision.plane import camera_centre

CARDS = {
    "sole": "scale card level with the sole",
    "level": "scale card level, higher or lower than the sole",
    "none": "no scale card",
}
U_SOLE_HEIGHT_MM = 15.0
"""How well a card is held at the height of the sole, by eye (common practice, no source)."""
NO_CARD_NOTE = (
    "Without a scale card nobody knows whether the camera looked exactly along the shank. It is allowed to be "
    f"±{2 * U_SQUARE_CAMERA_DEG:.0f}° aslant, and that turns lines that are not level or far from the middle."
)


def measure_hanging(
    photo: Path | Picture, side: str, points: Mapping[str, tuple[float, float]], *, line: str = "shoe",
    knee: str = "thigh", card: str = "level", layout: CardLayout = SCALE_CARD, lens: LensPrior | None = None,
    u_pick_px: float | Mapping[str, float] = U_PICK_PX,
) -> HangingPhoto:  # fmt: skip
    """Yaw of one hanging foot.

    Args:
        photo: taken from below the foot, upwards along the shank; a file, or a picture already read.
        side: "left" or "right". points: the four of `POINTS` → (u, v) in pixels of the upright picture.
        line: "shoe" (sole's mid-line: middle of the heel, toe point) or "bare" (heel centre, second toe).
        knee: "thigh" or "edge", where the knee line's two points lie. card: see `CARDS`.
        layout: the card, with its measured check bar. lens: what a calibration knows of this camera.
        u_pick_px: how well points were picked, for all or by name (a hand's pick where a name is left out).

    Raises:
        InputError: what is wrong with the photograph, the card or the points, and what to do.
    """
    if card not in CARDS:
        raise InputError("card", "unknown", value=card, allowed=", ".join(CARDS))
    _check_names(points)
    by_name = dict.fromkeys(POINTS, u_pick_px) if isinstance(u_pick_px, int | float) else u_pick_px
    u_px = np.array([check_range("u_pick_px", by_name.get(n, U_PICK_PX), 0.02, 50, "px") for n in POINTS])
    picture = photo if isinstance(photo, Picture) else read_picture(photo)
    pixels = np.array([picture.check_inside(name, points[name]) for name in POINTS])
    if card == "none":
        xy, covariance, sight = _in_the_picture(picture, pixels, u_px, lens)
        return read_hanging(side, xy, covariance, sight, line=line, knee=knee, notes=(NO_CARD_NOTE,))
    xy, covariance, sight = _in_the_card(picture, pixels, u_px, lens, layout, card)
    return read_hanging(side, xy, covariance, sight, line=line, knee=knee)


def _check_names(points: Mapping[str, tuple[float, float]]) -> None:
    for name in points:
        if name not in POINTS:
            raise InputError("points", f"unknown point {name!r}", allowed=", ".join(POINTS))
    for name in POINTS:
        if name not in points:
            raise InputError("points", f"{name} is missing", allowed=", ".join(POINTS))


def _in_the_card(
    picture: Picture, pixels: Floats, u_px: Floats, lens: LensPrior | None, layout: CardLayout, card: str
) -> tuple[Floats, Floats, Sight]:
    """The points in the card's plane, mm, and where the lens stands over it."""
    try:
        plane = card_plane(picture, layout, lens)
    except InputError as error:
        if "no scale card found" not in error.problem or "mirrored" in error.problem:
            raise
        raise InputError(
            error.field, error.problem, hint="Show both strips flat and whole, or measure without the card",
        ) from error  # fmt: skip
    mapped = plane.to_plane(pixels, u_px)
    eye = camera_centre(plane.parameters, plane.start_rotation) * plane.print_scale.value
    height = Measured(0.0, U_SOLE_HEIGHT_MM, "mm") if card == "sole" else None
    at = (float(eye[0]), float(eye[1]))
    sight = Sight(at, abs(float(eye[2])), U_SQUARE_CARD_DEG, True, height, CARDS[card])
    return mapped.xy_mm, mapped.covariance_mm2, sight


def _in_the_picture(
    picture: Picture, pixels: Floats, u_px: Floats, lens: LensPrior | None
) -> tuple[Floats, Floats, Sight]:
    """The points as directions, in focal lengths from the picture's middle; the lens is in the covariance."""
    lens = lens or LensPrior.of_picture(picture.size_px, picture.focal_px)
    covariance = np.diag(np.concatenate([np.zeros(LENS), np.repeat(u_px, 2) ** 2]))
    covariance[:LENS, :LENS] = lens.covariance
    xy, cov = propagate(
        lambda v: undistort(v[:LENS], v[LENS:].reshape(4, 2)).ravel(),
        np.concatenate([lens.mean, pixels.ravel()]), covariance,
    )  # fmt: skip
    return xy.reshape(4, 2), cov, Sight((0.0, 0.0), 1.0, U_SQUARE_CAMERA_DEG, False, None, CARDS["none"])
