"""What the plan must respect: parts that stay, parts that are given, what the rider feels most, how sure it must be.

All of it is one answer of the visit: a change is a new row, and the last change can be taken back, row by row.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fitwright.errors import InputError
from fitwright.plan.adjustables import KINDS, Setting, all_names, split
from fitwright.records.models import Answer, Visit
from fitwright.studio.entry import Field, read_number
from fitwright.studio.visits import answer, answers

STATION, KEY, TASTE = "plan", "wishes", "taste"
GROUPS = (
    ("Cleats", "the cleats", ("cleat_x_mm", "cleat_z_mm", "cleat_psi_deg")),
    ("Under each foot", "what is under the feet", ("spacer_mm", "shim_mm")),
    ("Saddle", "the saddle", ("saddle_height_mm", "saddle_setback_mm")),
    ("Hands", "the bars", ("hood_x_mm", "hood_y_mm")), ("Crank", "the cranks", ("crank_mm",)),
)  # fmt: skip
MODES = (
    ("free", "may be turned"), ("keep", "stays as it is"), ("set", "shall become"), ("between", "stays between"),
)  # fmt: skip
FELT = (("", "as usual"), ("much", "much"), ("little", "little"))
TIMES = {"much": 2.0, "little": 0.5}
"""How much more or less than usual a rider feels a part; our choice."""
SURE = Field("sure", "How surely inside", unit="%", low=50, high=99)
USUAL = 80.0
ENDS = re.compile(r"^\s*(.+?)\s*(?:to|–|—|\.\.|…)\s*(.+?)\s*$")


@dataclass(frozen=True)
class Row:
    """One part under the wishes: where it stands, what is wished of it, and what was wrong with that."""

    field: Field
    side: str
    now: float
    mode: str = "free"
    text: str = ""
    error: InputError | None = None


@dataclass(frozen=True)
class Group:
    """Parts that belong together, and how much the rider feels them."""

    title: str
    words: str
    rows: tuple[Row, ...]
    felt: str


@dataclass(frozen=True)
class Wishes:
    """The form: groups, how surely, whether bands of opinion count; `undo`: whether a change can be taken back."""

    groups: tuple[Group, ...]
    sure: str
    opinion: bool
    undo: bool
    sure_error: InputError | None = None

    @property
    def errors(self) -> tuple[tuple[str, InputError], ...]:
        """(name of the box, what is wrong)."""
        found = [(r.field.name, r.error) for g in self.groups for r in g.rows if r.error]
        return (*found, ("sure", self.sure_error)) if self.sure_error else tuple(found)


def said(visit: Visit) -> Mapping[str, Any]:
    """What is on record."""
    return dict(answers(visit, STATION).get(KEY) or {})


def for_plan(visit: Visit) -> dict[str, Any]:
    """The wishes as the plan takes them."""
    record = said(visit)
    parts = record.get("parts", {})
    felt = {
        kind: min(KINDS[kind].felt * TIMES[how], 1.0)
        for title, _, kinds in GROUPS for kind in kinds
        if (how := record.get("felt", {}).get(title)) in TIMES
    }  # fmt: skip
    return {
        "forbids": frozenset(n for n, p in parts.items() if p["mode"] == "keep"),
        "pins": {n: p["value"] for n, p in parts.items() if p["mode"] == "set"},
        "ranges": {n: (p["low"], p["high"]) for n, p in parts.items() if p["mode"] == "between"},
        "felt": felt, "act_on_opinion": bool(record.get("opinion")),
        "probability": float(record.get("sure", USUAL)) / 100,
        "taste": answers(visit, STATION).get(TASTE) or "fewest",
    }  # fmt: skip


def in_words(form: Wishes) -> tuple[str, ...]:
    """The wishes on record in short sentences, empty when there are none."""
    words = []
    for g in form.groups:
        if g.rows and all(r.mode == "keep" for r in g.rows):
            words.append(f"keep {g.words}")
        else:
            words += [_told(r) for r in g.rows if r.mode != "free"]
        if g.felt:
            words.append(f"{g.words}: felt {dict(FELT)[g.felt]}")
    if form.sure != f"{USUAL:g}":
        words.append(f"inside with {form.sure} %")
    return (*words, "bands of experience count too") if form.opinion else tuple(words)


def page(visit: Visit, setting: Setting, typed: Mapping[str, str] | None = None) -> Wishes:
    """The form with what is on record, or with what was typed and what is wrong with it."""
    record = said(visit)
    parts = record.get("parts", {})
    groups = []
    for title, words, kinds in GROUPS:
        names = [n for kind in kinds for n in all_names() if split(n)[0] == kind]
        rows = [r for n in names if (r := _row(setting, n, parts.get(n), typed)) is not None]
        felt = (
            typed.get(f"felt.{title}", "") if typed is not None else record.get("felt", {}).get(title, "")
        ) or ""
        if rows:
            groups.append(Group(title, words, tuple(rows), felt if felt in TIMES else ""))
    sure, opinion, wrong = f"{record.get('sure', USUAL):g}", bool(record.get("opinion")), None
    if typed is not None:
        sure, opinion = typed.get("sure", "").strip(), typed.get("opinion") == "yes"
        try:
            read_number(SURE, sure or f"{USUAL:g}")
        except InputError as error:
            wrong = error
    return Wishes(tuple(groups), sure, opinion, _to_undo(visit) is not None, wrong)


def save(visit: Visit, setting: Setting, typed: Mapping[str, str]) -> Wishes:
    """Keep what was typed when all of it can be; else the form with what is wrong. `keep`: a group to keep whole."""
    typed = dict(typed)
    for title, _, kinds in GROUPS:
        if typed.get("keep") == title:
            typed |= {f"mode.{n}": "keep" for n in all_names() if split(n)[0] in kinds}
    form = page(visit, setting, typed)
    if not form.errors:
        sure = read_number(SURE, form.sure) if form.sure else USUAL
        parts = {r.field.name: _kept(r) for g in form.groups for r in g.rows if r.mode != "free"}
        felt = {g.title: g.felt for g in form.groups if g.felt}
        wanted = {"parts": parts, "felt": felt, "sure": sure, "opinion": form.opinion}
        if wanted != {k: v for k, v in said(visit).items() if k != "back_to"}:
            answer(visit, STATION, KEY, wanted)
    return form


def undo(visit: Visit) -> None:
    """Take the last change of the wishes back; again takes back the one before it."""
    former = _to_undo(visit)
    if former is None:
        raise InputError("wishes", "there is nothing to take back")
    value = dict(former.value or {}) if former.pk else {}
    answer(visit, STATION, KEY, value | {"back_to": former.pk or 0})


def _to_undo(visit: Visit) -> Answer | None:
    """The row that was there before the last change that still stands; one without key when there was none."""
    if KEY not in answers(visit, STATION):
        return None
    row = Answer.objects.current().filter(visit=visit, station=STATION, key=KEY).last()
    while row is not None and (back_to := (row.value or {}).get("back_to")) is not None:
        row = Answer.objects.filter(visit=visit, pk=back_to).first()
    if row is None:
        return None
    return row.replaces or Answer(value={})


# --- one part ---


def box_of(setting: Setting, name: str) -> tuple[Field, float] | None:
    """The box for a part's hardware value, with what it is now; None for a part that was not measured."""
    try:
        now = round(setting.value(name), 1)
    except InputError:
        return None
    kind = KINDS[split(name)[0]]
    low, high = now + kind.low, now + kind.high
    if kind.kind in ("spacer_mm", "shim_mm"):
        low = max(low, 0.0)
    label = kind.noun[:1].upper() + kind.noun[1:]
    return Field(name, label, unit=kind.unit, low=round(low, 1), high=round(high, 1)), now


def _row(
    setting: Setting, name: str, on_record: Mapping[str, Any] | None, typed: Mapping[str, str] | None
) -> Row | None:
    """None for a part that was not measured."""
    box = box_of(setting, name)
    if box is None:
        return None
    (field, now), side = box, split(name)[1]
    if typed is None:
        part = on_record or {"mode": "free"}
        text = {"set": "{value:g}", "between": "{low:g} to {high:g}"}.get(part["mode"], "").format(**part)
        return Row(field, side, now, part["mode"], text)
    mode, text = typed.get(f"mode.{name}", "free"), typed.get(f"value.{name}", "").strip()
    row = Row(field, side, now, mode if mode in dict(MODES) else "free", text)
    try:
        _kept(row)
    except InputError as error:
        return Row(field, side, now, row.mode, text, error)
    return row


def _kept(row: Row) -> dict[str, Any]:
    """What is kept of one part; InputError when it cannot be."""
    if row.mode == "set":
        return {"mode": "set", "value": read_number(row.field, row.text)}
    if row.mode == "between":
        low, high = _ends(row)
        return {"mode": "between", "low": low, "high": high}
    return {"mode": row.mode}


def _ends(row: Row) -> tuple[float, float]:
    """The two ends, with the part between them and room for a whole step."""
    match, label = ENDS.match(row.text), row.field.label
    if match is None:
        raise InputError(label, "is not two ends", value=row.text[:40], allowed="for example 700 to 715")
    low, high = (read_number(row.field, text) for text in match.groups())
    if low >= high:
        raise InputError(label, f"nothing lies between {low:g} and {high:g}", allowed="the lower end first")
    if not low <= row.now <= high:
        raise InputError(label, f"it stands at {row.now:g} {row.field.sign} now, outside of {low:g} to {high:g}",
                         hint="Choose “shall become” to move it there")  # fmt: skip
    step = KINDS[split(row.field.name)[0]].step
    if max(high - row.now, row.now - low) < step - 1e-9:
        raise InputError(
            label, f"no whole step of {step:g} {row.field.sign} fits between {low:g} and {high:g} from {row.now:g}",
            hint="Choose “stays as it is”, or wider ends",
        )  # fmt: skip
    return low, high


def _told(row: Row) -> str:
    where = f"{row.field.label.lower()}{f', {row.side}' if row.side else ''}"
    words = {
        "keep": "stays as it is",
        "set": f"shall become {row.text}",
        "between": f"stays between {row.text}",
    }
    unit = "" if row.mode == "keep" else row.field.sign if row.field.unit == "deg" else f" {row.field.sign}"
    return f"{where} {words[row.mode]}{unit}"
