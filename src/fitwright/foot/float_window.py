"""The yaw a rider uses while pedalling against the window that the cleat's float leaves."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from fitwright.errors import InputError
from fitwright.quantity import Z95, Measured


@dataclass(frozen=True)
class FloatCheck:
    """The yaw a rider uses against the window the cleat leaves.

    Attributes: window_deg (low, high) = ψ − float_in, ψ + float_out; used_deg (low, high) of the rider with the
    95 % interval of both ends; margin_in_deg, margin_out_deg, negative when an end is passed; state "inside",
    "near an end" or "touches an end"; words.
    """

    window_deg: tuple[float, float]
    used_deg: tuple[float, float]
    margin_in_deg: Measured
    margin_out_deg: Measured
    state: str
    words: str

    def to_json(self) -> dict[str, Any]:
        """Plain numbers and words."""
        return {
            "window_deg": list(self.window_deg), "used_deg": list(self.used_deg),
            "margin_in_deg": self.margin_in_deg.to_json(), "margin_out_deg": self.margin_out_deg.to_json(),
            "state": self.state, "words": self.words,
        }  # fmt: skip


def check_float(
    psi: Measured, float_in_deg: float, float_out_deg: float, yaw_low: Measured, yaw_high: Measured,
    margin_deg: float = 1.0,
) -> FloatCheck:  # fmt: skip
    """Whether the yaw used while pedalling stays inside [ψ − float_in, ψ + float_out] with a margin.

    Args: yaw_low, yaw_high: least and largest toe-out angle in the turn. margin_deg: wanted to both ends (common
    practice, no source).
    """
    if yaw_low.value > yaw_high.value:
        raise InputError(
            "yaw range", "its low end lies above its high end", value=f"{yaw_low.value:g}, {yaw_high.value:g}"
        )
    window = (psi.value - float_in_deg, psi.value + float_out_deg)
    inner = Measured(yaw_low.value - window[0], math.hypot(psi.u, yaw_low.u), "deg", "float window")
    outer = Measured(window[1] - yaw_high.value, math.hypot(psi.u, yaw_high.u), "deg", "float window")
    worst = min(inner, outer, key=lambda m: m.value)
    end = "toe-in" if worst is inner else "toe-out"
    if yaw_high.value - yaw_low.value > float_in_deg + float_out_deg:
        state, words = (
            "touches an end",
            "the rider turns the foot more than the whole float: choose more float",
        )
    elif worst.value <= 0:
        state, words = "touches an end", f"the float ends {-worst.value:.1f}° too early on the {end} side"
    elif worst.value < margin_deg:
        state, words = "near an end", f"only {worst.value:.1f}° are left on the {end} side"
    elif worst.value < Z95 * worst.u:
        state = "near an end"
        words = f"{worst.value:.1f} ± {Z95 * worst.u:.1f}° are left on the {end} side, too near to be sure"
    else:
        state, words = "inside", f"{inner.value:.1f}° are left to toe-in and {outer.value:.1f}° to toe-out"
    if state != "inside" and "whole float" not in words:
        words += f": turn the cleat's nose {'outward' if end == 'toe-in' else 'inward'} or choose more float"
    return FloatCheck(window, (yaw_low.value, yaw_high.value), inner, outer, state, words)
