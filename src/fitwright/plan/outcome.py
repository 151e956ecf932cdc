"""Predicted against measured after a change, and what the rider's own response teaches.

Agreement is judged on the change, not on the absolute value: what was wrong in the same way before and after
(stickers that stayed on, scale, lens) drops out. With the same stickers the standard error of an angle between two
rides is taken as 1°, with stickers set again as 2.5° (10-18 mm of trochanter placement across a 415 mm thigh; our
assumption until a studio has measured its own).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fitwright.bike.contact import ContactPoints
from fitwright.linkage.response import BOTTOM_EVENTS, Pair, ResponseModel, rigid_changes, updated
from fitwright.linkage.twin import LegTwin
from fitwright.plan.forecast import sagittal
from fitwright.plan.types import Prediction
from fitwright.quantity import Z95, Measured, combine, mdc95

SEM_SAME_STICKERS = {"deg": 1.0, "mm": 1.5, "1": 0.02}
SEM_NEW_STICKERS = {"deg": 2.5, "mm": 4.0, "1": 0.03}


@dataclass(frozen=True)
class Outcome:
    """One quantity after a change.

    Attributes: predicted, measured: the change from before ± u. agrees: their difference is within its 95 %
    interval. distinguishable: the measured change exceeds MDC95. held80: the measured change lies in the predicted
    80 % interval widened by the measurement (the record from which the intervals themselves are judged).
    """

    id: str
    label: str
    before: Measured
    after: Measured
    predicted: Measured
    measured: Measured
    mdc95: float
    agrees: bool
    distinguishable: bool
    held80: bool
    words: str

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "id": self.id, "label": self.label, "before": self.before.to_json(), "after": self.after.to_json(),
            "predicted": self.predicted.to_json(), "measured": self.measured.to_json(), "mdc95": self.mdc95,
            "agrees": self.agrees, "distinguishable": self.distinguishable, "held80": self.held80,
            "words": self.words,
        }  # fmt: skip


def predicted_change(p: Prediction) -> Measured:
    """The change in a prediction with its own u (today's measurement taken out of the expected value's u)."""
    u = math.sqrt(max(p.expected.u**2 - p.now.u**2, 0.0))
    return Measured(p.expected.value - p.now.value, u, p.now.unit, p.expected.method)


def change_between(
    before: Measured, after: Measured, *, same_stickers: bool = True
) -> tuple[Measured, float]:
    """after − before ± u, and its MDC95: what was wrong in the same way both times drops out of the difference."""
    unit = after.unit
    sem = (SEM_SAME_STICKERS if same_stickers else SEM_NEW_STICKERS).get(unit, combine(before.u, after.u))
    sem = min(sem, max(before.u, after.u))  # a value known better than that keeps its own u
    return Measured(after.value - before.value, math.sqrt(2) * sem, unit, after.method), mdc95(sem)


def compare(prediction: Prediction, after: Measured, *, same_stickers: bool = True) -> Outcome:
    """One prediction against the value measured after the change."""
    predicted = predicted_change(prediction)
    measured, least = change_between(prediction.now, after, same_stickers=same_stickers)
    miss, u = measured.value - predicted.value, combine(predicted.u, measured.u)
    agrees, clear = abs(miss) <= Z95 * u, abs(measured.value) > least
    return Outcome(
        prediction.id, prediction.label, prediction.now, after, predicted, measured, least, agrees, clear,
        abs(miss) <= 1.2815515655446004 * u, _words(predicted, measured, agrees, clear),
    )  # fmt: skip


def _words(predicted: Measured, measured: Measured, agrees: bool, clear: bool) -> str:
    """The sentence beside the two values."""
    if not clear:
        tail = "as predicted" if agrees else f"{predicted} was predicted"
        return f"changed by {measured}: not distinguishable from no change; {tail}"
    if agrees:
        return f"changed by {measured}, predicted {predicted}: they agree"
    return f"changed by {measured}, predicted {predicted}: they do not agree; check what else was changed"


def outcomes(
    predictions: Sequence[Prediction], after: Mapping[str, Measured], *, same_stickers: bool = True
) -> tuple[Outcome, ...]:
    """All predictions that have a measured value now (id → value)."""
    return tuple(compare(p, after[p.id], same_stickers=same_stickers) for p in predictions if p.id in after)


def learn(
    model: ResponseModel, leg: LegTwin, contact: ContactPoints, deltas: Mapping[str, float],
    results: Sequence[Outcome],
) -> ResponseModel:  # fmt: skip
    """The rider's share of a saddle change, updated from one done change.

    Uses one bottom quantity per side (they are the same information). What cleat, crank, setback or shim did at the
    same time is taken off with its own uncertainty, so a change of several bolts teaches less.
    """
    pairs = []
    for side in ("left", "right"):
        planar = sagittal(deltas, side)
        seen = {r.id: r for r in results}
        event = next((e for e in BOTTOM_EVENTS if f"{side}.knee_flexion_deg.{e}" in seen), None)
        if event is None or not planar.get("saddle_height_mm"):
            continue
        rigid = rigid_changes(leg, contact, planar, "knee_flexion_deg", event)
        other = sum(v for k, v in rigid.items() if k != "saddle_height_mm")
        m = seen[f"{side}.knee_flexion_deg.{event}"].measured
        left = Measured(
            m.value - model.other.value * other, combine(m.u, model.other.u * other), "deg", m.method
        )
        pairs.append(Pair(rigid["saddle_height_mm"], left))
    return updated(model, pairs)


def coverage(results: Sequence[Outcome]) -> str:
    """ "Of 40 predicted 80 % intervals, 33 held"."""
    held = sum(r.held80 for r in results)
    return f"Of {len(results)} predicted 80 % intervals, {held} held"
