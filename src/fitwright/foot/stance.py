"""How wide the feet stand: pedal and foot from the bike's mid-plane.

S_c = Q/2 + pedal offset + spacer is where the cleat centre stands. The foot's own mid-line crosses the axle at
S_c − z_c / cos φ: a cleat further inward on the sole moves the foot outward.

Riders' own choice in a test was a Q factor of 142 mm on average, and a hanging-leg task predicted it (Disley & Li
2014, 10.1080/15438627.2013.852093; ten trained cyclists): told as text, no target.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitwright.errors import check_range
from fitwright.foot.sole import CleatPose
from fitwright.quantity import Floats, Measured, combine, difference, distinguishable, propagate

PUBLISHED = (
    "Ten trained cyclists who could choose took a Q factor of 142 mm on average (Disley & Li 2014); how far riders "
    "lie apart in this was not seen by us. It is no target."
)


@dataclass(frozen=True)
class Stance:
    """One side. pedal_out: cleat centre from the mid-plane, mm; foot_out: the foot's mid-line where the axle crosses
    it, None without a cleat; yaw_deg: of the foot it was worked out for."""

    side: str
    pedal_out: Measured
    foot_out: Measured | None
    yaw_deg: float | None

    @property
    def per_cleat_mm(self) -> float:
        """mm that the foot goes outward for each mm that the cleat goes inward on the sole."""
        return 1 / math.cos(math.radians(self.yaw_deg or 0.0))

    @property
    def axle_per_cleat_mm(self) -> float:
        """mm that the cleat must also go back for each mm inward, so that the axle stays where it crosses M1–M5."""
        return math.tan(math.radians(self.yaw_deg or 0.0))


def pedal_out(q_factor: Measured, offset: Measured, spacer: Measured) -> Measured:
    """S_c, mm."""
    check_range("q_factor_mm", q_factor.value, 80, 300, "mm")
    check_range("pedal_offset_mm", offset.value, 20, 120, "mm")
    check_range("spacer_mm", spacer.value, 0, 40, "mm")
    value = q_factor.value / 2 + offset.value + spacer.value
    u = combine(q_factor.u / 2, offset.u, spacer.u)
    return Measured(value, u, "mm", "half the Q factor + pedal offset + spacer")


def stance(side: str, out: Measured, cleat: CleatPose | None) -> Stance:
    """Where pedal and foot stand on one side, the foot at the middle of its float."""
    if cleat is None:
        return Stance(side, out, None, None)

    def foot(v: Floats) -> Floats:
        return np.array([v[0] - v[1] / math.cos(math.radians(float(v[2])))])

    covariance = np.zeros((3, 3))
    covariance[0, 0], covariance[1:, 1:] = out.u**2, cleat.covariance[1:, 1:]
    value, cov = propagate(foot, np.array([out.value, cleat.z_mm, cleat.psi_deg]), covariance)
    placed = Measured(
        float(value[0]), math.sqrt(cov[0, 0]), "mm", "pedal − cleat’s outward place on the sole"
    )
    return Stance(side, out, placed, cleat.psi_deg)


def sides_words(left: Measured, right: Measured, what: str, shared_u_mm: float = 0.0) -> str:
    """Whether both sides stand equally far out; `shared_u_mm` is the part of u that both have in common."""
    own = [Measured(m.value, math.sqrt(max(m.u**2 - shared_u_mm**2, 0.0)), "mm") for m in (left, right)]
    d = difference(own[1], own[0])
    if not distinguishable(own[1], own[0]):
        return f"left and right {what} cannot be told apart ({abs(d.value):.1f} ± {1.96 * d.u:.1f} mm)"
    wider = "right" if d.value > 0 else "left"
    return f"the {wider} {what} stands {abs(d.value):.1f} ± {1.96 * d.u:.1f} mm further out"
