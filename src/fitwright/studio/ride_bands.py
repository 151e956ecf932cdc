"""The studio’s bands on the curves of a ride: each at the crank angle where it applies, and only where the ride
was measured as the band was (2-D or 3-D, static or in motion), or a published conversion leads from one to the other.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from fitwright.linkage.response import crank_in_line_deg
from fitwright.motion.ride import RideResult
from fitwright.plan.findings import SETTING
from fitwright.plan.targets import Matched, band_for, for_use
from fitwright.plan.types import Target
from fitwright.records.models import Visit
from fitwright.sheets.curve import CurveTarget
from fitwright.studio import bands, bike
from fitwright.studio.visits import once

PLACES = {"tdc": 0.0, "top": 0.0, "q90": 90.0, "bdc": 180.0}
"""Events that are a crank angle by themselves."""
STATES = {"dynamic": "in motion", "static": "held still"}


def curve_target(visit: Visit, curve: str, rides: Iterable[RideResult]) -> CurveTarget | None:
    """The band that the curve of this name ("knee_flexion", "trunk_inclination", ...) is held against, or None.

    Of several that fit one to act on goes before one that describes, and one in the rides' own method before one that
    was converted. Rides of different methods on one chart have none: the band would fit only some of the lines.
    """
    shown = [r for r in rides if any(curve in curves for curves in r.curves.values())]
    method = _one_method(shown)
    if method is None:
        return None
    found = [
        (matched, at)
        for matched in _matched(visit, curve, method)
        if (at := _place(visit, matched.target.key, shown)) is not None
    ]
    if not found:
        return None
    matched, at = min(found, key=lambda f: (f[0].target.role != "target", bool(f[0].note), f[0].u))
    band = matched.target
    return CurveTarget(band.low, band.high, at if math.isfinite(at) else None, band_words(matched, method))


def value_band(
    visit: Visit, quantity: str, event: str, rides: Iterable[RideResult]
) -> tuple[tuple[float, float] | None, str]:
    """The band (low, high) that this value of these rides is held against, and its words; None and "" without one."""
    shown = [r for r in rides if any(quantity in told for told in r.quantities.values())]
    method = _one_method(shown)
    own = [t for t in bands_of(visit) if t.key == f"{quantity}.{event}" and not t.key.startswith(SETTING)]
    matched = band_for(own, method) if own and method is not None else None
    if matched is None or method is None or matched.refused:
        return None, ""
    return (matched.target.low, matched.target.high), band_words(matched, method)


def _one_method(rides: Iterable[RideResult]) -> dict[str, str] | None:
    """Dimension and state that all these rides share; None when there are none, or several."""
    methods = {tuple((k, r.method[k]) for k in ("dimension", "state") if r.method.get(k)) for r in rides}
    return dict(methods.pop()) if len(methods) == 1 else None


def bands_of(visit: Visit) -> tuple[Target, ...]:
    """The studio's bands for this visit's use."""
    return for_use(once(visit, "bands", bands.targets), visit.use)


def _matched(visit: Visit, curve: str, method: Mapping[str, str]) -> list[Matched]:
    """The bands of this curve's quantity that may be compared with a value of this method, one for each event."""
    own = [t for t in bands_of(visit) if t.key.rsplit(".", 1)[0].rsplit("_", 1)[0] == curve]
    best = [band_for([t for t in own if t.key == key], method) for key in dict.fromkeys(t.key for t in own)]
    return [m for m in best if not m.refused]


def _place(visit: Visit, key: str, rides: Iterable[RideResult]) -> float | None:
    """Crank angle at which a band applies, deg; inf for the whole turn, None where it has no place on the curve."""
    quantity, event = key.rsplit(".", 1)
    if event == "mean":
        return math.inf
    if event == "crank_in_line":
        contact = bike.contact_points(visit)
        return crank_in_line_deg(contact) if contact is not None else PLACES["bdc"]
    if event in ("min", "max"):
        at = [
            v.value for r in rides for side in r.quantities if (v := r.value(side, quantity, f"{event}_at"))
        ]
        return at[0] % 360 if at else None
    return PLACES.get(event)


def band_words(matched: Matched, method: Mapping[str, str]) -> str:
    """`30–40°, 2-D in motion: Ferrer-Roca 2012`; a band that was moved says so."""
    band = matched.target
    sign = "°" if band.unit == "deg" else f" {band.unit}"
    how = " ".join(w for w in (method.get("dimension", ""), STATES.get(method.get("state", ""), "")) if w)
    moved = ", converted" if matched.note else ""
    mean = " for the mean" if band.key.endswith(".mean") else ""
    source = band.source.split(",")[0].split(";")[0].split(" (")[0]
    return f"{band.low:g}–{band.high:g}{sign}{mean}{moved}, {how}: {source}"
