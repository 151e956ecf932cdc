"""A straight edge in the picture (a ruler, a board's edge): total least squares over many places along it."""

from __future__ import annotations

import math

import cv2
import numpy as np

from fitwright.errors import InputError
from fitwright.quantity import Floats, Measured
from fitwright.vision.find_lines import Line, edge_offsets, fit_line_robustly
from fitwright.vision.find_outline import Mask
from fitwright.vision.flat import FlatView
from fitwright.vision.picture import Picture
from fitwright.vision.plane import CardPlane

LEAST_LENGTH_MM, LEAST_STEP, LARGEST_MISS_MM = 120.0, 25.0, 0.3
SEEK_PX_PER_MM = 1.5


def straight_edge(
    picture: Picture, plane: CardPlane, a_px: Floats, b_px: Floats, reach_mm: float = 1.5
) -> tuple[Line, Floats]:
    """The edge between two places near it, as a line in the card's plane (mm) and its two ends (2, 2) px.

    Lens and perspective are taken out of the places before the line is fitted.

    Raises:
        InputError: no edge there, or not a straight one.
    """
    a, b = np.asarray(a_px, dtype=np.float64), np.asarray(b_px, dtype=np.float64)
    a_mm, b_mm = plane.places_mm(np.array([a, b]))
    n = int(np.hypot(*(b_mm - a_mm)) / 2.0)
    if n < 6:
        raise InputError(
            "straight edge", "too short", value=f"{2 * n} mm", allowed="at least 12 mm", hint="Pick its ends."
        )
    base_mm = a_mm + np.linspace(0.02, 0.98, n)[:, None] * (b_mm - a_mm)
    along = (b_mm - a_mm) / np.hypot(*(b_mm - a_mm))
    base, side = (plane.to_picture(p) for p in (base_mm, base_mm + np.array([-along[1], along[0]])))
    direction = (side - base) / np.hypot(*(side - base).T)[:, None]
    offset, step = edge_offsets(picture.grey, base, direction, reach_mm * plane.px_per_mm)
    good = step > LEAST_STEP
    if good.sum() < max(6, 0.6 * n):
        raise InputError(
            "straight edge", "no distinct edge between the two places", hint="Pick its ends again."
        )
    line = fit_line_robustly(plane.places_mm((base + offset[:, None] * direction)[good]))
    if line.rms > LARGEST_MISS_MM:
        raise InputError("straight edge", "is not straight", value=f"{line.rms:.2f} mm rms",
                         allowed=f"up to {LARGEST_MISS_MM:g} mm", hint="Lay down another one.")  # fmt: skip
    return line, plane.to_picture(np.array([line.nearest(a_mm), line.nearest(b_mm)]))


def find_straight_edge(picture: Picture, view: FlatView, barred: Mask) -> tuple[Line, Floats] | None:
    """The longest straight edge outside `barred` (h, w of the view), or None."""
    factor = SEEK_PX_PER_MM / view.px_per_mm
    small = cv2.resize(view.grey, None, fx=factor, fy=factor, interpolation=cv2.INTER_AREA)
    edges = cv2.Canny(small, 40, 90)
    bar = cv2.dilate(cv2.resize(barred.astype(np.uint8), small.shape[::-1]), np.ones((7, 7), np.uint8))
    edges[bar > 0] = 0
    least = int(LEAST_LENGTH_MM * SEEK_PX_PER_MM)
    found = cv2.HoughLinesP(edges, 1, math.pi / 360, 80, minLineLength=least, maxLineGap=6)
    if found is None:
        return None
    ends = (found.reshape(-1, 2, 2).astype(np.float64) + 0.5) / factor - 0.5
    for pair in ends[np.argsort(-np.hypot(*(ends[:, 1] - ends[:, 0]).T))][:4]:
        try:
            return straight_edge(picture, view.plane, *view.plane.to_picture(view.mm(pair)))
        except InputError:
            continue
    return None


def angle_between(line: Line, axis: Floats, u_axis_deg: float) -> Measured:
    """Angle from an axis (2,) to a line, −90 to 90°, with both uncertainties."""
    turn = math.degrees(math.atan2(line.direction[1], line.direction[0]) - math.atan2(axis[1], axis[0]))
    turn -= 180 * math.ceil((turn - 90) / 180)
    return Measured(
        turn, math.hypot(line.u_angle_deg, u_axis_deg), "deg", "straight edge, total least squares"
    )
