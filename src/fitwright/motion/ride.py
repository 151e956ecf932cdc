"""What a ride says: cycle curves and quantities at named events, each with its uncertainty."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats, Measured, listed

THETA_DEG: Floats = np.arange(360.0)


@dataclass(frozen=True)
class CycleCurve:
    """One quantity over the turn of the crank in 1° bins (bin k is at crank angle k°, TDC = 0).

    Attributes:
        name: e.g. "knee_flexion", "hip_flexion", "ankle_plantarflexion", "sole_pitch", "trunk_inclination",
            "knee_path" (mm outward of the pedal centre), "foot_yaw"; coordinates as "hip_x", "hip_y", "knee_x", ...
        unit: "deg" or "mm".
        mean, sd, u: (360,) mean over cycles, SD between cycles, combined standard uncertainty of the mean.
        cycles: number of cycles that went in.
        estimate: as `Measured.estimate`.
    """

    name: str
    unit: str
    mean: Floats
    sd: Floats
    u: Floats
    cycles: int
    estimate: bool = False

    def to_json(self) -> dict[str, Any]:
        """Lists at 1° steps, rounded to 1e-4 of the unit; `"estimate": true` where it is one."""
        told = {
            "unit": self.unit, "cycles": self.cycles,
            "mean": listed(self.mean, 4), "sd": listed(self.sd, 4), "u": listed(self.u, 4),
        }  # fmt: skip
        return told | {"estimate": True} if self.estimate else told

    @staticmethod
    def from_json(name: str, data: Mapping[str, Any]) -> CycleCurve:
        """The inverse of `to_json`."""

        def unpack(x: list[float | None]) -> Floats:
            return np.array([np.nan if v is None else v for v in x], dtype=np.float64)

        return CycleCurve(
            name,
            data["unit"],
            unpack(data["mean"]),
            unpack(data["sd"]),
            unpack(data["u"]),
            int(data["cycles"]),
            bool(data.get("estimate", False)),
        )


Events = Mapping[str, Measured]
"""Event name → value: "min", "max", "bdc", "tdc", "q90", "range", "mean", "min_at", "max_at" (crank angle)."""


@dataclass(frozen=True)
class RideResult:
    """The outcome of one clip or one marker file.

    Attributes:
        view: "side", "front" or "markers" (3-D).
        cadence_rpm: mean cadence over the whole cycles.
        cycles: whole cycles found, by side for "markers" and "front", under the filmed side for "side".
        quantities: side ("left"/"right"/"both") → quantity ("knee_flexion_deg", "hip_flexion_deg",
            "ankle_plantarflexion_deg", "sole_pitch_deg", "trunk_inclination_deg", "knee_path_mm", "foot_yaw_deg",
            "axle_under_foot" (λ), ...) → event → value.
        curves: side → curve name → curve.
        method: what a value hangs from, compared before any two are compared: {"dimension": "2-D"|"3-D",
            "state": "dynamic"|"static", "landmarks": "..."}.
        quality: machine-readable facts (frames, gaps, rms, cut-off, residuals, track quality per point).
        notes: what is weak or missing, in words, with what to do.
        trajectories: side (or "both") → the points over time as they were seen, before smoothing.
        guessed: points that a network guessed and nobody confirmed; see `estimate`.
    """

    view: str
    cadence_rpm: Measured
    cycles: Mapping[str, int]
    quantities: Mapping[str, Mapping[str, Events]]
    curves: Mapping[str, Mapping[str, CycleCurve]]
    method: Mapping[str, str]
    quality: Mapping[str, Any] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    trajectories: Mapping[str, Trajectories] = field(default_factory=dict)
    guessed: tuple[str, ...] = ()

    def value(self, side: str, quantity: str, event: str) -> Measured | None:
        """One value, or None when this ride does not have it."""
        return self.quantities.get(side, {}).get(quantity, {}).get(event)

    def to_json(self) -> dict[str, Any]:
        """Plain data, the record's form; `from_json` reads it back."""
        told = {
            "view": self.view, "cadence_rpm": self.cadence_rpm.to_json(), "cycles": dict(self.cycles),
            "quantities": {
                s: {q: {e: m.to_json() for e, m in events.items()} for q, events in qs.items()}
                for s, qs in self.quantities.items()
            },
            "curves": {s: {n: c.to_json() for n, c in cs.items()} for s, cs in self.curves.items()},
            "method": dict(self.method), "quality": dict(self.quality), "notes": list(self.notes),
            "trajectories": {s: t.to_json() for s, t in self.trajectories.items()},
        }  # fmt: skip
        return told | {"guessed": list(self.guessed)} if self.guessed else told

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> RideResult:
        """The inverse of `to_json`."""
        return RideResult(
            view=data["view"], cadence_rpm=Measured.from_json(data["cadence_rpm"]), cycles=dict(data["cycles"]),
            quantities={
                s: {q: {e: Measured.from_json(m) for e, m in events.items()} for q, events in qs.items()}
                for s, qs in data["quantities"].items()
            },
            curves={
                s: {n: CycleCurve.from_json(n, c) for n, c in cs.items()} for s, cs in data["curves"].items()
            },
            method=dict(data["method"]), quality=dict(data["quality"]), notes=tuple(data["notes"]),
            trajectories={s: Trajectories.from_json(t) for s, t in data.get("trajectories", {}).items()},
            guessed=tuple(data.get("guessed", ())),
        )  # fmt: skip


def together(films: Mapping[str, RideResult]) -> tuple[RideResult, tuple[str, ...]]:
    """One ride of the films of both sides (side → ride, the first one leads), and the sides that are in it.

    Films taken in different ways (method, or guesses beside marks) cannot be one: the first stands alone.
    """
    (lead, first), *rest = films.items()
    others = {s: r for s, r in rest if dict(r.method) == dict(first.method) and r.guessed == first.guessed}
    rides = [*reversed(others.values()), first]  # what both tell (the trunk) is the first one's
    whole = replace(
        first, cycles={k: v for r in rides for k, v in r.cycles.items()},
        quantities={k: v for r in rides for k, v in r.quantities.items()},
        curves={k: v for r in rides for k, v in r.curves.items()},
        notes=tuple(dict.fromkeys(n for r in reversed(rides) for n in r.notes)),
        trajectories={k: v for r in rides for k, v in r.trajectories.items()},
    )  # fmt: skip
    return whole, (lead, *others)
