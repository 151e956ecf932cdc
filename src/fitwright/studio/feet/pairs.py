"""A rider's pairs of shoes (A, B, C …): which one is on the bench, another added, and its size and cleat system.

A pair's photographs, marks and wish are found by its letter, so that putting another pair on the bench changes what
every page of this station shows and loses nothing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from string import ascii_uppercase
from typing import Any

from fitwright.errors import InputError
from fitwright.foot.hardware import LIMITS
from fitwright.records.models import Shoes, Visit
from fitwright.studio import hardware as catalogue
from fitwright.studio.entry import Field, read_number, read_text
from fitwright.studio.feet.hardware import FROM_TEMPLATE, SYSTEM_LIMITS, put_on_bench, save_system
from fitwright.studio.feet.soles import STATION, letter_in, letter_of
from fitwright.studio.visits import answers

NAME = Field("name", "What you call the pair", "text", hint="“road”, “indoor”, “winter”")
SIZE = Field("size_eu", "Size", unit="EU", low=15, high=55, hint="as printed in the shoe")
_SAID = {
    "float_in_deg": ("Float, toes in", "free turn from its middle"),
    "float_out_deg": ("Float, toes out", "free turn from its middle"),
    "stack_mm": ("Axle to sole", "pedal axle’s middle to the sole"),
    "cleat_height_mm": (
        "Cleat’s face above the sole",
        "where its dots and strokes are: say it before measuring",
    ),
}
OWN_MEASURES = tuple(
    Field(name, _SAID[name][0], unit=unit, low=low, high=high, hint=_SAID[name][1])
    for name, (low, high, unit) in SYSTEM_LIMITS.items()
)
AS_MEASURED = "float and stack as measured on this pair, the rest from the catalogue"


@dataclass(frozen=True)
class Pair:
    """One pair: its newest row, whether it is on the bench, and how many sole photographs this visit has of it."""

    shoes: Shoes
    on_bench: bool
    photos: int

    @property
    def system(self) -> str:
        """The cleat system in words."""
        stored = self.shoes.cleat_system
        return str(stored.get("label") or stored.get("bolts") or "no cleat said yet")


def pairs(visit: Visit) -> tuple[Pair, ...]:
    """All pairs of the rider, by letter."""
    newest: dict[str, Shoes] = {}
    for row in Shoes.objects.filter(rider=visit.rider).order_by("pk"):
        newest[row.letter] = row
    if visit.shoes:
        newest[visit.shoes.letter] = visit.shoes
    return tuple(
        Pair(newest[x], visit.shoes is not None and letter_of(visit) == x, _photos(visit, x))
        for x in sorted(newest)
    )


def _photos(visit: Visit, letter: str) -> int:
    keys = (k for k, v in answers(visit, STATION).items() if v and k.startswith("photo "))
    return sum(letter_in(k) == letter for k in keys)


def add_pair(visit: Visit, name: str, size_text: str) -> Shoes:
    """Put a pair on the bench that the rider had not brought before; the pair that was there stays on record.

    Raises InputError for a size that is none, or when every letter is taken.
    """
    size = read_number(SIZE, size_text) if size_text.strip() else None
    taken = {p.shoes.letter for p in pairs(visit)}
    letter = next((x for x in ascii_uppercase if x not in taken), None)
    if letter is None:
        raise InputError("pair", "this rider has 26 pairs on record", hint="Put one of them on the bench")
    shoes = Shoes.objects.create(
        rider=visit.rider, letter=letter, name=_name(name) or f"pair {letter}", size_eu=size
    )
    return put_on_bench(visit, shoes)


def switch_pair(visit: Visit, letter: str) -> Shoes:
    """Put a known pair on the bench."""
    for pair in pairs(visit):
        if pair.shoes.letter == letter:
            return put_on_bench(visit, pair.shoes)
    raise InputError("pair", "this rider has no such pair", value=letter[:4])


def save_pair(visit: Visit, typed: Mapping[str, str]) -> Shoes:
    """Name, size and cleat system of the pair on the bench; a system chosen anew brings all its measures."""
    stored = dict(visit.shoes.cleat_system) if visit.shoes else {}
    key = typed.get("system", "")
    if key and key != stored.get("key"):
        part, came = catalogue.part("cleat", key), stored.get(FROM_TEMPLATE)
        stored = catalogue.as_stored(part) | ({FROM_TEMPLATE: came} if came else {})
    size = read_number(SIZE, typed["size_eu"]) if typed.get("size_eu", "").strip() else None
    letter = letter_of(visit)
    return save_system(visit, _name(typed.get("name", "")) or f"pair {letter}", size, stored)


def save_measures(visit: Visit, typed: Mapping[str, str]) -> tuple[Shoes | None, dict[str, InputError]]:
    """Float and stack as measured on this very pair: (shoes, {}), or (None, what is wrong by field)."""
    stored: dict[str, Any] = dict(visit.shoes.cleat_system) if visit.shoes else {}
    errors: dict[str, InputError] = {}
    for field in OWN_MEASURES:
        text = typed.get(field.name, "").strip()
        try:
            if text:
                stored[field.name] = read_number(field, text)
        except InputError as error:
            errors[field.name] = error
    if errors:
        return None, errors
    if typed.get("bolts") in ("three-bolt", "two-bolt") and "key" not in stored:
        stored["bolts"] = typed["bolts"]
    known = visit.shoes.cleat_system if visit.shoes else {}
    if set(stored) & set(LIMITS) and "key" in stored and stored != known:
        stored["source"] = AS_MEASURED
    name = visit.shoes.name if visit.shoes else "shoes"
    size = visit.shoes.size_eu if visit.shoes else None
    return save_system(visit, name, size, stored), {}


def _name(text: str) -> str:
    return " ".join(read_text(NAME, text).split())[:120]
