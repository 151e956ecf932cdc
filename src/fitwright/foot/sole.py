"""The sole frame: marks on a sole and the pose of a cleat in it, with uncertainty.

Frame (one per foot): origin at the rearmost point of the heel on the sole's mid-line, x forward along the
mid-line, z lateral (away from the other foot). The same numbers mean the same on both feet.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.quantity import Floats, Measured


@dataclass(frozen=True)
class SolePoint:
    """A point in the sole frame, mm, with its 2 × 2 covariance, mm²."""

    x_mm: float
    z_mm: float
    covariance_mm2: Floats

    @property
    def xz(self) -> Floats:
        """(2,) x and z, mm."""
        return np.array([self.x_mm, self.z_mm])

    def to_json(self) -> dict[str, Any]:
        """`{"x": {"value","u"}, "z": {"value","u"}, "covariance_mm2"}`, mm."""
        u = np.sqrt(np.diag(self.covariance_mm2))
        return {
            "x": {"value": self.x_mm, "u": float(u[0])}, "z": {"value": self.z_mm, "u": float(u[1])},
            "covariance_mm2": self.covariance_mm2.tolist(),
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> SolePoint:
        """The inverse of `to_json`."""
        return SolePoint(
            float(data["x"]["value"]), float(data["z"]["value"]),
            np.asarray(data["covariance_mm2"], dtype=np.float64),
        )  # fmt: skip


@dataclass(frozen=True)
class CleatPose:
    """Cleat centre (x, z, mm) and ψ: toe-out angle of the foot at mid-float, deg (the cleat's long axis is
    turned by −ψ in the sole frame). Covariance (3, 3) in mm², mm·deg, deg², order x, z, ψ."""

    x_mm: float
    z_mm: float
    psi_deg: float
    covariance: Floats
    method: str = ""

    @property
    def vector(self) -> Floats:
        """(3,) x mm, z mm, ψ deg."""
        return np.array([self.x_mm, self.z_mm, self.psi_deg])

    @property
    def u(self) -> Floats:
        """(3,) standard uncertainties of x mm, z mm, ψ deg."""
        return np.asarray(np.sqrt(np.diag(self.covariance)), dtype=np.float64)

    def measured(self) -> dict[str, Measured]:
        """`{"x_c_mm", "z_c_mm", "psi_c_deg"}`, each a `Measured`."""
        u = self.u
        return {
            "x_c_mm": Measured(self.x_mm, float(u[0]), "mm", self.method),
            "z_c_mm": Measured(self.z_mm, float(u[1]), "mm", self.method),
            "psi_c_deg": Measured(self.psi_deg, float(u[2]), "deg", self.method),
        }

    def to_json(self) -> dict[str, Any]:
        """`{"x_c_mm": {...}, "z_c_mm": {...}, "psi_c_deg": {...}, "covariance", "method"}`."""
        return {k: m.to_json() for k, m in self.measured().items()} | {
            "covariance": self.covariance.tolist(), "method": self.method,
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> CleatPose:
        """The inverse of `to_json`."""
        return CleatPose(
            float(data["x_c_mm"]["value"]), float(data["z_c_mm"]["value"]), float(data["psi_c_deg"]["value"]),
            np.asarray(data["covariance"], dtype=np.float64), str(data.get("method", "")),
        )  # fmt: skip


@dataclass(frozen=True)
class SoleReading:
    """Everything one sole photograph gave.

    Attributes:
        foot: "left" or "right".
        landmarks: name → point: "m1", "m5", "heel_centre" (origin), "toe", and what else was marked.
        datums: name → point, in the sole frame ("datum_1", ...).
        cleat: the cleat's pose, or None when no cleat was marked.
        length_mm: heel to toe along the mid-line.
        quality: card corners found, homography rms, lens model, camera distance, notes.
        outline_mm: (x, z) corners of the sole's edge, in order round; empty when it was not found.
        joint_mm2: (2n, 2n) covariance of all points as they were found in the picture, along the sole's axes, in the
            order of `names`: what they share (lens, height, print scale) stands off its diagonal. Unlike each
            point's own covariance it leaves the heel uncertain too. None when only the single points are known.
    """

    foot: str
    landmarks: Mapping[str, SolePoint]
    datums: Mapping[str, SolePoint]
    cleat: CleatPose | None
    length_mm: Measured
    quality: Mapping[str, Any]
    outline_mm: tuple[tuple[float, float], ...] = ()
    joint_mm2: Floats | None = None

    @property
    def names(self) -> tuple[str, ...]:
        """All points: landmarks, then datum marks."""
        return (*self.landmarks, *self.datums)

    def without_datums(self) -> SoleReading:
        """The reading as if no datum mark had been picked."""
        n = 2 * len(self.landmarks)
        joint = None if self.joint_mm2 is None else self.joint_mm2[:n, :n]
        return replace(self, datums={}, joint_mm2=joint)

    def to_json(self) -> dict[str, Any]:
        """The record's form (also what `fitwright feet measure --json` prints)."""
        return {
            "foot": self.foot,
            "landmarks": {k: p.to_json() for k, p in self.landmarks.items()},
            "m1_mm": self.landmarks["m1"].to_json() if "m1" in self.landmarks else None,
            "m5_mm": self.landmarks["m5"].to_json() if "m5" in self.landmarks else None,
            "datums": {k: p.to_json() for k, p in self.datums.items()},
            "cleat": self.cleat.to_json() if self.cleat else None,
            "length_mm": self.length_mm.to_json(), "quality": dict(self.quality),
            "outline_mm": [list(p) for p in self.outline_mm],
            "joint_mm2": None if self.joint_mm2 is None else np.round(self.joint_mm2, 7).tolist(),
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> SoleReading:
        """The inverse of `to_json`."""
        joint = data.get("joint_mm2")
        return SoleReading(
            data["foot"],
            {k: SolePoint.from_json(p) for k, p in data["landmarks"].items()},
            {k: SolePoint.from_json(p) for k, p in data["datums"].items()},
            CleatPose.from_json(data["cleat"]) if data["cleat"] else None,
            Measured.from_json(data["length_mm"]), dict(data["quality"]),
            tuple((float(x), float(z)) for x, z in data.get("outline_mm", ())),
            None if joint is None else np.asarray(joint, dtype=np.float64),
        )  # fmt: skip
