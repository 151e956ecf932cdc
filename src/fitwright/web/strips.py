"""Rows of the Plan page: words and a strip for every finding, prediction and outcome."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fitwright.quantity import Measured
from fitwright.sheets.strip import Reading, Strip, strip_svg
from fitwright.studio.entry import lowered

STATE_WORDS = {
    "in": "inside the band", "low": "below the band", "high": "above the band",
    "unclear": "cannot be told: the interval crosses an end of the band",
}  # fmt: skip


@dataclass(frozen=True)
class FindingRow:
    """A finding as the page shows it."""

    label: str
    side: str
    value: Measured
    words: str
    band: str
    source: str
    describe: bool
    causes: Sequence[str]
    next_test: str
    svg: str


def finding_row(data: Mapping[str, Any]) -> FindingRow:
    """From `Finding.to_json`."""
    value = Measured.from_json(data["value"])
    low, high = data["band"]
    refused = data.get("refused") or ""
    band = None if refused else (float(low), float(high))
    strip = Strip(data["label"], (Reading(data["side"], value),), band, data["unit"], note=data["source"])
    words = f"not compared: {refused}" if refused else STATE_WORDS.get(data["state"], data["state"])
    unit = {"deg": "°", "1": ""}.get(data["unit"], f" {data['unit']}")
    return FindingRow(
        data["label"], data["side"], value, words, f"{low:g} to {high:g}{unit}".replace("-", "−"),
        f"{data['source']} ({data['strength']})", data["role"] == "describe", data["causes"],
        data["next_test"], strip_svg(strip),
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


def reason(words: str, findings: Sequence[Mapping[str, Any]]) -> str:
    """`left.knee_flexion_deg.min: source` as `Knee flexion, least, left (source)`."""
    found, _, source = words.partition(": ")
    for f in findings:
        if f["id"] == found:
            side = "" if f["side"] == "both" else f", {f['side']}"
            return f"{lowered(f['label'])}{side}" + (f" ({source})" if source else "")
    return words


def _side(data: Mapping[str, Any]) -> str:
    side = str(data["id"]).split(".")[0]
    return side if side in ("left", "right") else "both"
