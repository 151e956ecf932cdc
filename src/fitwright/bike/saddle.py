"""Saddle position in two conventions: X/Y from the bottom bracket, or a length along the seat tube.

Frame: bike frame (X forward, Y up, origin BB axis, mm). The saddle point is where the saddle is 80 mm wide.
"Along the seat tube" measures along a line of the given angle; the point then also has an offset from that
line (a saddle clamped forward or back), so one length alone does not fix it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from fitwright.errors import check_range


@dataclass(frozen=True)
class AlongSeatTube:
    """Length along the seat-tube line, and offset square to it (positive: saddle point in front of the line)."""

    length_mm: float
    offset_mm: float
    seat_tube_deg: float


def to_along(x_mm: float, y_mm: float, seat_tube_deg: float) -> AlongSeatTube:
    """X/Y → along the seat tube. The angle is from the horizontal behind the BB, 60 to 90 deg."""
    angle = math.radians(check_range("seat_tube_deg", seat_tube_deg, 60, 90, "deg"))
    length = -x_mm * math.cos(angle) + y_mm * math.sin(angle)
    offset = x_mm * math.sin(angle) + y_mm * math.cos(angle)
    return AlongSeatTube(length, offset, seat_tube_deg)


def to_xy(along: AlongSeatTube) -> tuple[float, float]:
    """Along the seat tube → X, Y in mm; the inverse of `to_along`."""
    angle = math.radians(check_range("seat_tube_deg", along.seat_tube_deg, 60, 90, "deg"))
    x = -along.length_mm * math.cos(angle) + along.offset_mm * math.sin(angle)
    y = along.length_mm * math.sin(angle) + along.offset_mm * math.cos(angle)
    return x, y


def height_and_setback(x_mm: float, y_mm: float) -> tuple[float, float]:
    """X/Y → (saddle height: straight distance from BB, setback: behind the BB positive), mm."""
    return math.hypot(x_mm, y_mm), -x_mm


def slide_on_rails(height_mm: float, setback_mm: float, back_mm: float) -> tuple[float, float]:
    """Height and setback after sliding a level saddle back on its rails (Y kept), mm: (height, setback)."""
    y = math.sqrt(height_mm**2 - setback_mm**2)
    return height_and_setback(-(setback_mm + back_mm), y)
