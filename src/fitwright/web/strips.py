"""Rows of the Plan page: words and a strip for every finding, prediction and outcome."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fitwright.plan.outcome import predicted_change
from fitwright.plan.types import Prediction
from fitwright.quantity import Measured, difference
from fitwright.records.models import ChangeStep
from fitwright.sheets.strip import Reading, Strip, strip_svg
from fitwright.studio.bolt import Row
from fitwright.studio.plan import ChangeRow, spelled

STATE_WORDS = {
    "in": "inside the band", "low": "below the band", "high": "above the band",
    "unclear": "cannot be told: the interval crosses an end of the band",
}  # fmt: skip


SHORT = re.compile(r"[;:(]|, 10\.\d")  # where the short form of a source ends


@dataclass(frozen=True)
class FindingRow:
    """A finding as the page shows it; `source` is its short form, `whole_source` all of it where that is longer."""

    label: str
    side: str
    value: Measured
    words: str
    band: str
    source: str
    whole_source: str
    describe: bool
    causes: Sequence[str]
    next_test: str
    svg: str
    chance: str = ""
    beside: Sequence[str] = ()
    band_id: str = ""

    @property
    def folded(self) -> str:
        """What stands on the fold, empty when nothing is folded away."""
        more = bool(self.causes or self.beside)
        if self.whole_source:
            return "Source, and what it may come from" if more else "Source"
        return "What it may come from" if more else ""


def finding_row(data: Mapping[str, Any]) -> FindingRow:
    """From `Finding.to_json`."""
    value = Measured.from_json(data["value"])
    low, high = data["band"]
    refused = data.get("refused") or ""
    band = None if refused else (float(low), float(high))
    strip = Strip(data["label"], (Reading(data["side"], value),), band, data["unit"], note=data["source"])
    words = f"not compared: {refused}" if refused else STATE_WORDS.get(data["state"], data["state"])
    unit = {"deg": "°", "1": ""}.get(data["unit"], f" {data['unit']}")
    short = SHORT.split(data["source"])[0].strip()
    return FindingRow(
        data["label"], data["side"], value, words, f"{low:g} to {high:g}{unit}".replace("-", "−"),
        f"{short} ({data['strength']})", "" if short == data["source"] else data["source"],
        data["role"] == "describe", data["causes"], data["next_test"], strip_svg(strip),
        "" if refused else chance_words(data["probability_in"]), data.get("beside", ()), data.get("band_id", ""),
    )  # fmt: skip


def chance_words(p: float) -> str:
    """`23 %`; the far ends as "under 1 %" and "over 99 %"."""
    return "under 1 %" if p < 0.01 else "over 99 %" if p > 0.99 else f"{100 * p:.0f} %"


@dataclass(frozen=True)
class WayCard:
    """One way to the bands: what it is for, its changes, what each brings in, and what it costs.

    `keys`: of all the ways that came to these same changes, the first is the one to choose.
    """

    keys: tuple[str, ...]
    label: str
    chosen: bool
    changes: Sequence[str]
    cost: str
    reaches: Sequence[ReachRow]
    open_points: Sequence[str]


@dataclass(frozen=True)
class ReachRow:
    """One quantity under one way: the chance of lying inside now and then, drawn over its band."""

    label: str
    side: str
    now: str
    then: str
    svg: str


def way_cards(data: Mapping[str, Any]) -> list[WayCard]:
    """The plan's alternatives; those that came to the same changes stand together."""
    chosen = data.get("settings", {}).get("taste", "fewest")
    if not any(w["deltas"] for w in data.get("alternatives", ())):
        return []  # nothing to choose: what stands in the way is told elsewhere
    groups: list[list[Mapping[str, Any]]] = []
    for way in data.get("alternatives", ()):
        if "changes" not in way:
            continue  # a plan of an older kind
        alike = next((g for g in groups if g[0]["deltas"] == way["deltas"]), None)
        groups.append([way]) if alike is None else alike.append(way)
    return [_way_card(g, chosen, data["findings"]) for g in groups]


def _way_card(
    alike: Sequence[Mapping[str, Any]], chosen: str, findings: Sequence[Mapping[str, Any]]
) -> WayCard:
    way, keys = alike[0], tuple(w["key"] for w in alike)
    count = len(way["changes"])
    felt = f"{way['felt']:.1f}"
    cost = f"{count} change, felt {felt}" if count == 1 else f"{count} changes, felt {felt}"
    return WayCard(
        keys, " and ".join(w["label"] for w in alike), chosen in keys, [w.split(": from ")[0] for w in way["words"]],
        cost, [_reach_row(r) for r in way["reaches"] if r["acted"] or _moved(r)],
        [spelled(w, findings) for w in (*way["unmet"], *way["later"])],
    )  # fmt: skip


def _moved(reach: Mapping[str, Any]) -> bool:
    return abs(reach["probability_now"] - reach["probability_then"]) > 0.005


def _reach_row(data: Mapping[str, Any]) -> ReachRow:
    side, low_high = _side(data), tuple(data["band"])
    now, then = Measured.from_json(data["now"]), Measured.from_json(data["expected"])
    readings = (Reading(side, now, "before"), Reading(side, then, "predicted"))
    svg = strip_svg(Strip(data["label"], readings, (low_high[0], low_high[1]), now.unit))
    return ReachRow(
        data["label"],
        side,
        chance_words(data["probability_now"]),
        chance_words(data["probability_then"]),
        svg,
    )


@dataclass(frozen=True)
class ChangeLine:
    """A planned change as the page shows it: what to do, what for, on which authority, and what it should do."""

    row: ChangeRow
    words: str
    why: Sequence[str]
    sources: Sequence[str]
    predictions: Sequence[PredictionRow]
    stop_when: Sequence[str] = ()

    @property
    def pk(self) -> str:
        """Its key as text."""
        return str(self.row.change.pk)

    @property
    def planned(self) -> Mapping[str, Any]:
        """`PlannedChange.to_json`."""
        return self.row.planned

    @property
    def steps(self) -> list[StepLine]:
        """What was recorded of it, each with the value that was then measured."""
        unit = str(self.planned["unit"])
        return [
            StepLine(
                s, None if s.actual is None else Measured(s.actual, s.u or 0.0, unit, "measured on the bike")
            )
            for s in self.row.steps
        ]


@dataclass(frozen=True)
class StepLine:
    """One record of a change."""

    row: ChangeStep
    measured: Measured | None


def change_line(row: ChangeRow, findings: Sequence[Mapping[str, Any]]) -> ChangeLine:
    """From a change of the plan; the numbers that its words repeat are left to the line below them."""
    planned = row.planned
    parted = [w.partition(": ") for w in planned["why"]]
    return ChangeLine(
        row, planned["words"].split(": from ")[0], [spelled(found, findings) for found, _, _ in parted],
        list(dict.fromkeys(source for _, _, source in parted if source)),
        [prediction_row(p) for p in planned["predictions"]], planned.get("stop_when", ()),
    )  # fmt: skip


@dataclass(frozen=True)
class PredictionRow:
    """What a change is expected to do, or did; `change` carries the doubt of the change alone."""

    label: str
    side: str
    before: Measured
    expected: Measured
    after: Measured | None
    words: str
    svg: str
    change: Measured | None = None

    @property
    def moved(self) -> bool:
        """Whether anything is expected to happen to it."""
        return abs(self.expected.value - self.before.value) > 1e-6 or self.expected.u > self.before.u + 1e-6


def trial_row(row: Row) -> PredictionRow:
    """A number that follows from a setting, as it is and as tried."""
    readings = (Reading(row.side, row.now, "before"), Reading(row.side, row.then, "predicted"))
    svg = strip_svg(Strip(row.words, readings, unit=row.now.unit))
    change = difference(row.then, row.now)
    return PredictionRow(row.words, row.side, row.now, row.then, None, "", svg, change)


def prediction_row(data: Mapping[str, Any]) -> PredictionRow:
    """From `Prediction.to_json`."""
    side, now, expected = _side(data), Measured.from_json(data["now"]), Measured.from_json(data["expected"])
    readings = (Reading(side, now, "before"), Reading(side, expected, "predicted"))
    svg = strip_svg(Strip(data["label"], readings, unit=now.unit))
    change = predicted_change(Prediction(data["id"], data["label"], now, expected))
    return PredictionRow(data["label"], side, now, expected, None, "", svg, change)


def outcome_row(data: Mapping[str, Any]) -> PredictionRow:
    """From `Outcome.to_json`: the predicted change is laid on the value before it."""
    side, before = _side(data), Measured.from_json(data["before"])
    after, change = Measured.from_json(data["after"]), Measured.from_json(data["predicted"])
    expected = Measured(before.value + change.value, change.u, before.unit, change.method)
    readings = (Reading(side, before, "before"), Reading(side, expected, "predicted"), Reading(side, after))
    svg = strip_svg(Strip(data["label"], readings, unit=before.unit))
    return PredictionRow(data["label"], side, before, expected, after, data["words"], svg)


def _side(data: Mapping[str, Any]) -> str:
    side = str(data["id"]).split(".")[0]
    return side if side in ("left", "right") else "both"
