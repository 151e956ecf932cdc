"""The shoes on the bench and what is screwed to them, by measures."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fitwright.errors import check_range
from fitwright.records.models import Shoes, Visit
from fitwright.studio.visits import let_go

SYSTEM_LIMITS = {
    "float_in_deg": (0, 15, "deg"), "float_out_deg": (0, 15, "deg"), "stack_mm": (5, 60, "mm"),
}  # fmt: skip


def save_system(visit: Visit, name: str, size_eu: float | None, system: Mapping[str, Any]) -> Shoes:
    """Record the shoes with their cleat system by measures (`SYSTEM_LIMITS`); the visit takes them.

    Shoes that say nothing new add no row.
    """
    for key, (low, high, unit) in SYSTEM_LIMITS.items():
        check_range(key, float(system.get(key, low)), low, high, unit)
    known = visit.shoes
    if known and (known.name, known.size_eu, known.cleat_system) == (name, size_eu, dict(system)):
        return known
    shoes = Shoes.objects.create(
        rider=visit.rider, letter=known.letter if known else "A", name=name, size_eu=size_eu,
        cleat_system=dict(system),
    )  # fmt: skip
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
