"""How a rider shares out a change of the bike: rigid twin × the share that the knee realises.

A rider does not hold pelvis and foot still while the saddle moves. Ferrer-Roca et al. 2014 (J Strength Cond
Res, 10.1519/JSC.0b013e3182a1f1a9; 14 well-trained riders) moved saddles over a span of 4 % (29-36 mm): knee
extension grew by 7°, ankle extension by 8°, the greatest flexions fell by 4° each. Against the rigid twin
(2.2° per 5 mm at a least flexion of 35°, 0.8° at the greatest) the knee realised 43-53 % at the bottom and
69-86 % at the top. Hence the priors below; their spreads are our choice, because only group means are known.

The share at the bottom is updated from the rider's own before/after pairs (normal prior, normal error,
closed form). Predictions are intervals.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.linkage.leg import check_leg, extremes, solve
from fitwright.linkage.sensitivity import moved
from fitwright.linkage.twin import LegTwin
from fitwright.quantity import Measured, combine

KNEE_BOTTOM = Measured(0.48, 0.15, "1", "Ferrer-Roca 2014 against the rigid twin; spread our choice")
KNEE_TOP = Measured(0.77, 0.20, "1", "Ferrer-Roca 2014 against the rigid twin; spread our choice")
ANKLE_HIGH_PER_MM = Measured(0.246, 0.10, "deg", "Ferrer-Roca 2014: 8° over 29-36 mm; spread our choice")
ANKLE_LOW_PER_MM = Measured(0.123, 0.08, "deg", "Ferrer-Roca 2014: 4° over 29-36 mm; spread our choice")
OTHER_SHARE = Measured(
    0.74, 0.21, "1", "between the saddle's share and the whole rigid change; our assumption, no source"
)
ROUTED_BY_HEIGHT = ("saddle_height_mm",)
BOTTOM_EVENTS = ("min", "bdc", "crank_in_line")


@dataclass(frozen=True)
class ResponseModel:
    """This rider's shares; the published prior until before/after pairs have been seen.

    Attributes: knee_bottom, knee_top: share of the rigid change of saddle height that the knee shows near the
    bottom and at its greatest flexion. other: share for cleat, crank, setback and shim. pairs: how many
    before/after pairs went in.
    """

    knee_bottom: Measured = KNEE_BOTTOM
    knee_top: Measured = KNEE_TOP
    other: Measured = OTHER_SHARE
    pairs: int = 0

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "knee_bottom": self.knee_bottom.to_json(), "knee_top": self.knee_top.to_json(),
            "other": self.other.to_json(), "pairs": self.pairs,
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> ResponseModel:
        """The inverse of `to_json`."""
        return ResponseModel(
            Measured.from_json(data["knee_bottom"]), Measured.from_json(data["knee_top"]),
            Measured.from_json(data["other"]), int(data["pairs"]),
        )  # fmt: skip


@dataclass(frozen=True)
class Effect:
    """Expected change of one quantity: `total` ± u, and the rigid change by adjustable it was made from."""

    total: Measured
    rigid: Mapping[str, float] = field(default_factory=dict)


@lru_cache(maxsize=4096)
def angle_at_event(leg: LegTwin, contact: ContactPoints, quantity: str, event: str) -> float:
    """One of the twin's angles at a named event: min, max, range, mean, bdc, tdc, q90 or crank_in_line (deg)."""
    if event in ("min", "max", "range"):
        e = extremes(leg, quantity)
        return {"min": e.low, "max": e.high, "range": e.high - e.low}[event]
    if event == "mean":
        return float(np.mean(getattr(solve(leg), quantity)))
    at = {"bdc": 180.0, "tdc": 0.0, "q90": 90.0, "crank_in_line": crank_in_line_deg(contact)}[event]
    return float(getattr(solve(leg, [at]), quantity)[0])


def crank_in_line_deg(contact: ContactPoints) -> float:
    """Crank angle at which the crank lies in line with BB–saddle, pedal low (deg): 180° − atan(setback / Y)."""
    x, y = contact.saddle_xy_mm
    return 180.0 - math.degrees(math.atan2(-x, y))


def rigid_changes(
    leg: LegTwin, contact: ContactPoints, deltas: Mapping[str, float], quantity: str, event: str
) -> dict[str, float]:
    """Adjustable → rigid change of one angle (deg), each on top of those before it, so that they add up."""
    check_leg(leg)
    done: dict[str, float] = {}
    out: dict[str, float] = {}
    before = angle_at_event(leg, contact, quantity, event)
    for name, delta in deltas.items():
        if delta == 0:
            continue
        done[name] = delta
        after = angle_at_event(moved(leg, contact, done), contact, quantity, event)
        out[name], before = after - before, after
    return out


def expected_change(
    leg: LegTwin, contact: ContactPoints, deltas: Mapping[str, float], quantity: str, event: str,
    model: ResponseModel,
) -> Effect:  # fmt: skip
    """Expected change of a measured angle for this rider, as a normal interval (deg).

    Args: deltas: sagittal adjustable (without side) → change in mm. quantity, event: as in a ride's results.
    The share is one unknown per rider, so its uncertainty scales the summed change of its class (it does not
    average out over several changes).
    """
    if quantity == "ankle_plantarflexion_deg":
        return _ankle_change(leg, contact, deltas, quantity, event, model)
    rigid = rigid_changes(leg, contact, deltas, quantity, event)
    if quantity == "knee_flexion_deg" and event == "range":
        high = expected_change(leg, contact, deltas, quantity, "max", model).total
        low = expected_change(leg, contact, deltas, quantity, "min", model).total
        return Effect(Measured(high.value - low.value, combine(high.u, low.u), "deg", high.method), rigid)
    share = model.knee_bottom if event in BOTTOM_EVENTS else model.knee_top
    height = sum(v for k, v in rigid.items() if k in ROUTED_BY_HEIGHT)
    other = sum(v for k, v in rigid.items() if k not in ROUTED_BY_HEIGHT)
    return Effect(
        Measured(
            share.value * height + model.other.value * other,
            combine(share.u * height, model.other.u * other), "deg", "twin × response",
        ), rigid,
    )  # fmt: skip


def _ankle_change(
    leg: LegTwin, contact: ContactPoints, deltas: Mapping[str, float], quantity: str, event: str,
    model: ResponseModel,
) -> Effect:  # fmt: skip
    """The ankle follows the saddle by published slopes (deg per mm), other changes by the rigid twin."""
    rest = {k: v for k, v in deltas.items() if k not in ROUTED_BY_HEIGHT}
    rigid = rigid_changes(leg, contact, rest, quantity, event)
    height = sum(v for k, v in deltas.items() if k in ROUTED_BY_HEIGHT)
    high, low = ANKLE_HIGH_PER_MM, ANKLE_LOW_PER_MM
    slope = {
        "max": high, "min": low,
        "range": Measured(high.value - low.value, combine(high.u, low.u), "deg"),
    }.get(event, Measured((high.value + low.value) / 2, combine(high.u, low.u) / 2 + 0.03, "deg"))  # fmt: skip
    other = sum(rigid.values())
    return Effect(
        Measured(
            slope.value * height + model.other.value * other,
            combine(slope.u * height, model.other.u * other), "deg", "published slope, twin for the rest",
        ), rigid,
    )  # fmt: skip


@dataclass(frozen=True)
class Pair:
    """One before/after pair: rigid change of the knee at the bottom (deg) and the change that was measured."""

    rigid_deg: float
    seen_deg: Measured


CONFLICT = 1.0


def updated(model: ResponseModel, pairs: Sequence[Pair]) -> ResponseModel:
    """The share at the bottom after before/after pairs: conjugate normal update.

    seen = share · rigid + error. Posterior precision 1/u₀² + Σ rigid²/u_seen²; a pair without a rigid change
    teaches nothing. When the rider's own pairs lie more than one combined u from the prior, this rider is not one of
    the prior's: its u is first widened to what makes the pairs most likely (type-II maximum likelihood), else a
    confident prior would keep the intervals too narrow.
    """
    prior = model.knee_bottom
    information = weighted = 0.0
    for pair in pairs:
        variance = max(pair.seen_deg.u, 1e-6) ** 2
        information += pair.rigid_deg**2 / variance
        weighted += pair.rigid_deg * pair.seen_deg.value / variance
    if information == 0:
        return model
    variance0, miss = prior.u**2, weighted / information - prior.value
    if abs(miss) > CONFLICT * math.sqrt(variance0 + 1 / information):
        variance0 = max(variance0, miss**2 - 1 / information)
    precision = 1 / variance0 + information
    share = Measured(
        (prior.value / variance0 + weighted) / precision, 1 / math.sqrt(precision), "1",
        "published prior and this rider's own changes",
    )  # fmt: skip
    return replace(model, knee_bottom=share, pairs=model.pairs + len(pairs))
