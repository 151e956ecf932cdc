"""Contact points of a rider on a bike, in the bike frame.

Origin at the bottom-bracket axis in the mid-plane, X forward, Y up, mm. The saddle reference point is where
the saddle is 80 mm wide. "Saddle height" is the distance BB → saddle top along the line to that point; X/Y
input is converted, and each number says which convention it is.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from typing import Any

from fitwright.errors import InputError, check_range

LIMITS: dict[str, tuple[float, float, str]] = {
    "saddle_height_mm": (400, 1000, "mm"),
    "saddle_setback_mm": (-150, 400, "mm"),
    "saddle_tilt_deg": (-20, 20, "deg"),
    "hood_x_mm": (200, 800, "mm"),
    "hood_y_mm": (200, 1000, "mm"),
    "crank_mm": (100, 220, "mm"),
    "q_factor_mm": (80, 300, "mm"),
    "pedal_offset_mm": (20, 120, "mm"),
    "spacer_left_mm": (0, 40, "mm"),
    "spacer_right_mm": (0, 40, "mm"),
    "shim_left_mm": (0, 30, "mm"),
    "shim_right_mm": (0, 30, "mm"),
}


@dataclass(frozen=True)
class ContactPoints:
    """Where the rider touches the bike, with the parts between foot and crank.

    Attributes (mm, deg; bounds in `LIMITS`, a value outside raises InputError naming field and range):
        saddle_height_mm: BB axis to saddle reference point, straight line. saddle_setback_mm: that point
        behind the BB axis (positive back). saddle_tilt_deg: nose up positive. hood_x_mm, hood_y_mm: hand
        contact on the hoods. q_factor_mm: outer to outer crank face. pedal_offset_mm: crank face to the
        cleat centre on the pedal. spacer_*: extra between crank and pedal. shim_*: under the cleat.
    """

    saddle_height_mm: float
    saddle_setback_mm: float
    hood_x_mm: float
    hood_y_mm: float
    crank_mm: float
    q_factor_mm: float
    pedal_offset_mm: float
    saddle_tilt_deg: float = 0.0
    spacer_left_mm: float = 0.0
    spacer_right_mm: float = 0.0
    shim_left_mm: float = 0.0
    shim_right_mm: float = 0.0

    def __post_init__(self) -> None:
        for name, (low, high, unit) in LIMITS.items():
            check_range(name, getattr(self, name), low, high, unit)
        if abs(self.saddle_setback_mm) >= self.saddle_height_mm:
            raise InputError(
                "saddle_setback_mm", "larger than the saddle height", value=self.saddle_setback_mm,
                allowed=f"less than {self.saddle_height_mm:g} mm",
            )  # fmt: skip

    @property
    def saddle_xy_mm(self) -> tuple[float, float]:
        """Saddle reference point (X, Y)."""
        return -self.saddle_setback_mm, math.sqrt(self.saddle_height_mm**2 - self.saddle_setback_mm**2)

    def pedal_out_mm(self, side: str) -> float:
        """S_c: outward distance of the pedal's cleat centre from the mid-plane."""
        spacer = self.spacer_left_mm if side == "left" else self.spacer_right_mm
        return self.q_factor_mm / 2 + self.pedal_offset_mm + spacer

    def with_saddle(self, height_mm: float, setback_mm: float | None = None) -> ContactPoints:
        """The same bike with the saddle moved along the seat post (setback grows in proportion)."""
        if setback_mm is None:
            setback_mm = self.saddle_setback_mm * height_mm / self.saddle_height_mm
        return replace(self, saddle_height_mm=height_mm, saddle_setback_mm=setback_mm)

    def to_json(self) -> dict[str, Any]:
        """Plain numbers by field name."""
        return asdict(self)

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> ContactPoints:
        """The inverse of `to_json`."""
        return ContactPoints(**{k: float(v) for k, v in data.items()})
