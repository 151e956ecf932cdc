"""Bikes that come again and again: what a frame size and its parts are like, as a first guess for the next one.

Filling in writes only where nothing is on record, as "told, not measured" with that method's wide ±, so that each
value asks to be measured. The saddle is not part of it: where it stands is the rider's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.studio import bike, shelf
from fitwright.studio.entry import lowered, plain
from fitwright.studio.visits import measured

KIND = "bike_template"
FIELDS = bike.HANDS + bike.DRIVE


@dataclass(frozen=True)
class Template:
    """A name and the values by field (mm); `own`: the studio's, otherwise of common practice without a source."""

    key: str
    label: str
    values: Mapping[str, float]
    own: bool = True

    @property
    def words(self) -> str:
        """`crank length 170, Q factor 148 mm`."""
        known = [
            f"{lowered(f.label)} {plain(self.values[f.name])} mm" for f in FIELDS if f.name in self.values
        ]
        return ", ".join(known)


def _drive(crank: float, q: float, offset: float = 53.0) -> dict[str, float]:
    return {"crank_mm": crank, "q_factor_mm": q, "pedal_offset_mm": offset}


COMMON = (
    Template("road_small", "road bike, small", _drive(165.0, 147.0), own=False),
    Template("road", "road bike, medium", _drive(172.5, 147.0), own=False),
    Template("gravel", "gravel bike", _drive(170.0, 151.0), own=False),
    Template("mountain", "mountain bike", _drive(170.0, 172.0), own=False),
    Template("city", "city bike", _drive(170.0, 165.0), own=False),
)
"""Common practice, no source: measure your own."""


def templates() -> tuple[Template, ...]:
    """The studio's own by name, then those that came with the program."""
    return shelf.ordered((Template(r.key, r.label, r.data["values"]) for r in shelf.rows(KIND)), COMMON)


def keep(visit: Visit, name: str) -> Template:
    """Keep what is on record of this bike under a name; one of the same name is replaced, and stays on record.

    Raises:
        InputError: no name, too long a name, or nothing measured yet that a template holds.
    """
    name = shelf.checked_name(name)
    known = measured(visit, bike.STATION)
    values = {f.name: known[f.record].value for f in FIELDS if f.record in known}
    if not values:
        wanted = ", ".join(lowered(f.label) for f in FIELDS)
        raise InputError("Template", "nothing of it is on record yet", hint=f"Measure one of: {wanted}")
    key = shelf.key_for(KIND, name, "bike")
    shelf.write(KIND, key, name, {"values": values})
    return Template(key, name, values)


def fill(visit: Visit, key: str, version: int | None = None) -> tuple[Template, tuple[str, ...]]:
    """Write the template's values where nothing is on record; (it, labels of what was filled); one undo for all.

    Raises:
        InputError: a key that is none, nothing left to fill, or the visit was saved elsewhere since `version`.
    """
    chosen = shelf.known(templates(), key)
    here = measured(visit, bike.STATION)
    empty = [f for f in FIELDS if f.name in chosen.values and f.record not in here]
    if not empty:
        raise InputError("Template", "everything it holds is on record here already")
    typed = {f.name: plain(chosen.values[f.name]) for f in empty}
    typed |= {f"{f.name}.how": bike.ASKED.name for f in empty}
    saved = bike.save_bike(visit, typed, version)
    for error in saved.errors.values():
        raise error
    return chosen, tuple(lowered(f.label) for f in empty)


def put_away(key: str) -> Template:
    """Offer one of the studio's own no more."""
    chosen = shelf.own_one(templates(), key)
    shelf.write(KIND, key, chosen.label, {"values": dict(chosen.values)}, retired=True)
    return chosen
