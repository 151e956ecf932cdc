"""Where frame, spacers and stem put the bar: the cockpit equation and its inverse for whole parts.

X = reach − s cos HTA + l cos(90° − HTA + α), Y = stack + s sin HTA + l sin(90° − HTA + α), with HTA the
head-tube angle from the horizontal, s the spacers under the stem, l the stem's length and α its angle against
the perpendicular of the steerer (positive rises). Bike frame, mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from fitwright.errors import InputError, check_range

LIMITS: dict[str, tuple[float, float, str]] = {
    "stack_mm": (300, 800, "mm"),
    "reach_mm": (250, 600, "mm"),
    "head_tube_deg": (55, 80, "deg"),
    "spacers_mm": (0, 100, "mm"),
    "stem_mm": (0, 180, "mm"),
    "stem_deg": (-60, 60, "deg"),
}


@dataclass(frozen=True)
class Cockpit:
    """Frame stack and reach (top of the head tube), head-tube angle, spacers, stem length and angle."""

    stack_mm: float
    reach_mm: float
    head_tube_deg: float
    spacers_mm: float
    stem_mm: float
    stem_deg: float

    def __post_init__(self) -> None:
        for name, (low, high, unit) in LIMITS.items():
            check_range(name, getattr(self, name), low, high, unit)

    @property
    def bar_xy_mm(self) -> tuple[float, float]:
        """Centre of the bar at the stem (X, Y), mm."""
        hta = math.radians(self.head_tube_deg)
        slope = math.pi / 2 - hta + math.radians(self.stem_deg)
        x = self.reach_mm - self.spacers_mm * math.cos(hta) + self.stem_mm * math.cos(slope)
        y = self.stack_mm + self.spacers_mm * math.sin(hta) + self.stem_mm * math.sin(slope)
        return x, y


@dataclass(frozen=True)
class Reachable:
    """One set of parts and how far it misses the wanted bar: dx, dy in mm (got minus wanted)."""

    cockpit: Cockpit
    dx_mm: float
    dy_mm: float

    @property
    def miss_mm(self) -> float:
        """Distance from the wanted point."""
        return math.hypot(self.dx_mm, self.dy_mm)


def nearest_parts(
    start: Cockpit, bar_xy_mm: tuple[float, float], *, stems_mm: Sequence[float],
    stem_angles_deg: Sequence[float], spacers_mm: Sequence[float], best: int = 3,
) -> list[Reachable]:  # fmt: skip
    """The `best` combinations of stem, angle (either way up) and spacers nearest to a wanted bar centre."""
    if not stems_mm or not stem_angles_deg or not spacers_mm:
        raise InputError("parts", "no stem, angle or spacer to choose from")
    angles = sorted({a for angle in stem_angles_deg for a in (angle, -angle)})
    found = []
    for length in stems_mm:
        for angle in angles:
            for spacer in spacers_mm:
                c = Cockpit(start.stack_mm, start.reach_mm, start.head_tube_deg, spacer, length, angle)
                x, y = c.bar_xy_mm
                found.append(Reachable(c, x - bar_xy_mm[0], y - bar_xy_mm[1]))
    return sorted(found, key=lambda r: r.miss_mm)[:best]
