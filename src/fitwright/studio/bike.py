"""Bike: where the rider touches it, and the parts between foot and crank."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from dataclasses import fields as dataclass_fields
from typing import Any

from fitwright.bike.contact import LIMITS, ContactPoints
from fitwright.body.measures import check_crank
from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.models import Measurement, Position, Visit
from fitwright.studio import typed as bench
from fitwright.studio.body import measures
from fitwright.studio.entry import Field, Group, Method, Saved, read_number
from fitwright.studio.visits import last_position, measured, positions, snapshot

STATION = "bike"

# Common practice, no source: what one careful reading is usually good for (standard uncertainty).
RULER = Method("ruler", "ruler or tape", 1.0)
LASER = Method("laser", "laser or plumb line", 0.7)
PHOTO = Method("photo", "side photograph with scale", 2.0)
ASKED = Method("asked", "told, not measured", 5.0)
MARKED = Method("marked", "marked on the part", 0.2)
CALIPER = Method("caliper", "caliper", 0.1)
LEVEL = Method("level", "level on the saddle", 0.3)
EYE = Method("eye", "by eye", 1.5)

LENGTH_METHODS = (RULER, LASER, PHOTO, ASKED)
PART_METHODS = (MARKED, CALIPER, RULER, ASKED)


def _field(
    name: str, label: str, hint: str, methods: tuple[Method, ...], *, needed: bool = True, why: str = ""
) -> Field:
    low, high, unit = LIMITS[name]
    return Field(
        name, label, unit=unit, low=low, high=high, methods=methods, hint=hint, why=why, needed=needed
    )


SADDLE = (
    _field(
        "saddle_height_mm", "Saddle height", "bottom-bracket axle to saddle top, straight line", LENGTH_METHODS,
        why="Measure to the top of the saddle where it is 80 mm wide. The line usually runs along the seat tube, "
        "but it is the straight line that counts.",
    ),
    _field(
        "saddle_setback_mm", "Saddle setback", "how far behind the bottom-bracket axle, level", LENGTH_METHODS,
        why="Hang a plumb line from the saddle where it is 80 mm wide and measure forward to the axle. "
        "In front of the axle is negative.",
    ),
    _field("saddle_tilt_deg", "Saddle tilt", "nose up is positive", (LEVEL, EYE), needed=False),
)  # fmt: skip
HANDS = (
    _field("hood_x_mm", "Hoods forward", "from the bottom-bracket axle, level", LENGTH_METHODS),
    _field("hood_y_mm", "Hoods up", "from the bottom-bracket axle, plumb", LENGTH_METHODS),
)
DRIVE = (
    _field("crank_mm", "Crank length", "axle to pedal axle, usually stamped inside the arm", PART_METHODS),
    _field(
        "q_factor_mm", "Q factor", "outer face to outer face of the crank arms at the pedals", PART_METHODS
    ),
    _field(
        "pedal_offset_mm", "Pedal offset", "crank face to the middle of the cleat on the pedal", PART_METHODS
    ),
)
UNDER_FOOT = tuple(
    _field(
        f"{part}_{side}_mm", f"{words}, {side}", hint, (CALIPER, MARKED, ASKED), needed=False
    )
    for part, words, hint in (
        ("spacer", "Pedal spacer", "between crank and pedal; 0 when there is none"),
        ("shim", "Shim", "under the cleat; 0 when there is none"),
    )
    for side in ("left", "right")
)  # fmt: skip
FIELDS = SADDLE + HANDS + DRIVE + UNDER_FOOT


@dataclass(frozen=True)
class BikePage:
    """The Bike station.

    `contact` is None until every needed number is known; `missing` names those that are not. `derived` holds
    (words, value) pairs that follow from what is known.
    """

    groups: tuple[Group, ...]
    contact: ContactPoints | None
    missing: tuple[str, ...]
    derived: tuple[tuple[str, Measured], ...]
    positions: tuple[Position, ...]


def save_bike(visit: Visit, typed: Mapping[str, str], version: int | None = None) -> Saved:
    """Write what was typed; as soon as (and whenever) the contact points are whole, a position is snapshot.

    The first position is labelled "arrived", a correction of it "arrived, corrected".
    """
    clashes = _clashes(visit, typed)
    clear = {k: v for k, v in typed.items() if k.split(".")[0] not in clashes}
    saved = bench.save(visit, STATION, FIELDS, clear, version)
    saved.errors |= clashes
    settle(visit, saved.written)
    return saved


def settle(visit: Visit, changed: Collection[str]) -> None:
    """Keep the position, when something was changed and the contact points are whole."""
    if changed and (contact := contact_points(visit)) is not None:
        _snapshot(visit, contact)


def contact_points(visit: Visit) -> ContactPoints | None:
    """The bike as measured at this station, or None while a needed number is missing."""
    rows = measured(visit, STATION)
    known = {key: row.value for (key, _), row in rows.items()}
    names = {f.name for f in dataclass_fields(ContactPoints)}
    if _lacking(known):
        return None
    return ContactPoints.from_json({k: v for k, v in known.items() if k in names})


def missing(visit: Visit) -> tuple[Field, ...]:
    """What is needed and not on record: without it there is no position."""
    return _lacking({key for key, _ in measured(visit, STATION)})


def _lacking(known: Collection[str]) -> tuple[Field, ...]:
    return tuple(f for f in FIELDS if f.needed and f.name not in known)


def contact_measured(visit: Visit) -> dict[str, Measured]:
    """Every number of this station with its uncertainty and method, by field name."""
    return {key: row.measured for (key, _), row in measured(visit, STATION).items()}


def page(visit: Visit) -> BikePage:
    """What the Bike page shows."""
    record = bench.OnRecord.of(visit, STATION)
    groups = (
        Group("Saddle", bench.entries(SADDLE, record)),
        Group("Hands", bench.entries(HANDS, record)),
        Group("Crank and pedals", bench.entries(DRIVE, record)),
        Group("Under each foot", bench.entries(UNDER_FOOT, record), layout="columns"),
    )
    return BikePage(
        groups, contact_points(visit), tuple(f.label for f in missing(visit)), _derived(record.measurements),
        positions(visit),
    )  # fmt: skip


def _derived(rows: Mapping[tuple[str, str], Measurement]) -> tuple[tuple[str, Measured], ...]:
    """Numbers that follow: the foot's distance from the mid-plane per side, drop from saddle to hoods."""
    m = {key: row.measured for (key, _), row in rows.items()}
    found: list[tuple[str, Measured]] = []
    if "q_factor_mm" in m and "pedal_offset_mm" in m:
        q, offset = m["q_factor_mm"], m["pedal_offset_mm"]
        for side in ("left", "right"):
            spacer = m.get(f"spacer_{side}_mm", Measured(0, 0, "mm"))
            foot = Measured(q.value / 2 + offset.value + spacer.value, 0, "mm")
            found.append(
                (f"{side.capitalize()} foot from the middle", foot.widened(q.u / 2, offset.u, spacer.u))
            )
    if {"saddle_height_mm", "saddle_setback_mm", "hood_y_mm"} <= m.keys():
        h, s, y = m["saddle_height_mm"], m["saddle_setback_mm"], m["hood_y_mm"]
        if abs(s.value) < h.value:
            top = (h.value**2 - s.value**2) ** 0.5
            drop = Measured(top - y.value, 0, "mm")
            found.append(
                ("Drop, saddle to hoods", drop.widened(h.u * h.value / top, s.u * s.value / top, y.u))
            )
    return tuple(found)


def _clashes(visit: Visit, typed: Mapping[str, str]) -> dict[str, InputError]:
    """Numbers that are possible alone but not together: setback beyond the height, crank beyond the leg."""
    known = {key: row.value for (key, _), row in measured(visit, STATION).items()}
    for field in FIELDS:
        if typed.get(field.name, "").strip():
            try:
                known[field.name] = read_number(field, typed[field.name])
            except InputError:
                known.pop(field.name, None)
    found: dict[str, InputError] = {}
    height, setback = known.get("saddle_height_mm"), known.get("saddle_setback_mm")
    if height is not None and setback is not None and abs(setback) >= height:
        name = "saddle_setback_mm" if "saddle_setback_mm" in typed else "saddle_height_mm"
        found[name] = InputError(
            "Saddle setback", "larger than the saddle height", allowed=f"less than {height:g} mm"
        )
    body = measures(visit)
    if body is not None and "crank_mm" in typed and "crank_mm" in known:
        try:
            check_crank(body, known["crank_mm"])
        except InputError as error:
            found["crank_mm"] = InputError("Crank length", error.problem, allowed=error.allowed)
    return found


def _snapshot(visit: Visit, contact: ContactPoints) -> None:
    parent = last_position(visit)
    data: dict[str, Any] = dict(parent.data) if parent else {}
    if data.get("contact_points") == contact.to_json():
        return
    data |= {
        "contact_points": contact.to_json(),
        "contact_measured": {k: m.to_json() for k, m in contact_measured(visit).items()},
    }
    snapshot(visit, "arrived, corrected" if parent else "arrived", data, parent)
