"""Wedges by their measures."""

from __future__ import annotations

import math
from dataclasses import dataclass

from fitwright.errors import check_range
from fitwright.quantity import Measured, propagate

WEDGE_LIMITS: dict[str, tuple[float, float, str]] = {"tilt_deg": (-10, 10, "deg")}


@dataclass(frozen=True)
class Wedge:
    """A wedge that tilts the sole about the cleat's long axis: positive raises the inner edge of the foot.

    Recorded with its geometry; nothing is claimed about what it does to a knee.
    """

    tilt: Measured

    def __post_init__(self) -> None:
        check_range("tilt_deg", self.tilt.value, *WEDGE_LIMITS["tilt_deg"])

    def sideways(self, height: Measured) -> Measured:
        """How far a point this high above the axle moves outward, mm: h sin ω.

        At the ankle's height it is the change of the lateral lever arm between ankle and pedal.
        """
        value, covariance = propagate(
            lambda v: [v[0] * math.sin(math.radians(v[1]))], [height.value, self.tilt.value],
            [[height.u**2, 0], [0, self.tilt.u**2]],
        )  # fmt: skip
        return Measured(float(value[0]), math.sqrt(covariance[0, 0]), "mm", "wedge's tilt at this height")

    def edge_mm(self, breadth_mm: float) -> float:
        """How much higher one edge of a plate this broad lies than the other, mm."""
        return breadth_mm * math.tan(math.radians(self.tilt.value))
