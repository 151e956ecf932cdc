"""The shoes on the bench and what is screwed to them, by measures.

A rider's pairs are told apart by their letter. What is measured anew on a pair is a new row with the same letter;
photographs, marks and cleats of a pair are found by its letter (`soles.label`). The pedal's offset, spacers and shims
live at station Bike, where the contact points are: `fitted` reads and writes them there.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fitwright.errors import InputError, check_range
from fitwright.foot.bolts import BOLTS, BoltPattern, pattern_from_bolts, pattern_from_cleats
from fitwright.foot.hardware import LIMITS, CleatSystem, cleat_outline, system
from fitwright.foot.wedge import Wedge
from fitwright.quantity import Floats, Measured
from fitwright.records.models import Shoes, Visit
from fitwright.studio.feet.soles import STATION, label, reading_of
from fitwright.studio.visits import answers, let_go, once

SYSTEM_LIMITS = {
    name: LIMITS[name] for name in ("float_in_deg", "float_out_deg", "stack_mm", "cleat_height_mm")
}
USUAL = {"three-bolt": "three_bolt_wide", "two-bolt": "two_bolt"}
FROM_TEMPLATE = "shoe_template"
"""Key of what a template filled in (`shoe_templates`)."""
TYPED = "float and stack as typed; bolts, slots and outline of the usual pattern (common practice, no source)"


def save_system(visit: Visit, name: str, size_eu: float | None, system: Mapping[str, Any]) -> Shoes:
    """Record the shoes with their cleat system by measures (`SYSTEM_LIMITS`); the visit takes them.

    Shoes that say nothing new add no row.
    """
    for key, (low, high, unit) in SYSTEM_LIMITS.items():
        check_range(key, float(system.get(key, low)), low, high, unit)
    known: Shoes | None = visit.shoes
    if known and (known.name, known.size_eu, known.cleat_system) == (name, size_eu, dict(system)):
        return known
    return put_on_bench(visit, Shoes.objects.create(
        rider=visit.rider, letter=known.letter if known else "A", name=name, size_eu=size_eu,
        cleat_system=dict(system),
    ))  # fmt: skip


def put_on_bench(visit: Visit, shoes: Shoes) -> Shoes:
    """The visit takes this row of shoes."""
    Visit.objects.filter(pk=visit.pk).update(shoes=shoes)
    visit.shoes = shoes
    let_go(visit)
    return shoes


def float_window(visit: Visit) -> tuple[float, float] | None:
    """(inward, outward) float from its middle, deg."""
    system = visit.shoes.cleat_system if visit.shoes else {}
    if "float_in_deg" not in system or "float_out_deg" not in system:
        return None
    return float(system["float_in_deg"]), float(system["float_out_deg"])


def system_of(visit: Visit) -> CleatSystem | None:
    """The cleat system of the pair on the bench; None while nothing is said about it.

    Where only float and stack were typed, the rest is that of the usual pattern, and `source` says so.
    """
    stored = visit.shoes.cleat_system if visit.shoes else {}
    if not stored:
        return None
    if "bolts_mm" in stored:
        return CleatSystem.from_json({"key": "typed", "label": "as typed"} | stored)
    usual = system(USUAL.get(str(stored.get("bolts")), "three_bolt_wide"))
    typed = {k: float(stored[k]) for k in SYSTEM_LIMITS if k in stored}
    named = {"key": "typed", "label": f"{stored.get('bolts', 'three-bolt')}, as typed", "source": TYPED}
    return CleatSystem.from_json(usual.to_json() | typed | named)


def cleat_shape(visit: Visit) -> Floats | None:
    """(n, 2) the cleat's outline in its own frame, by the measures of the pair on the bench; None while unsaid."""
    system = system_of(visit)
    return cleat_outline(system) if system else None


def bolts_of(visit: Visit, side: str) -> BoltPattern | None:
    """The shoe's bolt pattern: from bolts that were picked, else inferred from the cleat as it sat, else None.

    Bolts that do not lie as the system's do are passed over here; `pattern_problem` says it.
    """
    return once(visit, f"bolts {side}", lambda: _bolts_of(visit, side))


def _bolts_of(visit: Visit, side: str) -> BoltPattern | None:
    cleat = system_of(visit)
    if cleat is None:
        return None
    readings = [r for when in ("before", "after") if (r := reading_of(visit, side, when)) is not None]
    for reading in readings:
        try:
            if found := pattern_from_bolts(cleat, reading.landmarks):
                return found
        except InputError:
            continue
    poses = [r.cleat for r in readings if r.cleat is not None]
    return pattern_from_cleats(cleat, poses) if poses else None


def pattern_problem(visit: Visit, side: str) -> InputError | None:
    """Why the bolts that were picked could not be used; None when they could, or none were picked."""
    cleat = system_of(visit)
    for when in ("before", "after"):
        reading = reading_of(visit, side, when)
        if cleat is None or reading is None or not set(BOLTS) & set(reading.landmarks):
            continue
        try:
            pattern_from_bolts(cleat, reading.landmarks)
        except InputError as error:
            return error
    return None


def wedge_of(visit: Visit, side: str) -> Wedge | None:
    """The wedge under this shoe of the pair on the bench; None when there is none."""
    said = answers(visit, STATION).get(label(visit, f"wedge {side}"))
    if not said or not said["value"]:
        return None
    return Wedge(Measured.from_json(said))
