"""Rows of the Plan page: words and a strip for every finding, prediction and outcome."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fitwright.quantity import Measured
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

    @property
    def folded(self) -> str:
        """What stands on the fold, empty when nothing is folded away."""
        more = bool(self.causes or self.next_test)
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
    )  # fmt: skip


@dataclass(frozen=True)
class ChangeLine:
    """A planned change as the page shows it: what to do, what for, on which authority, and what it should do."""

    row: ChangeRow
    words: str
    why: Sequence[str]
    sources: Sequence[str]
    predictions: Sequence[PredictionRow]

    @property
    def pk(self) -> str:
        """Its key as text."""
        return str(self.row.change.pk)

    @property
    def planned(self) -> Mapping[str, Any]:
        """`PlannedChange.to_json`."""
        return self.row.planned


def change_line(row: ChangeRow, findings: Sequence[Mapping[str, Any]]) -> ChangeLine:
    """From a change of the plan; the numbers that its words repeat are left to the line below them."""
    planned = row.planned
    parted = [w.partition(": ") for w in planned["why"]]
    return ChangeLine(
        row, planned["words"].split(": from ")[0], [spelled(found, findings) for found, _, _ in parted],
        list(dict.fromkeys(source for _, _, source in parted if source)),
        [prediction_row(p) for p in planned["predictions"]],
    )  # fmt: skip


@dataclass(frozen=True)
class PredictionRow:
    """What a change is expected to do, or did."""

    label: str
    side: str
    before: Measured
    expected: Measured
    after: Measured | None
    words: str
    svg: str

    @property
    def moved(self) -> bool:
        """Whether anything is expected to happen to it."""
        return abs(self.expected.value - self.before.value) > 1e-6 or self.expected.u > self.before.u + 1e-6


def trial_row(row: Row) -> PredictionRow:
    """A number that follows from a setting, as it is and as tried."""
    readings = (Reading(row.side, row.now, "before"), Reading(row.side, row.then, "predicted"))
    svg = strip_svg(Strip(row.words, readings, unit=row.now.unit))
    return PredictionRow(row.words, row.side, row.now, row.then, None, "", svg)


def prediction_row(data: Mapping[str, Any]) -> PredictionRow:
    """From `Prediction.to_json`."""
    side, now, expected = _side(data), Measured.from_json(data["now"]), Measured.from_json(data["expected"])
    readings = (Reading(side, now, "before"), Reading(side, expected, "predicted"))
    svg = strip_svg(Strip(data["label"], readings, unit=now.unit))
    return PredictionRow(data["label"], side, now, expected, None, "", svg)


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
