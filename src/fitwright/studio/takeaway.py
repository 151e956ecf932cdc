"""What is handed over as data: the position, and every measure of a visit with unit, uncertainty and method."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Mapping
from typing import Any

from django.utils import timezone

from fitwright import __version__
from fitwright.foot.sole import SoleReading
from fitwright.quantity import Z95, Measured
from fitwright.records.models import Rating, Visit
from fitwright.studio import history
from fitwright.studio.feet.hardware import wedge_of
from fitwright.studio.feet.soles import FEET, newest_reading
from fitwright.studio.visits import all_measured, last_position

COLUMNS = (
    "station", "quantity", "words", "side", "moment", "value", "unit", "u", "half_width_95", "method", "measured_at",
)  # fmt: skip
FRAMES = (
    "bike: X forward, Y up, origin bottom bracket; sole: x forward from the heel, z outward; u is the standard "
    "uncertainty, half_width_95 = 1.96 u"
)
MOMENTS = {"arrived": "on arrival", "left": "at the end", "step": "after a turn"}


def position_record(visit: Visit) -> dict[str, Any]:
    """The position as data: contact points and cleats with uncertainty, method and where they came from."""
    position = last_position(visit)
    data = dict(position.data) if position else {}
    return {
        "format": "fitwright position", "version": 1, "program": __version__, "simulated": visit.simulated,
        "rider": visit.rider.name, "visit": visit.pk, "position": position.pk if position else None,
        "label": position.label if position else None,
        "taken_at": position.created_at.isoformat() if position else None,
        "units": {"length": "mm", "angle": "deg"}, "frames": "bike: X forward, Y up, origin bottom bracket; "
        "sole: x forward from the heel, z outward", "bike": data.get("contact_points"),
        "bike_measured": data.get("contact_measured"), "system": visit.shoes.cleat_system if visit.shoes else None,
        "shoes": {"letter": visit.shoes.letter, "name": visit.shoes.name} if visit.shoes else None,
        "wedges_deg": {s: w.tilt.to_json() for s in FEET if (w := wedge_of(visit, s))},
        "feet": {s: r.to_json() for s in FEET if (r := newest_reading(visit, s)) is not None},
    }  # fmt: skip


def measures_record(visit: Visit) -> dict[str, Any]:
    """Every measure of the visit as rows under `COLUMNS`."""
    return {
        "format": "fitwright measures", "version": 1, "program": __version__, "simulated": visit.simulated,
        "rider": visit.rider.name, "visit": visit.pk, "made_at": timezone.now().isoformat(timespec="seconds"),
        "frames": FRAMES, "measures": list(rows(visit)),
    }  # fmt: skip


def as_json(record: Mapping[str, Any], *, for_people: bool = True) -> str:
    """Text that people can read too, or in one line, which is written faster."""
    return json.dumps(record, ensure_ascii=False, indent=2 if for_people else None)


def as_csv(visit: Visit) -> str:
    """The rows as CSV (RFC 4180, UTF-8, full stop as decimal sign), for a table program.

    Text that a table program would take for a formula gets a space before it.
    """
    out = io.StringIO()
    writer = csv.DictWriter(out, COLUMNS, lineterminator="\r\n")
    writer.writeheader()
    for row in rows(visit):
        writer.writerow({k: _harmless(v) for k, v in row.items()})
    return out.getvalue()


def rows(visit: Visit) -> Iterable[dict[str, Any]]:
    """What was typed or read at the stations, where the cleats sit, what the rides show, what the rider said."""
    for (station, key, side), m in all_measured(visit).items():
        yield _row(station, key, side, "", m.measured, _at(m.created_at))
    for side in FEET:
        reading = newest_reading(visit, side)
        for key, value in _of_sole(reading) if reading else ():
            yield _row("feet", key, side, "newest", value, "")
    (known,) = history.known([visit])
    for moment, values in (("before", known.before), ("after", known.after)):
        for (name, side), value in values.items():
            if name.split(".")[0] not in ("pain", "comfort") and name not in history.BIKE:
                yield _row("ride", name, side, moment, value, "")
    for r in Rating.objects.current().filter(visit=visit).order_by("created_at", "pk"):
        name, side = history.sided(f"{r.kind}.{r.site}")
        told = Measured(float(r.value), 0.0, "of 10", "said by the rider, 0 to 10")
        yield _row("intake", name, side, MOMENTS.get(r.moment, r.moment), told, _at(r.created_at))


def _of_sole(reading: SoleReading) -> Iterable[tuple[str, Measured]]:
    yield "sole_length_mm", reading.length_mm
    if reading.cleat is not None:
        yield from reading.cleat.measured().items()


def _row(station: str, key: str, side: str, moment: str, m: Measured, at: str) -> dict[str, Any]:
    return {
        "station": station, "quantity": key, "words": history.label_of(key), "side": side or "both", "moment": moment,
        "value": round(m.value, 6), "unit": m.unit, "u": round(m.u, 6) or None,
        "half_width_95": round(Z95 * m.u, 6) or None, "method": m.method, "measured_at": at,
    }  # fmt: skip


def _at(when: Any) -> str:
    return str(when.isoformat(timespec="seconds"))


def _harmless(value: Any) -> Any:
    return f" {value}" if isinstance(value, str) and value[:1] in "=+-@\t\r" else value
