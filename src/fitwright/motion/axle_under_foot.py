"""Where the pedal axle runs under the foot: fraction λ of the line from M1 to M5 (0 = under M1, 1 = under M5).

Seen from the side the axle is a point. Its distance ahead of M5 along the sole, d, and the fore-aft distance D
between M1 and M5 at the foot's yaw give λ = 1 − d/D; the cleat's lateral setting drops out.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.motion.events import measure_events
from fitwright.motion.ride import Events
from fitwright.motion.turns import mean_points
from fitwright.quantity import Floats


@dataclass(frozen=True)
class FootMarks:
    """Marks of one foot in the sole frame (x forward, z outward, mm) and how the filmed points sit above the sole.

    Attributes:
        m1_mm, m5_mm: (x, z) of the first and fifth metatarsal heads. yaw_deg: toe-out of the foot on the pedal.
        heel_above_mm, m5_above_mm: heights of the filmed heel and M5 points above the sole; only the
            difference counts.
        u_mark_mm, u_yaw_deg: standard uncertainties of one mark's coordinate and of the yaw.
    """

    m1_mm: tuple[float, float]
    m5_mm: tuple[float, float]
    yaw_deg: float = 0.0
    heel_above_mm: float = 0.0
    m5_above_mm: float = 0.0
    u_mark_mm: float = 1.5
    u_yaw_deg: float = 2.0

    def fore_aft_mm(self, yaw_deg: float) -> float:
        """D: how far M1 lies ahead of M5 along X at this yaw."""
        dx, dz = self.m1_mm[0] - self.m5_mm[0], self.m1_mm[1] - self.m5_mm[1]
        return dx * math.cos(math.radians(yaw_deg)) - dz * math.sin(math.radians(yaw_deg))


def axle_ahead_of_m5(points: Mapping[str, Floats], foot: FootMarks) -> Floats:
    """Distance (...) mm from M5 forward to the axle along the sole, from (..., 2) points of one foot."""
    line = points["fifth_metatarsal"] - points["heel"]
    length = np.linalg.norm(line, axis=-1)
    lift = np.arcsin(np.clip((foot.heel_above_mm - foot.m5_above_mm) / length, -1, 1))
    # The filmed line leans against the sole by `lift`; turned back by it, the line is the sole's direction.
    angle = np.arctan2(line[..., 1], line[..., 0]) + lift
    axle = points["pedal_axle"] - points["fifth_metatarsal"]
    return np.asarray(axle[..., 0] * np.cos(angle) + axle[..., 1] * np.sin(angle), dtype=np.float64)


def axle_under_foot(
    turns: Mapping[str, Floats], foot: FootMarks, scale_u: float, u_mm: Mapping[str, float]
) -> Events:
    """λ at 90° (crank forward, loaded) and as mean over the turn, with combined uncertainty.

    Raises:
        InputError: M1 does not lie ahead of M5 at this yaw.
    """
    d_mm = foot.fore_aft_mm(foot.yaw_deg)
    if d_mm < 5.0:
        raise InputError("m1_mm", "M1 must lie ahead of M5 by 5 mm or more", value=round(d_mm, 1), allowed="≥ 5 mm",
                         hint="Are M1 and M5 swapped?")  # fmt: skip
    ahead = axle_ahead_of_m5(turns, foot)
    mean = axle_ahead_of_m5(mean_points(turns), foot)
    by_yaw = foot.fore_aft_mm(foot.yaw_deg + foot.u_yaw_deg) - d_mm
    u_d = math.hypot(math.sqrt(2.0) * foot.u_mark_mm, by_yaw)
    # The film's M5 point stands for M5 itself, so its placement and the mark's count once each.
    offsets = [u_mm.get("fifth_metatarsal", 0.0), u_mm.get("pedal_axle", 0.0), foot.u_mark_mm]
    deltas = np.array(
        [np.full(360, u / d_mm) for u in offsets] + [mean * scale_u / d_mm, mean * u_d / d_mm**2]
    )
    method = "axle between M1 and M5, side view and sole marks"
    return measure_events(1.0 - ahead / d_mm, "1", method, np.nan_to_num(deltas), names=("mean", "q90"))
