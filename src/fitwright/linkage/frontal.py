"""Frontal plane, thin: what stance width and the cleat's z do to the knee's path against the pedal.

The knee lies between a hip that stays and a foot that moves sideways. When the foot goes out by Δ, the knee
follows by a share of Δ. That share, 0.5 ± 0.25, is our assumption, no source: a knee half way along the leg that
follows the straight line hip–foot would show about 0.5.
"""

from __future__ import annotations

from collections.abc import Mapping

from fitwright.quantity import Measured, combine

FOLLOW = Measured(0.5, 0.25, "1", "our assumption, no source")


def knee_path_shift(spacer_mm: float = 0.0, cleat_z_mm: float = 0.0, follow: Measured = FOLLOW) -> Measured:
    """Change of the knee's mean offset from the pedal centre, mm, outward positive.

    Args:
        spacer_mm: change of the pedal's distance from the mid-plane (wider positive): pedal and foot go out by
            Δ, the knee by share·Δ, so against the pedal it goes in by (1 − share)·Δ.
        cleat_z_mm: change of the cleat's z on the sole (lateral positive): the foot goes in by Δ over a pedal
            that stays, the knee follows by share·Δ inward.
    """
    value = -(1 - follow.value) * spacer_mm - follow.value * cleat_z_mm
    u = follow.u * abs(spacer_mm - cleat_z_mm)
    return Measured(value, u, "mm", "frontal twin, wide prior")


def foot_shift(spacer_mm: float = 0.0, cleat_z_mm: float = 0.0) -> float:
    """How far the foot goes out from the mid-plane, mm: spacer − cleat z."""
    return spacer_mm - cleat_z_mm


def expected_path(now: Mapping[str, Measured], shift: Measured) -> dict[str, Measured]:
    """A knee path's events after a sideways shift: mean, tdc, q90, min, max move, the range stays."""
    return {
        event: m if event == "range" else Measured(
            m.value + shift.value, combine(m.u, shift.u), m.unit, "predicted"
        )
        for event, m in now.items()
    }  # fmt: skip
