"""The studio's catalogue of parts by measures: cleat systems, pedals, spacers, shims and wedges.

Built in are a few parts of common practice; the studio adds its own as rows that are written once. A row with the key
of an older one, or of a part that is built in, takes its place; a part that is no longer fitted is put away, never
erased, and shoes that carry it keep its measures.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from django.db import transaction

from fitwright.errors import InputError
from fitwright.foot.hardware import CATALOGUE, CleatSystem
from fitwright.records.models import Answer, HardwareItem, Measurement, Shoes
from fitwright.studio.entry import Field, plain, read_choice, read_number, read_text
from fitwright.studio.hardware_fields import (
    FIELDS,
    KINDS,
    LABEL,
    THREE,
    cleat_data,
    cleat_measures,
    plain_system,
)

NO_SOURCE = "common practice, no source: measure your own"
OWN = "measured in this studio"


@dataclass(frozen=True)
class Part:
    """One entry of the catalogue.

    Attributes: kind, key, label; data: plain numbers by field name (for a cleat the whole system); source in words;
    own: whether a row of the studio says it; retired: put away; used_by: pairs of shoes or visits that carry it now.
    """

    kind: str
    key: str
    label: str
    data: Mapping[str, Any]
    source: str
    own: bool = False
    retired: bool = False
    used_by: int = 0

    @property
    def cleat(self) -> CleatSystem:
        """The system, for a part of kind "cleat"."""
        return CleatSystem.from_json(
            self.data | {"key": self.key, "label": self.label, "source": self.source}
        )

    @property
    def texts(self) -> dict[str, str]:
        """What stands in the boxes of its form."""
        numbers = cleat_measures(self.cleat) if self.kind == "cleat" else dict(self.data)
        told = {k: v if isinstance(v, str) else plain(float(v)) for k, v in numbers.items()}
        return told | {"label": self.label}

    @property
    def measures(self) -> tuple[tuple[Field, str], ...]:
        """(field, text) of every number it has, for reading."""
        texts = self.texts
        return tuple((f, texts[f.name]) for f in FIELDS[self.kind] if texts.get(f.name))


def _built_in() -> tuple[Part, ...]:
    cleats = tuple(Part("cleat", c.key, c.label, plain_system(c), NO_SOURCE) for c in CATALOGUE)
    others = (
        ("pedal", "pedal_usual", "usual axle", {"offset_mm": 53.0, "axle_mm": 77.0}),
        ("pedal", "pedal_long", "longer axle", {"offset_mm": 57.0, "axle_mm": 81.0}),
        ("spacer", "washer", "washer between crank and pedal", {"thickness_mm": 1.5}),
        ("spacer", "extender", "axle extender", {"thickness_mm": 20.0}),
        ("shim", "shim_1", "thin plate", {"thickness_mm": 1.0}),
        ("shim", "shim_3", "thick plate", {"thickness_mm": 3.0}),
        ("wedge", "wedge_1", "one wedge", {"tilt_deg": 1.5}),
    )
    return cleats + tuple(Part(kind, key, label, data, NO_SOURCE) for kind, key, label, data in others)


BUILT_IN = _built_in()


def parts(kind: str | None = None, *, retired: bool = False) -> tuple[Part, ...]:
    """The catalogue: built-in parts first, then the studio's own by age; those put away only when asked for."""
    rows = list(HardwareItem.objects.current())
    said = {(r.kind, r.key): r for r in rows}
    used = _in_use()
    found = [said.get((p.kind, p.key), p) for p in BUILT_IN]
    found += [r for r in rows if not any((r.kind, r.key) == (p.kind, p.key) for p in BUILT_IN)]
    entries = (_counted(_part(e) if isinstance(e, HardwareItem) else e, used) for e in found)
    return tuple(p for p in entries if kind in (None, p.kind) and (retired or not p.retired))


def part(kind: str, key: str) -> Part:
    """One part, put away or not; InputError for a key that is none."""
    for p in parts(kind, retired=True):
        if p.key == key:
            return p
    raise InputError(
        KINDS.get(kind, "part"), "is not in the catalogue", value=key[:40], hint="Choose another"
    )


def as_stored(cleat: Part) -> dict[str, Any]:
    """A cleat system as a pair of shoes keeps it."""
    bolts = "three-bolt" if cleat.data["bolt_pattern"] == THREE else "two-bolt"
    return dict(cleat.data) | {"key": cleat.key, "label": cleat.label, "source": cleat.source, "bolts": bolts}


def save_part(
    kind: str, typed: Mapping[str, str], key: str = "", author: str = ""
) -> tuple[Part | None, dict[str, InputError]]:
    """Add a part, or correct the one with this key: (part, {}), or (None, what is wrong by field).

    A correction that says nothing new adds no row.
    """
    if kind not in KINDS:
        raise InputError("kind", "is not one of the catalogue", value=kind[:20], allowed=", ".join(KINDS))
    known = part(kind, key) if key else None
    data, errors = _read(kind, typed)
    if errors:
        return None, errors
    label = str(data.pop("label"))
    if any(p.label.casefold() == label.casefold() and p.key != key for p in parts(kind)):
        return None, {
            "label": InputError(LABEL.label, "is taken by another part", hint="Choose another name")
        }
    if kind == "cleat":
        try:
            data = cleat_data(data, key or "new", label)
        except InputError as error:
            return None, {error.field: error}
    if known is not None and (known.label, dict(known.data)) == (label, data) and not known.retired:
        return known, {}
    return _write(kind, key or _free_key(kind, label), label, data, author=author), {}


def retire(kind: str, key: str, author: str = "") -> Part:
    """Put a part away: it is offered no more; what carries it keeps it."""
    known = part(kind, key)
    return _write(kind, key, known.label, dict(known.data), retired=True, author=author)


def restore(kind: str, key: str, author: str = "") -> Part:
    """Offer a part again."""
    known = part(kind, key)
    return _write(kind, key, known.label, dict(known.data), author=author)


def history(kind: str, key: str) -> tuple[HardwareItem, ...]:
    """Every row that was written about a part, oldest first."""
    return tuple(HardwareItem.objects.filter(kind=kind, key=key).order_by("created_at", "pk"))


def _write(
    kind: str, key: str, label: str, data: dict[str, Any], *, retired: bool = False, author: str = ""
) -> Part:
    with transaction.atomic():
        old = HardwareItem.objects.current().filter(kind=kind, key=key).last()
        row = HardwareItem.objects.create(
            kind=kind, key=key, label=label, data=data, retired=retired, author=author, replaces=old
        )
    return _counted(_part(row), _in_use())


def _part(row: HardwareItem) -> Part:
    built_in = next((p for p in BUILT_IN if (p.kind, p.key) == (row.kind, row.key)), None)
    untouched = built_in is not None and dict(built_in.data) == row.data
    source = NO_SOURCE if untouched else OWN
    return Part(row.kind, row.key, row.label, row.data, source, True, row.retired)


def _read(kind: str, typed: Mapping[str, str]) -> tuple[dict[str, Any], dict[str, InputError]]:
    data: dict[str, Any] = {}
    errors: dict[str, InputError] = {}
    for field in (LABEL, *FIELDS[kind]):
        text = typed.get(field.name, "").strip()
        try:
            if field.kind == "text":
                data[field.name] = _label(text)
            elif field.kind == "choice":
                data[field.name] = read_choice(field, text)
            elif text:
                data[field.name] = read_number(field, text)
            elif field.needed and not (field.name == "front_bolt_mm" and data.get("bolt_pattern") != THREE):
                raise InputError(field.label, "is missing", allowed=field.allowed)
        except InputError as error:
            errors[field.name] = error
    return data, errors


def _label(text: str) -> str:
    clean = " ".join(read_text(LABEL, text).split())
    if not clean or len(clean) > 120:
        raise InputError(
            LABEL.label, "is missing" if not clean else "is too long", allowed="1 to 120 characters"
        )
    return clean


def _free_key(kind: str, label: str) -> str:
    stem = re.sub(r"[^a-z0-9]+", "_", label.casefold()).strip("_")[:30] or "part"
    taken = {p.key for p in BUILT_IN} | set(
        HardwareItem.objects.filter(kind=kind).values_list("key", flat=True)
    )
    return next(k for n in range(1, 10_000) if (k := stem if n == 1 else f"{stem}_{n}") not in taken)


# --- who carries what ---

_LIVE = {"spacer": ("spacer_left_mm", "spacer_right_mm"), "shim": ("shim_left_mm", "shim_right_mm")}


def _in_use() -> Counter[tuple[str, str]]:
    """(kind, key or thickness) → how many pairs of shoes (cleats) or visits (the others) carry it now."""
    pairs: dict[tuple[int, str], str] = {}
    for rider, letter, system in Shoes.objects.order_by("pk").values_list(
        "rider_id", "letter", "cleat_system"
    ):
        pairs[rider, letter] = str((system or {}).get("key", ""))
    found = Counter(("cleat", key) for key in pairs.values() if key)
    for key, value in Answer.objects.current().filter(station="feet").values_list("key", "value"):
        if key == "pedal" and isinstance(value, dict):
            found["pedal", str(value.get("key", ""))] += 1
        elif key.startswith("wedge ") and isinstance(value, dict):
            found["wedge", plain(abs(float(value["value"])))] += 1
    for kind, keys in _LIVE.items():
        rows = Measurement.objects.current().filter(station="bike", key__in=keys, value__gt=0)
        visits = {(visit, plain(value)) for visit, value in rows.values_list("visit_id", "value")}
        found.update((kind, value) for _, value in visits)
    return found


def _counted(p: Part, used: Counter[tuple[str, str]]) -> Part:
    number = p.data.get("thickness_mm", p.data.get("tilt_deg"))
    mark = p.key if p.kind in ("cleat", "pedal") else plain(float(number or 0))
    return replace(p, used_by=used[p.kind, mark])
