"""The rider's twin: the lengths, hip centre and pitch that turn a crank angle into a leg's pose."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from fitwright.quantity import Floats


@dataclass(frozen=True)
class LegTwin:
    """One leg on one bike, sagittal plane, bike frame (X forward, Y up, origin BB axis).

    Attributes:
        thigh_mm, shank_mm: hip centre–knee centre, knee centre–lateral malleolus.
        axle_to_malleolus_x_mm: a, how far the malleolus lies behind the pedal axle, in the sole frame.
        axle_to_malleolus_y_mm: b, how far above it, in the sole frame (malleolus + sole + stack + shim).
        crank_mm: L. hip_x_mm, hip_y_mm: hip centre H, mean over the turn.
        pitch_mean_deg, pitch_cos_deg, pitch_sin_deg: β(θ) = mean + Σ_k cos[k−1] cos kθ + sin[k−1] sin kθ,
            heel-up positive; one entry per harmonic (two).
    """

    thigh_mm: float
    shank_mm: float
    axle_to_malleolus_x_mm: float
    axle_to_malleolus_y_mm: float
    crank_mm: float
    hip_x_mm: float
    hip_y_mm: float
    pitch_mean_deg: float
    pitch_cos_deg: tuple[float, ...] = (0.0, 0.0)
    pitch_sin_deg: tuple[float, ...] = (0.0, 0.0)

    def to_json(self) -> dict[str, Any]:
        """The shape that `fitwright twin solve` reads."""
        return {
            "thigh_mm": self.thigh_mm, "shank_mm": self.shank_mm,
            "axle_to_malleolus_x_mm": self.axle_to_malleolus_x_mm,
            "axle_to_malleolus_y_mm": self.axle_to_malleolus_y_mm,
            "crank_mm": self.crank_mm, "hip_x_mm": self.hip_x_mm, "hip_y_mm": self.hip_y_mm,
            "pitch_deg": {
                "mean": self.pitch_mean_deg, "cos": list(self.pitch_cos_deg), "sin": list(self.pitch_sin_deg),
            },
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> LegTwin:
        """The inverse of `to_json`."""
        pitch = data["pitch_deg"]
        plain = {k: float(v) for k, v in data.items() if k != "pitch_deg"}
        return LegTwin(
            **plain, pitch_mean_deg=float(pitch["mean"]),
            pitch_cos_deg=tuple(float(v) for v in pitch.get("cos", (0, 0))),
            pitch_sin_deg=tuple(float(v) for v in pitch.get("sin", (0, 0))),
        )  # fmt: skip


@dataclass(frozen=True)
class CalibratedTwin:
    """A twin fitted to a ride.

    Attributes:
        leg: best estimate. names: (n,) fitted parameters in the covariance's order.
        covariance: (n, n). residual_rms_mm: fit residual over knee, malleolus and hip points;
            NaN (null in JSON) for a first guess, which no ride has been fitted to.
        warnings: what could not be told apart, in words.
    """

    leg: LegTwin
    names: tuple[str, ...]
    covariance: Floats
    residual_rms_mm: float
    warnings: tuple[str, ...] = ()
    extra: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "leg": self.leg.to_json(), "names": list(self.names), "covariance": self.covariance.tolist(),
            "residual_rms_mm": None if math.isnan(self.residual_rms_mm) else self.residual_rms_mm,
            "warnings": list(self.warnings), "extra": dict(self.extra),
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> CalibratedTwin:
        """The inverse of `to_json`."""
        rms = data["residual_rms_mm"]
        return CalibratedTwin(
            LegTwin.from_json(data["leg"]), tuple(data["names"]), np.asarray(data["covariance"]),
            math.nan if rms is None else float(rms), tuple(data["warnings"]), dict(data.get("extra", {})),
        )  # fmt: skip
