"""Asking back: what is possible but odd is kept only when the person at the bench says that it was measured right.

The question stands at the field; what else was typed is saved or waits in its box. The confirmation is a row of its
own (`Answer` "kept ..."): the question, the values it was about, and who said so. It holds for these values only.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import fmean

from fitwright.body.doubts import Doubt, doubts
from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.studio.body_fields import BOTH_SIDES, FIELDS, MEASURES
from fitwright.studio.entry import Ask, Field, read_number, read_readings
from fitwright.studio.visits import answer, answers, measured

STATION = "body"
ASKED = (*MEASURES, *BOTH_SIDES.values())
LABELS = {f.name: f.label for f in FIELDS}


@dataclass
class Asked:
    """Questions by field, and what was confirmed: doubts by the field that raised them."""

    asks: dict[str, InputError] = field(default_factory=dict)
    confirmed: dict[str, list[Doubt]] = field(default_factory=dict)


def values(visit: Visit) -> dict[str, float]:
    """What is on record, by name of the field."""
    rows = measured(visit, STATION)
    return {f.name: rows[f.record].value for f in ASKED if f.record in rows}


def read(typed: Mapping[str, str]) -> dict[str, float]:
    """What was typed and can be read, by name of the field; the mean of several readings."""
    found = {}
    for f in ASKED:
        if typed.get(f.name, "").strip():
            try:
                found[f.name] = _one(f, typed[f.name])
            except InputError:
                continue  # its own error is told when it is saved
    return found


def _one(f: Field, text: str) -> float:
    return fmean(read_readings(f, text)) if f.kind == "readings" else read_number(f, text)


def ask(visit: Visit, typed: Mapping[str, str]) -> Asked:
    """Which of the typed fields must be asked about, and which were confirmed by `<field>.keep` = its very text."""
    known, fresh = values(visit), read(typed)
    changed = {n for n, value in fresh.items() if n not in known or abs(known[n] - value) > 1e-9}
    now = known | fresh
    found: dict[str, list[Doubt]] = {}
    for doubt in doubts(now, visit.rider.sex):
        name = next((n for n in doubt.about if n in changed), "")
        if name and not settled(visit, doubt, now):
            found.setdefault(name, []).append(doubt)
    asked = Asked()
    for name, raised in found.items():
        if typed.get(f"{name}.keep", "").strip() == typed[name].strip():
            asked.confirmed[name] = raised
        else:
            asked.asks[name] = Ask(LABELS[name], "; ".join(d.words for d in raised), keep=typed[name].strip())
    return asked


def settled(visit: Visit, doubt: Doubt, now: Mapping[str, float]) -> bool:
    """Whether exactly these values were confirmed before."""
    row = answers(visit, STATION).get(f"kept {doubt.key}")
    return row is not None and row["values"] == {n: now[n] for n in doubt.about}


def record(visit: Visit, confirmed: Sequence[Doubt]) -> None:
    """Keep that these doubts were answered with "measured right", and by whom."""
    now, who = values(visit), str(answers(visit, STATION).get("measured_by") or "")
    for doubt in confirmed:
        kept = {
            "values": {n: now[n] for n in doubt.about}, "asked": doubt.words, "answer": "measured right", "by": who,
        }  # fmt: skip
        answer(visit, STATION, f"kept {doubt.key}", kept, author=who)


@dataclass(frozen=True)
class Odd:
    """Something odd on record: the question, and who said that it was measured right ("" when nobody was asked)."""

    label: str
    words: str
    kept: bool
    by: str


def on_record(visit: Visit) -> tuple[Odd, ...]:
    """What is odd among the values on record, with the answers that were given."""
    now, said = values(visit), answers(visit, STATION)
    found = []
    for doubt in doubts(now, visit.rider.sex):
        kept = settled(visit, doubt, now)
        by = str(said[f"kept {doubt.key}"].get("by") or "") if kept else ""
        found.append(Odd(LABELS[doubt.about[0]], doubt.words, kept, by))
    return tuple(found)
