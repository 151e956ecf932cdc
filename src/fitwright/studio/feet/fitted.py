"""What is fitted between foot and crank on each side: pedal, spacer, shim, wedge, and what the last two do.

Pedal offset, spacers and shims are the Bike station's own numbers, written through it, so that both pages always say
the same. A shim acts like a longer leg on its side. A wedge is recorded with its geometry and nothing more.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from fitwright.body.measures import malleolus_height
from fitwright.errors import InputError
from fitwright.foot.wedge import WEDGE_LIMITS, Wedge
from fitwright.quantity import Z95, Measured
from fitwright.records.models import Visit
from fitwright.studio import bike, body
from fitwright.studio import hardware as catalogue
from fitwright.studio.entry import Field, lowered, plain, read_number
from fitwright.studio.feet.hardware import system_of, wedge_of
from fitwright.studio.feet.soles import FEET, STATION, label
from fitwright.studio.visits import answer, answers

AT_BIKE = ("pedal_offset_mm", "spacer_left_mm", "spacer_right_mm", "shim_left_mm", "shim_right_mm")
TILT = WEDGE_LIMITS["tilt_deg"]
WEDGES = tuple(
    Field(
        f"wedge_{side}_deg", f"Wedge, {side}", unit=TILT[2], low=TILT[0], high=TILT[1], side=side,
        hint="raises the inner edge; for the outer edge type a minus",
    )
    for side in FEET
)  # fmt: skip
FIELDS = {f.name: f for f in (*(f for f in bike.FIELDS if f.name in AT_BIKE), *WEDGES)}
U_WEDGE_DEG = 0.2  # common practice, no source
SOLE_MM = Measured(10.0, 4.0, "mm", "sole and insole (common practice, no source)")
GUESS_U95_MM = "4"  # what a pedal of common practice is good for until it is measured


@dataclass(frozen=True)
class Fitted:
    """One number between foot and crank: its field, what stands in its box, what the catalogue offers."""

    field: Field
    text: str
    offers: tuple[tuple[str, str], ...]


def fitted(visit: Visit) -> dict[str, Fitted]:
    """Every number of this page that a part of the catalogue can bring, by field name."""
    known, offered = _texts(visit), catalogue.parts()
    return {
        name: Fitted(field, known.get(name, ""), _offers(offered, name.split("_")[0]))
        for name, field in FIELDS.items()
    }


def _texts(visit: Visit) -> dict[str, str]:
    """What is on record, by field name."""
    known = {k: plain(m.value) for k, m in bike.contact_measured(visit).items()}
    return known | {f.name: plain(w.tilt.value) for f in WEDGES if (w := wedge_of(visit, f.side))}


def _offers(offered: Iterable[catalogue.Part], kind: str) -> tuple[tuple[str, str], ...]:
    numbers = (
        (p.data.get("thickness_mm", p.data.get("tilt_deg")), p.label) for p in offered if p.kind == kind
    )
    return tuple((plain(float(n)), words) for n, words in numbers if n is not None)


def chosen_pedal(visit: Visit) -> str:
    """Key of the pedal that was chosen from the catalogue, or an empty text."""
    return str((answers(visit, STATION).get("pedal") or {}).get("key", ""))


def save_fitted(visit: Visit, typed: Mapping[str, str]) -> dict[str, InputError]:
    """Write what can be read and say what cannot, by field; an empty box leaves what is on record.

    A pedal that is chosen anew brings its offset, unless another one was typed beside it.
    """
    errors: dict[str, InputError] = {}
    wedges = {}
    for field in WEDGES:
        try:
            if typed.get(field.name, "").strip():
                wedges[field.side] = read_number(field, typed[field.name])
        except InputError as error:
            errors[field.name] = error
    before = _texts(visit)
    news = {k: typed[k] for k in AT_BIKE if typed.get(k, "").strip() and typed[k].strip() != before.get(k)}
    key = typed.get("pedal", "")
    if key and key != chosen_pedal(visit):
        pedal = catalogue.part("pedal", key)
        if "pedal_offset_mm" not in news:
            news["pedal_offset_mm"] = plain(float(pedal.data["offset_mm"]))
            own = pedal.source == catalogue.OWN
            news["pedal_offset_mm.how"] = "caliper" if own else "asked"
            if not own:
                news["pedal_offset_mm.u"] = GUESS_U95_MM
        kept = {"key": key, "label": pedal.label, "axle_mm": pedal.data.get("axle_mm")}
        answer(visit, STATION, "pedal", kept)
    elif not key and chosen_pedal(visit):
        answer(visit, STATION, "pedal", None)
    for side, tilt in wedges.items():
        told = Measured(tilt, U_WEDGE_DEG, "deg", "as marked on the wedge").to_json()
        answer(visit, STATION, label(visit, f"wedge {side}"), told)
    return errors | (bike.save_bike(visit, news).errors if news else {})


def effects(visit: Visit, side: str) -> tuple[str, ...]:
    """What shim and wedge of this side do, in words."""
    shim = bike.contact_measured(visit).get(f"shim_{side}_mm")
    found = []
    if shim is not None and shim.value > 0:
        found.append(f"the shim acts like a leg that is longer by {shim.value:g} mm")
    wedge = wedge_of(visit, side)
    if wedge is not None and wedge.tilt.value:
        found.append(_wedge_words(visit, wedge))
    return tuple(found)


def _wedge_words(visit: Visit, wedge: Wedge) -> str:
    edge = "inner" if wedge.tilt.value > 0 else "outer"
    words = f"the wedge raises the {edge} edge by {abs(wedge.tilt.value):g}°"
    system = system_of(visit)
    if system is not None:
        words += f", {abs(wedge.edge_mm(system.width_mm)):.1f} mm over the cleat’s breadth"
    height = ankle_height(visit)
    if height is None:
        return f"{words}; how far that moves the ankle is worked out once the height is known (station Body)"
    shift = wedge.sideways(height)
    way, half = "outward" if shift.value > 0 else "inward", Z95 * shift.u
    return (
        f"{words}; with the leg as it stands that moves the ankle {abs(shift.value):.1f} ± {half:.1f} mm {way} "
        "against the pedal. It is recorded; nothing is claimed about what it does to a knee"
    )


def ankle_height(visit: Visit) -> Measured | None:
    """The outer ankle above the pedal axle, mm; None while the rider's height is unknown."""
    measures, system = body.measures(visit), system_of(visit)
    if measures is None:
        return None
    height = malleolus_height(measures)
    stack = system.stack_mm if system else 18.0
    value = height.value + stack + SOLE_MM.value
    return Measured(value, height.u, "mm", f"{lowered(height.method)}, stack and sole").widened(SOLE_MM.u)
