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
from fitwright.linkage.learning import Pair
from fitwright.linkage.response import BOTTOM_EVENTS, ResponseModel, expected_change
from fitwright.linkage.twin import LegTwin
from fitwright.plan.forecast import sagittal
from fitwright.plan.types import Prediction
from fitwright.quantity import Z95, Measured, combine, difference, mdc95

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
    """after − before ± u, and its MDC95: what was wrong in the same way both times drops out of the difference.

    Of estimates nothing does, for a guess is not made in the same place twice, and no change of them is detectable.
    """
    if before.estimate or after.estimate:
        return difference(after, before), math.inf
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
    """All predictions that have a measured value now (id → value); an estimate is none."""
    return tuple(
        compare(p, after[p.id], same_stickers=same_stickers)
        for p in predictions if p.id in after and not (p.now.estimate or after[p.id].estimate)
    )  # fmt: skip


TELLING = (
    ("knee_flexion_deg", BOTTOM_EVENTS),
    ("knee_flexion_deg", ("max",)),
    ("ankle_plantarflexion_deg", ("max", "bdc")),
    ("ankle_plantarflexion_deg", ("min",)),
)
"""What tells a rider's shares: of events that show the same, the first that was measured."""


def pairs_of(
    leg: LegTwin, contact: ContactPoints, deltas: Mapping[str, float], results: Sequence[Outcome]
) -> tuple[Pair, ...]:
    """What one done change (all its bolts together) says about the rider's shares, both sides."""
    seen, none = {r.id: r.measured for r in results}, ResponseModel()
    pairs = []
    for side in ("left", "right"):
        planar = sagittal(deltas, side)
        for quantity, events in TELLING:
            event = next((e for e in events if f"{side}.{quantity}.{e}" in seen), None)
            if event is not None and planar:
                effect = expected_change(leg, contact, planar, quantity, event, none)
                pairs.append(Pair(effect.by_share, seen[f"{side}.{quantity}.{event}"]))
    return tuple(pairs)


@dataclass(frozen=True)
class Coverage:
    """How many of the last `of` predicted 80 % intervals held."""

    held: int
    of: int

    @property
    def words(self) -> str:
        """ "Of our last 40 predicted 80 % intervals, 33 held"."""
        if not self.of:
            return "No predicted 80 % interval has been measured yet"
        intervals = "interval" if self.of == 1 else "intervals"
        return f"Of our last {self.of} predicted 80 % {intervals}, {self.held} held{self._verdict}"

    @property
    def _verdict(self) -> str:
        """Said only when 80 % is hard to believe (exact binomial tail below 2.5 %)."""
        if _tail(self.held, self.of) < 0.025:
            return ": too few, so they are too narrow"
        return ": too many, so they are too wide" if _tail(self.of - self.held, self.of, 0.2) < 0.025 else ""


def _tail(held: int, of: int, share: float = 0.8) -> float:
    """Probability of `held` or fewer of `of`."""
    return math.fsum(math.comb(of, k) * share**k * (1 - share) ** (of - k) for k in range(held + 1))


def coverage(results: Sequence[Mapping[str, Any]], last: int = 40) -> Coverage:
    """Of recorded outcomes (`Outcome.to_json`, oldest first) the newest `last` in which a change was predicted."""
    told = [bool(r["held80"]) for r in results if r["predicted"]["u"] > 0][-last:]
    return Coverage(sum(told), len(told))
