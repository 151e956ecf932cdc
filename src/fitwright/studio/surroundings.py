"""What else is known around a film: lengths that a hand types where it marks the points, and what the visit knows.

Everything here is optional and makes the camera's fit surer: a wheel or a length is a second ruler, the stance tells
how far beside the bike's middle the leg moves, the sensor's readout when each row was seen.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from fitwright.errors import InputError
from fitwright.foot.stance import pedal_out
from fitwright.quantity import Measured, format_pm
from fitwright.records.models import Visit
from fitwright.studio import bike
from fitwright.studio.entry import Entry, Field, plain, read_number
from fitwright.vision.scene import Scene

FIELDS = (
    Field("front_higher_mm", "Front axle higher by", unit="mm", low=-300, high=300,
          hint="than the rear one, when both are marked; 0 on a level bike"),
    Field("wheel_mm", "Diameter through the rim points", unit="mm", low=250, high=900,
          hint="of the circle on which they were marked"),
    Field("length_mm", "Known length", unit="mm", low=100, high=3000, hint="between its two marked ends"),
    Field("length_depth_mm", "Known length, how far beside", unit="mm", low=-1000, high=1000,
          hint="the bike’s middle, toward the camera"),
    Field("card_depth_mm", "Scale card, how far beside", unit="mm", low=-1000, high=1000,
          hint="the bike’s middle, toward the camera; only when it is held up in this picture"),
    Field("hip_breadth_mm", "Breadth over both hips", unit="mm", low=220, high=520,
          hint="over the bony points, with a caliper or two rulers"),
    Field("readout_ms", "Readout of the sensor", unit="ms", low=0, high=50,
          hint="time for all rows, when the camera’s maker tells it"),
)  # fmt: skip
OF_A_SIDE = tuple(f for f in FIELDS if f.name != "readout_ms")
STANCE_MM = (90.0, 200.0)


def fields_of(view: str) -> tuple[Field, ...]:
    """What is asked for beside the points of a side film, or of a front film."""
    return FIELDS if view != "front" else tuple(f for f in FIELDS if f.name == "readout_ms")


def entries(
    view: str, known: Mapping[str, float], typed: Mapping[str, str] | None = None
) -> tuple[Entry, ...]:
    """The boxes, with what is on record, or with what was typed and what is wrong with it."""
    out = []
    for field in fields_of(view):
        text = plain(known[field.name]) if field.name in known else ""
        error = None
        if typed is not None:
            text = typed.get(field.name, "").strip()
            try:
                if text:
                    read_number(field, text)
            except InputError as wrong:
                error = wrong
        out.append(Entry(field, text, error=error))
    return tuple(out)


def read(view: str, typed: Mapping[str, str]) -> dict[str, float]:
    """The numbers that were typed, by name; InputError for the first that is wrong."""
    return {f.name: read_number(f, typed[f.name]) for f in fields_of(view) if typed.get(f.name, "").strip()}


def stance(visit: Visit, side: str) -> Measured | None:
    """Pedal's middle to the bike's middle, from the Bike station; None where it is not known or not usual."""
    known = bike.contact_measured(visit)
    if not {"q_factor_mm", "pedal_offset_mm"} <= known.keys():
        return None
    spacer = known.get(f"spacer_{side}_mm", Measured(0.0, 0.0, "mm"))
    out = pedal_out(known["q_factor_mm"], known["pedal_offset_mm"], spacer)
    return out if STANCE_MM[0] <= out.value <= STANCE_MM[1] else None


def scene_of(visit: Visit, side: str | None, around: Mapping[str, Any]) -> Scene:
    """The scene of one film: what was typed at it, and the stance of the filmed side."""
    if side is None:
        return Scene()
    known = stance(visit, side)
    names = ("front_higher_mm", "wheel_mm", "length_mm", "length_depth_mm", "hip_breadth_mm")
    typed = {n: float(around[n]) for n in names if around.get(n) is not None}
    return Scene(stance_mm=known.value if known else None, **typed)


def taken(visit: Visit, side: str | None) -> tuple[str, ...]:
    """In words, what of the visit a film of this side is read with."""
    words = []
    crank = bike.contact_measured(visit).get("crank_mm")
    if crank is not None:
        words.append(f"crank length {format_pm(crank)}")
    known = stance(visit, side) if side else None
    if known is not None:
        words.append(f"pedal beside the bike’s middle {format_pm(known)}")
    return tuple(words)
