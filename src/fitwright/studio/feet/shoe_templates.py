"""Shoes that come again and again: size, bolts, slots, float, stack and heel of one pair as a guess for the next.

Filling in writes one row of the pair with what it does not say yet, which the visit's undo takes back. The row keeps
under `FROM_TEMPLATE` what came from where: {"label", "own", "filled", "heel_breadth_mm"}. Nothing counts as measured
by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from django.db import transaction

from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.models import Shoes, Visit
from fitwright.studio import hardware as catalogue
from fitwright.studio import shelf
from fitwright.studio.edits import record_pair
from fitwright.studio.entry import plain
from fitwright.studio.feet.clearance_fields import GUESSED
from fitwright.studio.feet.hardware import FROM_TEMPLATE as FROM
from fitwright.studio.feet.hardware import put_on_bench, system_of
from fitwright.studio.feet.soles import STATION, letter_of
from fitwright.studio.visits import measured, touch

KIND = "shoe_template"
HEEL = "heel_breadth_mm"


@dataclass(frozen=True)
class Template:
    """Size (EU), the cleat system by its measures and the shoe's heel (mm), as far as it says them; `own`: the
    studio's, otherwise an invented example by common practice, without a source."""

    key: str
    label: str
    size_eu: float | None = None
    system: Mapping[str, Any] | None = None
    heel_breadth_mm: float | None = None
    own: bool = True

    @property
    def words(self) -> str:
        """`EU 43, three bolts, ± 4.5°, axle to sole 18 mm, heel 70 mm`."""
        said = [f"EU {plain(self.size_eu)}"] if self.size_eu is not None else []
        if self.system:
            said.append(str(self.system["label"]))
            said.append(f"axle to sole {plain(float(self.system['stack_mm']))} mm")
        said += [f"heel {plain(self.heel_breadth_mm)} mm"] if self.heel_breadth_mm is not None else []
        return ", ".join(said)


_EXAMPLES = (
    ("shoe_road", "road shoe, stiff sole", "three_bolt_wide", 66.0),
    ("shoe_road_fixed", "road shoe, stiff sole, no float", "three_bolt_fixed", 66.0),
    ("shoe_trail", "off-road shoe, soft outer sole", "two_bolt", 74.0),
    ("shoe_town", "town or touring shoe", "two_bolt", 78.0),
)
"""Invented examples by common practice, no source: key, label, cleat system of the catalogue, breadth of the heel."""


def templates() -> tuple[Template, ...]:
    """The studio's own by name, then the examples that came with the program."""
    own = [
        Template(r.key, r.label, r.data["size_eu"], r.data["system"], r.data[HEEL]) for r in shelf.rows(KIND)
    ]
    systems = {p.key: p for p in catalogue.parts("cleat", retired=True)}
    examples = (
        Template(key, label, None, catalogue.as_stored(systems[system]), heel, own=False)
        for key, label, system, heel in _EXAMPLES
    )
    return shelf.ordered(own, examples)


def keep(visit: Visit, name: str) -> Template:
    """Keep the pair on the bench under a name; one of the same name is replaced, and stays on record.

    Raises:
        InputError: no name, too long a name, or no cleat system said yet.
    """
    name = shelf.checked_name(name)
    shoes, system = visit.shoes, system_of(visit)
    if shoes is None or system is None:
        raise InputError("Template", "nothing of it is on record yet", hint="Say the cleat system first")
    stored = {k: v for k, v in shoes.cleat_system.items() if k != FROM}
    whole = system.to_json() | {"bolts": "two-bolt" if len(system.bolts_mm) == 2 else "three-bolt"} | stored
    size = None if shoes.size_eu is None else float(shoes.size_eu)
    heel = measured(visit, STATION).get((HEEL, ""))
    known = heel.value if heel else (shoes.cleat_system.get(FROM) or {}).get(HEEL)
    made = Template(shelf.key_for(KIND, name, "shoe"), name, size, whole, known)
    _write(made)
    return made


def fill(visit: Visit, key: str) -> tuple[Template, tuple[str, ...]]:
    """Say of the pair on the bench what it does not say yet; (template, labels of what was filled).

    Raises:
        InputError: a key that is none, or nothing left to fill.
    """
    chosen, shoes = shelf.known(templates(), key), visit.shoes
    stored: dict[str, Any] = dict(shoes.cleat_system) if shoes else {}
    filled: list[str] = []
    size = shoes.size_eu if shoes else None
    if size is None and chosen.size_eu is not None:
        size = chosen.size_eu  # type: ignore[assignment]
        filled.append("size")
    came: dict[str, Any] = {"label": chosen.label, "own": chosen.own}
    if not {k for k in stored if k != FROM} and chosen.system:
        stored = dict(chosen.system) | {"source": _source(chosen)}
        filled.append("cleat system")
    has_heel = (HEEL, "") in measured(visit, STATION) or heel_of(visit) is not None
    if not has_heel and chosen.heel_breadth_mm is not None:
        came[HEEL] = chosen.heel_breadth_mm
        filled.append("heel’s breadth")
    elif (known := heel_of(visit)) is not None:
        came[HEEL] = known.value
    if not filled:
        raise InputError("Template", "everything it holds is on record here already")
    with transaction.atomic():
        touch(visit)
        made = Shoes.objects.create(
            rider=visit.rider, letter=letter_of(visit), name=shoes.name if shoes else chosen.label, size_eu=size,
            cleat_system=stored | {FROM: came | {"filled": filled}},
        )  # fmt: skip
        record_pair(visit, "typed", shoes, put_on_bench(visit, made))
    return chosen, tuple(filled)


def filled_from(visit: Visit) -> Mapping[str, Any] | None:
    """Which template the pair on the bench was filled in from, with `filled`, its labels; None when from none."""
    return visit.shoes.cleat_system.get(FROM) if visit.shoes else None


def heel_of(visit: Visit) -> Measured | None:
    """The shoe's heel as its template says it, not measured; None when none does."""
    value = (filled_from(visit) or {}).get(HEEL)
    return None if value is None else Measured(float(value), GUESSED.u, "mm", "from a template, not measured")


def put_away(key: str) -> Template:
    """Offer one of the studio's own no more."""
    chosen = shelf.own_one(templates(), key)
    _write(chosen, retired=True)
    return chosen


def _source(chosen: Template) -> str:
    if chosen.own:
        return f"from the template “{chosen.label}”, not measured on this pair"
    return f"from the example “{chosen.label}”, common practice, no source: measure this pair"


def _write(made: Template, *, retired: bool = False) -> None:
    data = {"size_eu": made.size_eu, "system": dict(made.system or {}), HEEL: made.heel_breadth_mm}
    shelf.write(KIND, made.key, made.label, data, retired=retired)
