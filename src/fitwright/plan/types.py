"""Targets, findings, changes and the plan that ties them together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from fitwright.quantity import Measured

USES = ("road", "racing", "time_trial", "gravel", "mountain", "town")


@dataclass(frozen=True)
class Target:
    """A band for one quantity, with where it comes from and what it may be compared with.

    Attributes:
        key: "side.quantity.event" pattern without the side, e.g. "knee_flexion_deg.min".
        label: plain words. low, high: the band, in `unit`. uses: for whom ("road", "gravel", ...; empty = all).
        source: author, year, DOI and evidence id, or "common practice, no source".
        strength: "study", "review", "opinion" or "practice". method: what a value must match to be compared
            ({"dimension": "2-D", "state": "dynamic"}; a missing key accepts any).
        role: "target" (the plan may act on it) or "describe" (shown with a reference band, never acted on).
        population: on whom it was found. ident: a name that stays while the numbers are edited.
    """

    key: str
    label: str
    low: float
    high: float
    unit: str
    source: str
    strength: str
    method: Mapping[str, str]
    uses: tuple[str, ...] = ()
    role: str = "target"
    population: str = ""
    ident: str = ""

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "key": self.key, "label": self.label, "low": self.low, "high": self.high, "unit": self.unit,
            "source": self.source, "strength": self.strength, "method": dict(self.method),
            "uses": list(self.uses), "role": self.role, "population": self.population, "ident": self.ident,
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Target:
        """The inverse of `to_json`."""
        return Target(**{**data, "uses": tuple(data["uses"])})


@dataclass(frozen=True)
class Finding:
    """One quantity against its band.

    Attributes: side "left"/"right"/"both"; state "in", "low", "high" or "unclear" (the 95 % interval spans an
    end of the band); probability_in: of lying in the band; causes: what it may come from; next_test: what would
    tell the causes apart. refused: why no comparison was made, else "". beside: what else was measured that
    speaks for one cause or another.
    """

    target: Target
    side: str
    value: Measured
    state: str
    probability_in: float
    causes: tuple[str, ...] = ()
    next_test: str = ""
    refused: str = ""
    beside: tuple[str, ...] = ()

    @property
    def id(self) -> str:
        """`right.knee_flexion_deg.min`."""
        return f"{self.side}.{self.target.key}"

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        t = self.target
        return {
            "id": self.id, "side": self.side, "key": t.key, "label": t.label, "value": self.value.to_json(),
            "band": [t.low, t.high], "unit": t.unit, "source": t.source, "strength": t.strength, "role": t.role,
            "state": self.state, "probability_in": self.probability_in, "causes": list(self.causes),
            "next_test": self.next_test, "refused": self.refused, "beside": list(self.beside),
            "population": t.population, "band_id": t.ident,
        }  # fmt: skip


@dataclass(frozen=True)
class Prediction:
    """What a change is expected to do to one quantity: now → expected, u of the expected value."""

    id: str
    label: str
    now: Measured
    expected: Measured

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "id": self.id,
            "label": self.label,
            "now": self.now.to_json(),
            "expected": self.expected.to_json(),
        }


@dataclass(frozen=True)
class PlannedChange:
    """One turn of one bolt.

    Attributes:
        adjustable: "saddle_height_mm", "saddle_setback_mm", "cleat_x_mm_left", "cleat_psi_deg_right",
            "spacer_mm_left", "shim_mm_right", "hood_x_mm", "crank_mm", ... side "left"/"right"/"".
        before, after: hardware values, in `unit` (delta = after − before). words: the instruction for the hand.
        why: ids of findings it serves, with the source. predictions: effect of this change on top of those before.
        measure_again: what to check after it. stop_when: what would end it there.
    """

    adjustable: str
    side: str
    before: float
    after: float
    unit: str
    words: str
    why: tuple[str, ...]
    predictions: tuple[Prediction, ...]
    measure_again: tuple[str, ...] = ()
    stop_when: tuple[str, ...] = ()

    @property
    def delta(self) -> float:
        """after − before."""
        return self.after - self.before

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "adjustable": self.adjustable, "side": self.side, "before": self.before, "after": self.after,
            "delta": self.delta, "unit": self.unit, "words": self.words, "why": list(self.why),
            "predictions": [p.to_json() for p in self.predictions], "measure_again": list(self.measure_again),
            "stop_when": list(self.stop_when),
        }  # fmt: skip


@dataclass(frozen=True)
class Reach:
    """What one way to the bands brings for one quantity: its band, now and then, and how probably inside.

    `acted`: whether the plan set out to bring it in, or only watches that it does not get worse.
    """

    id: str
    label: str
    band: tuple[float, float]
    now: Measured
    expected: Measured
    probability_now: float
    probability_then: float
    acted: bool

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "id": self.id, "label": self.label, "band": list(self.band), "now": self.now.to_json(),
            "expected": self.expected.to_json(), "probability_now": self.probability_now,
            "probability_then": self.probability_then, "acted": self.acted,
        }  # fmt: skip


@dataclass(frozen=True)
class Alternative:
    """One way to the bands, of its own kind, whole enough to be carried out.

    Attributes: key, label: what it spares first. changes: in the order of doing; outlook: what all of them do.
    unmet: what stays open, by how much, and what stands in the way. later: what other visits would add.
    felt: sum over changes of how much each is felt times its share of a cautious step (0 nothing). off_middle:
    mean distance of the quantities from the middle of their bands, in half-widths. least_probability:
    of ending inside, among the acted-on quantities. reaches: what it brings, by quantity.
    """

    key: str
    label: str
    changes: tuple[PlannedChange, ...]
    outlook: tuple[Prediction, ...]
    unmet: tuple[str, ...]
    later: tuple[str, ...]
    felt: float
    off_middle: float
    least_probability: float
    reaches: tuple[Reach, ...]

    @property
    def deltas(self) -> dict[str, float]:
        """Adjustable → change."""
        return {c.adjustable: c.delta for c in self.changes}

    @property
    def words(self) -> tuple[str, ...]:
        """Instructions in the order of doing."""
        return tuple(c.words for c in self.changes)

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "key": self.key, "label": self.label, "deltas": self.deltas, "words": list(self.words),
            "changes": [c.to_json() for c in self.changes], "outlook": [p.to_json() for p in self.outlook],
            "unmet": list(self.unmet), "later": list(self.later), "felt": self.felt,
            "off_middle": self.off_middle, "least_probability": self.least_probability,
            "reaches": [r.to_json() for r in self.reaches],
        }  # fmt: skip


@dataclass(frozen=True)
class Plan:
    """An ordered list of changes, or the reason why there is none.

    `stopped` holds the referral text when a red flag stops the advice; `changes` is then empty. `blocked` says why
    nothing can be turned although something lies outside. `outlook` is the prediction for every finding with all
    changes made. `alternatives`: the same goals reached with fewest changes, least felt, and closest to the middle
    of the bands; `changes`, `outlook`, `unmet` and `later` are those of the one that was chosen. `asymmetry`: left
    against right, told before anything is done about it.
    """

    findings: tuple[Finding, ...]
    changes: tuple[PlannedChange, ...]
    outlook: tuple[Prediction, ...]
    unmet: tuple[str, ...] = ()
    stopped: str = ""
    notes: tuple[str, ...] = ()
    settings: Mapping[str, Any] = field(default_factory=dict)
    alternatives: tuple[Alternative, ...] = ()
    asymmetry: tuple[str, ...] = ()
    blocked: str = ""
    later: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "findings": [f.to_json() for f in self.findings], "changes": [c.to_json() for c in self.changes],
            "outlook": [p.to_json() for p in self.outlook], "unmet": list(self.unmet), "stopped": self.stopped,
            "notes": list(self.notes), "settings": dict(self.settings),
            "alternatives": [a.to_json() for a in self.alternatives], "asymmetry": list(self.asymmetry),
            "blocked": self.blocked,
            "later": list(self.later),
        }  # fmt: skip


def find(findings: Sequence[Finding], finding_id: str) -> Finding:
    """The finding with this id; KeyError when absent."""
    for f in findings:
        if f.id == finding_id:
            return f
    raise KeyError(finding_id)
