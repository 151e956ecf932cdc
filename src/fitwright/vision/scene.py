"""What else is known around a film: points that stand still in the picture, and lengths that a tape told.

Everything here is optional. What is missing is replaced by what is usual, less surely.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from fitwright.errors import check_range
from fitwright.quantity import Floats
from fitwright.vision.level import LEVEL_POINTS

STEADY_POINTS = ("bottom_bracket", "rear_axle", "front_axle", "fixed_1", "fixed_2", "fixed_3")
"""Still points that are followed through the film: they show whether the camera moved."""
STILL_POINTS = tuple(dict.fromkeys((*STEADY_POINTS, *LEVEL_POINTS)))
"""All points that do not move with the rider. Those that are not followed count where they were marked: along an edge
there is nothing to follow."""


@dataclass(frozen=True)
class Scene:
    """Still points and lengths around a side film.

    Attributes:
        still_px: name → (2,) pixels of the upright picture, of `STILL_POINTS` that are not followed.
        front_higher_mm: by how much the front axle (or front contact place) is higher than the rear one.
    """

    still_px: Mapping[str, Floats] = field(default_factory=dict)
    front_higher_mm: float = 0.0

    def __post_init__(self) -> None:
        check_range("front_higher_mm", self.front_higher_mm, -300, 300, "mm")
