"""What is measured on a part: its boxes with range and unit, and how a cleat's numbers become a system."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fitwright.bike.contact import LIMITS as AT_BIKE
from fitwright.foot.hardware import LIMITS, CleatSystem
from fitwright.foot.wedge import WEDGE_LIMITS
from fitwright.studio.entry import Field

KINDS = {
    "cleat": "cleat system", "pedal": "pedal", "spacer": "pedal spacer", "shim": "shim", "wedge": "wedge",
}  # fmt: skip
THREE, TWO = "three-bolt triangle", "two-bolt slots"
LABEL = Field(
    "label",
    "What you call it",
    "text",
    hint="describe it by its measures; no maker’s name is needed",
    needed=True,
)


def _mm(name: str, label: str, hint: str, limits: tuple[float, float, str], *, needed: bool = True) -> Field:
    low, high, unit = limits
    return Field(name, label, unit=unit, low=low, high=high, hint=hint, needed=needed)


def _cleat(name: str, label: str, hint: str, *, needed: bool = True) -> Field:
    return _mm(name, label, hint, LIMITS[name], needed=needed)


CLEAT_FIELDS = (
    Field(
        "bolt_pattern", "Bolts", "choice", choices=((THREE, "three in a triangle"), (TWO, "two side by side")),
        needed=True,
    ),
    _mm("front_bolt_mm", "Front bolt", "middle of its slot, ahead of the axle line", (1, 60, "mm")),
    _mm("rear_bolts_mm", "Pair of bolts", "middle of their slots, behind the axle line; ahead is negative",
        (-40, 60, "mm")),
    _mm("apart_mm", "Pair, apart", "middle to middle", (5, 80, "mm")),
    _cleat("slot_half_x_mm", "Slot, fore-aft", "how far a bolt can go each way from the middle of its slot"),
    _cleat("slot_half_z_mm", "Slot, sideways", "the same, across"),
    _cleat("sole_slide_half_mm", "Slide in the sole", "how far the bolts themselves go each way; 0 when fixed"),
    _cleat("turn_limit_deg", "Turn", "the most that the cleat can be turned either way when the bolts allow it"),
    _cleat("float_in_deg", "Float, toes in", "free turn of the foot from its middle"),
    _cleat("float_out_deg", "Float, toes out", "free turn of the foot from its middle"),
    _cleat("stack_mm", "Axle to sole", "pedal axle’s middle to the sole, plate included"),
    _cleat("plate_mm", "Adapter plate", "thickness between cleat and sole; 0 when there is none", needed=False),
    _cleat("cleat_height_mm", "Face above the sole", "sole to where its dots and strokes are; photographs need it",
           needed=False),
    _cleat("nose_mm", "Nose", "front end of the cleat, ahead of the axle line"),
    _cleat("tail_mm", "Tail", "rear end, behind the axle line"),
    _cleat("nose_width_mm", "Breadth at the nose", "edge to edge"),
    _cleat("width_mm", "Breadth at the axle line", "edge to edge"),
    _cleat("tail_width_mm", "Breadth at the tail", "edge to edge"),
)  # fmt: skip
PEDAL_FIELDS = (
    _mm("offset_mm", "Offset", "crank face to the middle of the cleat on the pedal", AT_BIKE["pedal_offset_mm"]),
    _mm("axle_mm", "Axle", "from the crank face to its outer end", (30, 160, "mm"), needed=False),
)  # fmt: skip
SPACER_FIELDS = (
    _mm("thickness_mm", "Thickness", "how much further out the pedal sits", AT_BIKE["spacer_left_mm"]),
)
SHIM_FIELDS = (_mm("thickness_mm", "Thickness", "between cleat and sole", AT_BIKE["shim_left_mm"]),)
WEDGE_FIELDS = (
    _mm("tilt_deg", "Tilt", "about the cleat’s long axis", (0, WEDGE_LIMITS["tilt_deg"][1], "deg")),
)
FIELDS: Mapping[str, tuple[Field, ...]] = {
    "cleat": CLEAT_FIELDS, "pedal": PEDAL_FIELDS, "spacer": SPACER_FIELDS, "shim": SHIM_FIELDS,
    "wedge": WEDGE_FIELDS,
}  # fmt: skip


def cleat_data(numbers: Mapping[str, Any], key: str, label: str) -> dict[str, Any]:
    """A `CleatSystem`'s plain numbers from what was typed about it; InputError for a shape that cannot be."""
    rear, half = -float(numbers["rear_bolts_mm"]), float(numbers["apart_mm"]) / 2
    pair = ((rear, -half), (rear, half))
    pattern = str(numbers["bolt_pattern"])
    bolts = ((float(numbers["front_bolt_mm"]), 0.0), *pair) if pattern == THREE else pair
    own = {k: float(numbers.get(k, 0.0)) for k in LIMITS if k in numbers or k != "cleat_height_mm"}
    named = {"key": key, "label": label, "bolt_pattern": pattern, "bolts_mm": bolts}
    return plain_system(CleatSystem.from_json(own | named))


def plain_system(system: CleatSystem) -> dict[str, Any]:
    """A system's numbers as they are kept: without the name, which the entry has, and in lists as JSON has them."""
    named = ("key", "label", "source")
    numbers = {k: v for k, v in system.to_json().items() if k not in named and v is not None}
    return numbers | {"bolts_mm": [list(b) for b in system.bolts_mm]}


def cleat_measures(system: CleatSystem) -> dict[str, Any]:
    """The inverse of `cleat_data`: what would be typed."""
    *front, inner, outer = system.bolts_mm
    known: dict[str, Any] = {"bolt_pattern": system.bolt_pattern}
    if front:
        known["front_bolt_mm"] = front[0][0]
    known |= {"rear_bolts_mm": -inner[0], "apart_mm": outer[1] - inner[1]}
    return known | {k: v for k in LIMITS if (v := getattr(system, k)) is not None}
