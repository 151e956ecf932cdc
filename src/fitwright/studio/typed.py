"""Between the boxes of a page and the records: what was typed is read, compared, and written as new rows."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from fitwright.errors import InputError, check_range
from fitwright.quantity import Z95, Measured, format_pm, repeated
from fitwright.records.models import Measurement, Rating, Visit
from fitwright.studio import entry
from fitwright.studio.edits import About, Row, changed_since, record
from fitwright.studio.entry import Entry, Field, Saved, lowered
from fitwright.studio.visits import answer, answers, let_go, measure, measured, once, touch

MOMENT = "arrived"
TAKEN_OVER, EARLIER = "not measured again since", "earlier"
"""In the method of what came over from an earlier visit; and the way of measuring that its box then names."""


@dataclass(frozen=True)
class _Read:
    """A field that could be read: a JSON value, or a measurement with its single readings."""

    field: Field
    value: Any = None
    measured: Measured | None = None
    readings: tuple[float, ...] = ()
    how: str = ""


@dataclass(frozen=True)
class OnRecord:
    """Everything that a station has on record, fetched once."""

    answers: Mapping[str, Any]
    measurements: Mapping[tuple[str, str], Measurement]
    ratings: Mapping[tuple[str, str], int]

    @staticmethod
    def of(visit: Visit, station: str) -> OnRecord:
        """The current rows."""
        return OnRecord(answers(visit, station), measured(visit, station), ratings(visit))


def ratings(visit: Visit) -> dict[tuple[str, str], int]:
    """Current ratings on arrival, by (kind, site)."""
    rows = Rating.objects.current().filter(visit=visit, moment=MOMENT)
    return once(visit, "ratings", lambda: {(r.kind, r.site): r.value for r in rows})


Mean = Callable[[Field, Sequence[float]], Measured]


def plain_mean(field: Field, readings: Sequence[float]) -> Measured:
    """Mean of the readings; the field's own u is a floor that repeats do not lower."""
    return repeated(readings, field.unit, field.label.lower(), field.u)


def save(
    visit: Visit, station: str, fields: Sequence[Field], typed: Mapping[str, str], version: int | None,
    mean: Mean = plain_mean,
) -> Saved:  # fmt: skip
    """Write every field that was typed, can be read, and differs from the record; report the others by name.

    Fields absent from `typed` are left alone; `mean` turns repeated readings into one value.
    Raises InputError about `THIS_VISIT` when one of the fields to be written was saved elsewhere since `version` (or
    one cannot tell): then nothing is written. What others saved in other fields stands, and `meanwhile` names it.
    """
    saved = Saved()
    ready: list[_Read] = []
    for field in fields:
        if field.name in typed:
            try:
                if (got := _read(field, typed, mean)) is not None:
                    ready.append(got)
            except InputError as error:
                saved.errors[field.name] = error
    with transaction.atomic():
        let_go(visit)  # what the page read before is not trusted here
        before = OnRecord.of(visit, station)
        news = [r for r in ready if _differs(r, before)]
        if news:
            saved.meanwhile = _let_in(visit, station, fields, news, version)
        rows = [(lowered(r.field.label), _write(visit, station, r)) for r in news]
        saved.written += [r.field.name for r in news]
        record(visit, station, "typed", rows)
    return saved


def _let_in(
    visit: Visit, station: str, fields: Sequence[Field], news: Sequence[_Read], version: int | None
) -> dict[str, str]:
    """Count the save; the fields of the page that others changed since `version`, none of which is among `news`."""
    try:
        touch(visit, version)
    except InputError:
        others = None if version is None else changed_since(visit, version)
        if others is None or any(_about(station, r.field) in others for r in news):
            raise
        touch(visit)
        return {f.name: others[at] for f in fields if (at := _about(station, f)) in others}
    return {}


def who_changed(visit: Visit, station: str, fields: Iterable[Field], version: int) -> str:
    """Who saved one of these fields last since `version`; empty when nobody gave a name."""
    others = changed_since(visit, version) or {}
    return next((by for f in fields if (by := others.get(_about(station, f)))), "")


def _about(station: str, field: Field) -> About:
    key, side = field.record
    if field.kind == "rating":
        return ("Rating", MOMENT, key, side)
    table = "Measurement" if field.kind in ("number", "readings") else "Answer"
    return (table, station, key, side if table == "Measurement" else "")


def entries(fields: Iterable[Field], record: OnRecord) -> tuple[Entry, ...]:
    """Each field with what is on record, as text for its box."""
    return tuple(_entry(f, record) for f in fields)


def _read(field: Field, typed: Mapping[str, str], mean: Mean) -> _Read | None:
    """What the text says; None when the box is empty and that means nothing."""
    text = typed[field.name]
    if field.kind == "tick":
        return _Read(field, text == "yes")
    if not text.strip():
        return _Read(field, "") if field.kind in ("text", "paragraph", "date") else None
    if field.kind == "number":
        how = typed.get(f"{field.name}.how", "")
        return _Read(field, measured=_one_reading(field, text, typed), how=how)
    if field.kind == "readings":
        readings = entry.read_readings(field, text)
        return _Read(field, measured=mean(field, readings), readings=tuple(readings))
    reader = {
        "rating": entry.read_rating, "choice": entry.read_choice, "yes_no": entry.read_choice,
        "date": entry.read_date,
    }.get(field.kind, entry.read_text)  # fmt: skip
    return _Read(field, reader(field, text))


def _one_reading(field: Field, text: str, typed: Mapping[str, str]) -> Measured:
    value = entry.read_number(field, text)
    how = typed.get(f"{field.name}.how", "")
    method = next((m for m in field.methods if m.name == how), field.methods[0] if field.methods else None)
    u = method.u if method else field.u
    if (half := typed.get(f"{field.name}.u", "").strip()) != "":
        u = _half_width(field, half) / Z95
    return Measured(value, u, field.unit, method.label if method else "one reading")


def _half_width(field: Field, text: str) -> float:
    """The ± that was typed (95 %): at most a tenth of the allowed span."""
    most = (field.high - field.low) / 10
    ranged = Field(f"{field.name}.u", f"{field.label}, ±", unit=field.unit, low=0.0, high=most)
    value = entry.read_number(ranged, text.lstrip("± "))
    return check_range(ranged.label, value, 0.0, most, field.sign)


def _differs(r: _Read, record: OnRecord) -> bool:
    field = r.field
    if r.measured is not None:
        old = record.measurements.get(field.record)
        if old is None:
            return True
        same = math.isclose(old.value, r.measured.value, abs_tol=1e-9) and math.isclose(
            old.u, r.measured.u, abs_tol=5e-4
        )
        if TAKEN_OVER in old.method and old.readings == list(r.readings) and (r.readings or r.how == EARLIER):
            # The page was saved, nothing was measured; its box holds the ± to two decimals.
            return abs(old.value - r.measured.value) > 1e-9 or abs(old.u - r.measured.u) > 0.005
        return not (same and old.method == r.measured.method and old.readings == list(r.readings))
    if field.kind == "rating":
        kind, site = field.record
        return record.ratings.get((kind, site)) != r.value
    return (record.answers.get(field.record[0]) or "") != (r.value or "")


def _write(visit: Visit, station: str, r: _Read) -> Row:
    key, side = r.field.record
    if r.measured is not None:
        return measure(visit, station, key, r.measured, side=side, readings=r.readings)
    if r.field.kind == "rating":
        let_go(visit)
        old = Rating.objects.last_words().filter(visit=visit, kind=key, site=side, moment=MOMENT).last()
        return Rating.objects.create(
            visit=visit, kind=key, site=side, moment=MOMENT, value=r.value, replaces=old
        )
    return answer(visit, station, key, r.value)


def _entry(field: Field, record: OnRecord) -> Entry:
    if field.kind in ("number", "readings"):
        row = record.measurements.get(field.record)
        if row is None:
            return Entry(field, how=field.methods[0].name if field.methods else "")
        text = " ".join(entry.plain(x) for x in row.readings) if field.kind == "readings" else ""
        how = next((m.name for m in field.methods if m.label == row.method), "")
        how = EARLIER if TAKEN_OVER in row.method else how
        told = format_pm(row.measured) if row.u else f"{entry.plain(row.value)} {field.sign}"
        return Entry(
            field, text or entry.plain(row.value), _own_u(field, row), how,
            recorded=told + _several(len(row.readings)) + _since(row.method),
        )  # fmt: skip
    if field.kind == "rating":
        value = record.ratings.get(field.record)
        return Entry(field) if value is None else Entry(field, str(value), recorded=str(value))
    value = record.answers.get(field.record[0])
    if value in (None, "", False):
        return Entry(field)
    text = "yes" if value is True else str(value)
    words = dict(field.choices).get(text, text)
    return Entry(field, text, recorded=words if len(words) < 40 else words[:39] + "…")


def _since(method: str) -> str:
    """`, not measured again since 3 May 2026` of what came over from an earlier visit."""
    at = method.find(TAKEN_OVER)
    return f", {method[at:]}" if at >= 0 else ""


def _several(readings: int) -> str:
    return f", {readings} readings" if readings > 1 else ""


def _own_u(field: Field, row: Measurement) -> str:
    """The ± for its box; empty when it is the usual one of the method."""
    usual = next((m.u for m in field.methods if m.label == row.method.split("; ")[0]), None)
    usual = None if TAKEN_OVER in row.method else usual
    if usual is not None and math.isclose(usual, row.u, abs_tol=5e-4):
        return ""
    return entry.plain(round(Z95 * row.u, 2))
