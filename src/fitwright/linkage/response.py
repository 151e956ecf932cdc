"""How a rider shares out a change of the bike between knee, ankle and pelvis: rigid twin times the rider's shares.

A rider does not hold pelvis and foot still while the saddle moves. Ferrer-Roca et al. 2014 (J Strength Cond
Res, 10.1519/JSC.0b013e3182a1f1a9; 14 well-trained riders) moved saddles over a span of 4 % (29-36 mm): knee
extension grew by 7°, ankle extension by 8°, the greatest flexions fell by 4° each. Against the rigid twin
(2.2° per 5 mm at a least flexion of 35°, 0.8° at the greatest) the knee realised 43-53 % at the bottom and
69-86 % at the top. The ankle grew by the twin's own change times the knee's share, and by heel-up that takes up
19-24 % of the height at the bottom and about 4 % at the top. The rest goes to pelvis, seat and saddle. Only group
means are known, so the spreads are our choice.

At each of the two places knee, ankle and pelvis share one whole. Every prediction is linear in the shares and
therefore a normal interval; `learning.py` updates them from before/after pairs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.linkage.leg import check_leg, extremes, solve, whole_turn
from fitwright.linkage.sensitivity import moved, parameter_derivatives, sensitivity
from fitwright.linkage.twin import LegTwin
from fitwright.quantity import Floats, Measured

_STUDY = "Ferrer-Roca 2014 against the rigid twin; spread our choice"
PRIOR: Mapping[str, Measured] = {
    "knee_bottom": Measured(0.48, 0.15, "1", _STUDY),
    "ankle_bottom": Measured(0.21, 0.12, "1", _STUDY),
    "knee_top": Measured(0.77, 0.20, "1", _STUDY),
    "ankle_top": Measured(0.04, 0.10, "1", _STUDY),
    "other": Measured(0.74, 0.21, "1", "between the saddle's share and the whole; our assumption, no source"),
}
NAMES = tuple(PRIOR)
PLACES = ("bottom", "top")
KNEE_AGAINST_ANKLE = (
    -0.5
)  # correlation of two shares of one whole (about what a Dirichlet law gives); our choice
BOTTOM_EVENTS = ("min", "bdc", "crank_in_line")
TOP_EVENTS = ("max", "tdc", "top")


def _prior_covariance() -> tuple[tuple[float, ...], ...]:
    correlation = np.eye(len(NAMES))
    for place in PLACES:
        i, j = NAMES.index(f"knee_{place}"), NAMES.index(f"ankle_{place}")
        correlation[i, j] = correlation[j, i] = KNEE_AGAINST_ANKLE
    u = np.array([m.u for m in PRIOR.values()])
    return rows_of(correlation * np.outer(u, u))


def rows_of(matrix: Floats) -> tuple[tuple[float, ...], ...]:
    """A matrix as nested tuples, so that a model can be compared and hashed."""
    return tuple(tuple(row) for row in np.asarray(matrix, dtype=np.float64).tolist())


@dataclass(frozen=True)
class ResponseModel:
    """This rider's shares of a change of saddle height, and `other`: the share of cleat, crank, setback and shim.

    Attributes: mean (5,), covariance (5, 5) in the order of `NAMES`. pairs: how many of the rider's own before/after
    pairs went in. riders: how many other riders' pairs. source: words for where the shares come from.
    """

    mean: tuple[float, ...] = tuple(m.value for m in PRIOR.values())
    covariance: tuple[tuple[float, ...], ...] = _prior_covariance()
    pairs: int = 0
    riders: int = 0
    source: str = _STUDY

    @property
    def vector(self) -> Floats:
        """(5,) the means."""
        return np.array(self.mean)

    @property
    def matrix(self) -> Floats:
        """(5, 5) their covariance."""
        return np.array(self.covariance)

    def share(self, name: str) -> Measured:
        """One of `NAMES`, or "pelvis_bottom", "pelvis_top": what knee and ankle leave."""
        weights = np.zeros(len(NAMES))
        if name.startswith("pelvis_"):
            place = name.removeprefix("pelvis_")
            weights[[NAMES.index(f"knee_{place}"), NAMES.index(f"ankle_{place}")]] = -1.0
        else:
            weights[NAMES.index(name)] = 1.0
        value = float(weights @ self.vector) + (1.0 if name.startswith("pelvis_") else 0.0)
        return Measured(value, float(math.sqrt(weights @ self.matrix @ weights)), "1", self.source)

    def to_json(self) -> dict[str, Any]:
        """The record's form; "shares" repeats the diagonal for a reader, with the pelvis."""
        names = (*NAMES, "pelvis_bottom", "pelvis_top")
        return {
            "shares": {n: self.share(n).to_json() for n in names}, "mean": list(self.mean),
            "covariance": [list(row) for row in self.covariance], "pairs": self.pairs, "riders": self.riders,
            "source": self.source,
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> ResponseModel:
        """The inverse of `to_json`."""
        return ResponseModel(
            tuple(data["mean"]), rows_of(np.array(data["covariance"])), int(data["pairs"]), int(data["riders"]),
            str(data["source"]),
        )  # fmt: skip


@dataclass(frozen=True)
class Effect:
    """Expected change of one quantity: total ± u, and by_share (5,), deg per unit of each share, so that
    total = by_share · shares."""

    total: Measured
    by_share: tuple[float, ...]


@lru_cache(maxsize=4096)
def angle_at_event(leg: LegTwin, contact: ContactPoints, quantity: str, event: str) -> float:
    """One of the twin's angles at a named event: min, max, range, mean, bdc, tdc, q90 or crank_in_line (deg)."""
    if event in ("min", "max", "range"):
        e = extremes(leg, quantity)
        return {"min": e.low, "max": e.high, "range": e.high - e.low}[event]
    if event == "mean":
        return float(np.mean(getattr(whole_turn(leg), quantity)))
    at = {"bdc": 180.0, "tdc": 0.0, "top": 0.0, "q90": 90.0, "crank_in_line": crank_in_line_deg(contact)}[
        event
    ]
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


@lru_cache(maxsize=1024)
def heel_per_mm(leg: LegTwin, contact: ContactPoints, place: str) -> float:
    """Degrees of heel-up that take up 1 mm of saddle height for the knee, at the bottom or at the top."""
    e = extremes(leg)
    theta = [e.low_at_deg if place == "bottom" else e.high_at_deg]
    by_height = sensitivity(leg, contact, "saddle_height_mm", "knee_flexion_deg", theta)[0]
    by_pitch = parameter_derivatives(leg, "knee_flexion_deg", theta)[7, 0]
    return float(-by_height / by_pitch)


def expected_change(
    leg: LegTwin, contact: ContactPoints, deltas: Mapping[str, float], quantity: str, event: str,
    model: ResponseModel,
) -> Effect:  # fmt: skip
    """Expected change of a measured angle for this rider, as a normal interval (deg).

    Args: deltas: sagittal adjustable (without side) → change in mm. quantity, event: as in a ride's results.
    A share is one unknown per rider, so its uncertainty scales the summed change of its class (it does not
    average out over several changes).
    """
    check_leg(leg)
    by_share = _by_share(leg, contact, deltas, quantity, event)
    u = math.sqrt(max(float(by_share @ model.matrix @ by_share), 0.0))
    total = Measured(float(by_share @ model.vector), u, "deg", "twin × response")
    return Effect(total, tuple(by_share.tolist()))


def _by_share(
    leg: LegTwin, contact: ContactPoints, deltas: Mapping[str, float], quantity: str, event: str
) -> Floats:
    """(5,) deg per unit of each share: saddle height first, everything else on top of it."""
    if event == "range":
        high, low = (_by_share(leg, contact, deltas, quantity, e) for e in ("max", "min"))
        return high - low
    out = np.zeros(len(NAMES))
    raised = deltas.get("saddle_height_mm", 0.0)
    now = angle_at_event(leg, contact, quantity, event)
    then = now
    if raised:
        then = angle_at_event(moved(leg, contact, {"saddle_height_mm": raised}), contact, quantity, event)
        for place, weight in _places(quantity, event).items():
            out[NAMES.index(f"knee_{place}")] = weight * (then - now)
            if quantity == "ankle_plantarflexion_deg":
                heel = heel_per_mm(leg, contact, place)
                out[NAMES.index(f"ankle_{place}")] = weight * raised * heel
    if any(v for k, v in deltas.items() if k != "saddle_height_mm"):
        end = angle_at_event(moved(leg, contact, deltas), contact, quantity, event)
        out[NAMES.index("other")] = end - then
    return out


def _places(quantity: str, event: str) -> Mapping[str, float]:
    """Where in the turn an event lies. The ankle points most in the lower half and is lifted most in the upper."""
    ankle = quantity == "ankle_plantarflexion_deg"
    if event in (("max", "bdc", "crank_in_line") if ankle else BOTTOM_EVENTS):
        return {"bottom": 1.0}
    if event in (("min", "tdc", "top") if ankle else TOP_EVENTS):
        return {"top": 1.0}
    return {"bottom": 0.5, "top": 0.5}


def settled(
    leg: LegTwin, contact: ContactPoints, deltas: Mapping[str, float], model: ResponseModel
) -> LegTwin:
    """The twin as this rider is expected to sit after the changes: for a drawing, not for a number.

    Of a raised saddle the pelvis gives back its share (mean of both places), and the heel rises as the ankle's shares
    say, more at the bottom than at the top. Other changes are made whole.
    """
    raised = deltas.get("saddle_height_mm", 0.0)
    pelvis = sum(model.share(f"pelvis_{p}").value for p in PLACES) / 2
    low, high = (
        raised * model.share(f"ankle_{p}").value * heel_per_mm(leg, contact, p) if raised else 0.0
        for p in PLACES
    )
    after = moved(leg, contact, {**deltas, "saddle_height_mm": raised * (1 - pelvis)})
    cos = after.pitch_cos_deg or (0.0,)
    return replace(
        after, pitch_mean_deg=after.pitch_mean_deg + (low + high) / 2,
        pitch_cos_deg=(cos[0] + (high - low) / 2, *cos[1:]), pitch_sin_deg=after.pitch_sin_deg or (0.0,),
    )  # fmt: skip
