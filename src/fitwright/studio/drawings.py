"""The visit's drawings: what is on record, handed to `sheets` as figures (side, front, soles, curves, strips)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.foot.sole import SoleReading
from fitwright.linkage.twin import CalibratedTwin, LegTwin
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.plan.outcome import change_between
from fitwright.quantity import Measured
from fitwright.records.models import Visit
from fitwright.sheets.callouts import Callout
from fitwright.sheets.curve import Chart, CurveLine, curve_svg
from fitwright.sheets.front_drawing import FrontFigure, front_svg
from fitwright.sheets.ink import State, Theme
from fitwright.sheets.rider_drawing import RiderFigure, rider_svg
from fitwright.sheets.sole_drawing import SoleFigure, soles_svg
from fitwright.sheets.strip import Reading, Strip
from fitwright.studio import bike, plan
from fitwright.studio.feet import setting, soles
from fitwright.studio.feet.hardware import cleat_shape
from fitwright.studio.ride import MARKERS, rides_by_label
from fitwright.studio.ride_bands import curve_target
from fitwright.studio.visits import analysis

SIDES = ("left", "right")
# quantity, event, words, where on the drawing (or "")
SIDE_ROWS = (
    ("knee_flexion_deg", "min", "knee flexion, least", "knee"),
    ("knee_flexion_deg", "bdc", "knee flexion at the bottom", ""),
    ("knee_flexion_deg", "max", "knee flexion, greatest", ""),
    ("hip_flexion_deg", "max", "hip flexion, greatest", ""),
    ("ankle_plantarflexion_deg", "min", "ankle, most lifted", ""),
    ("ankle_plantarflexion_deg", "max", "ankle, most pointed", ""),
    ("trunk_inclination_deg", "mean", "trunk to horizontal", "trunk"),
    ("elbow_flexion_deg", "mean", "elbow flexion", ""),
    ("axle_under_foot", "q90", "axle under the foot, loaded (0 under M1, 1 under M5)", ""),
    ("axle_under_foot", "mean", "axle under the foot (0 under M1, 1 under M5)", ""),
)
FRONT_ROWS = (
    ("knee_path_mm", "top", "knee outward of the pedal, top", "knee_top"),
    ("knee_path_mm", "q90", "knee outward of the pedal, loaded", "knee_loaded"),
    ("knee_path_mm", "range", "knee travel sideways", ""),
    ("foot_yaw_deg", "mean", "foot turned out", ""),
)
SADDLE = {
    "saddle_height_mm": ("saddle_height", "saddle height"), "saddle_setback_mm": ("saddle_setback", "setback"),
}  # fmt: skip
HANDS = {"hood_x_mm": ("hood_x", "hoods forward"), "hood_y_mm": ("hood_y", "hoods up")}
MORE_BIKE = {"crank_mm": ("crank", "crank"), "saddle_tilt_deg": ("saddle_tilt", "saddle tilt")}
ON_THE_MAP = {
    ("knee_flexion_deg", "min"): "knee", ("hip_flexion_deg", "max"): "hip", ("axle_under_foot", "q90"): "axle",
    ("trunk_inclination_deg", "mean"): "trunk", ("ankle_plantarflexion_deg", "max"): "ankle",
    ("elbow_flexion_deg", "mean"): "elbow",
}  # fmt: skip
"""Where on the side elevation a number of the ride stands when all are shown."""
CURVES = (
    ("knee_flexion", "Knee flexion", "more bent", "straighter"),
    ("hip_flexion", "Hip flexion", "more closed", "more open"),
    ("ankle_plantarflexion", "Ankle", "toes down", "toes up"),
    ("knee_path", "Knee outward of the pedal", "outward", "inward"),
)


def rides(visit: Visit) -> dict[tuple[str, str], RideResult]:
    """All rides on record by (view, moment); marker files count as "before"."""
    known = rides_by_label(visit)
    found = {
        (view, when): known[f"{view} {when}"]
        for view in ("side right", "side left", "front")
        for when in ("before", "after")
        if f"{view} {when}" in known
    }
    if MARKERS in known:
        found[MARKERS, "before"] = known[MARKERS]
    return found


def values(visit: Visit, quantity: str, event: str) -> dict[tuple[str, str], Measured]:
    """(side, moment) → value of one quantity at one event, over all rides of the visit."""
    found = {}
    for (_, when), ride in rides(visit).items():
        for side in (*SIDES, "both"):
            value = ride.value(side, quantity, event)
            if value is not None and np.isfinite(value.value):
                found[side, when] = value
    return found


def readings(found: Mapping[tuple[str, str], Measured], href: str = "") -> tuple[Reading, ...]:
    """Both sides, before and now; when there was no second ride the first one is "now"."""
    later = any(when == "after" for _, when in found)
    order = [(s, w) for s in (*SIDES, "both") for w in ("before", "after") if (s, w) in found]
    return tuple(Reading(s, found[s, w], _state(w, later), href) for s, w in order)


@dataclass(frozen=True)
class Pair:
    """One quantity of one side on both films: before, now, and after − before with the stickers kept on.

    `clear` says whether the change exceeds what two films of the same position may differ by (MDC95).
    """

    side: str
    before: Measured | None
    now: Measured | None
    change: Measured | None
    clear: bool


def pairs(found: Mapping[tuple[str, str], Measured]) -> tuple[Pair, ...]:
    """The readings of one quantity, side by side; without a second ride the first one is "now"."""
    later = any(when == "after" for _, when in found)
    rows = []
    for side in (*SIDES, "both"):
        first, second = found.get((side, "before")), found.get((side, "after"))
        if first is not None and second is not None:
            change, least = change_between(first, second)
            rows.append(Pair(side, first, second, change, abs(change.value) > least))
        elif first is not None or second is not None:
            rows.append(Pair(side, first if later else None, second if later else first, None, False))
    return tuple(rows)


def strip_of(
    visit: Visit, quantity: str, event: str, label: str, band: tuple[float, float] | None
) -> Strip | None:
    """One quantity of this visit as a strip, or None when it was not measured."""
    found = values(visit, quantity, event)
    if not found:
        return None
    unit = next(iter(found.values())).unit
    return Strip(label, readings(found), band, unit)


def side_figure(visit: Visit, links: bool = True) -> RiderFigure:
    """The rider from the side with the numbers where they are measured."""
    now, before = _twins(visit)
    ride = _newest_side(visit)
    guess = _guess(visit) if now is None and ride is None else None
    callouts = _callouts(visit, SIDE_ROWS, links)
    return RiderFigure(
        leg=now or guess, guessed=guess is not None, before=before, contact=_contact(visit), curves=_leg_curves(ride),
        callouts=(*callouts, *_bike_callouts(visit, SADDLE, links)), **_upper(ride),
    )  # fmt: skip


def side_by_side(visit: Visit) -> dict[str, RiderFigure]:
    """The rider from the side at each moment ("before", "after") that was filmed, without numbers, each by itself."""
    now, before = _twins(visit)
    legs = {"before": before or now, "after": now if before else None}
    found = {}
    for when, leg in legs.items():
        known = rides(visit)
        ride = next(
            (known[v, when] for v in ("side right", "side left", MARKERS) if (v, when) in known), None
        )
        if ride is not None and leg is not None:
            contact = plan.contact_at(visit, when) if bike.contact_points(visit) is not None else None
            upper = _upper(ride)
            found[when] = RiderFigure(
                leg=leg, contact=contact, curves=_leg_curves(ride), shoulder_mm=upper.get("shoulder_mm"),
                elbow_mm=upper.get("elbow_mm"), hand_mm=upper.get("hand_mm"),
            )  # fmt: skip
    return found


def bike_drawing(visit: Visit, width: float = 540.0, height: float = 470.0) -> str:
    """The bike with all its numbers as SVG; empty while the contact points are not whole.

    A rider without a ride stands on it as a dotted first guess.
    """
    if _contact(visit) is None:
        return ""
    whole = side_figure(visit)
    callouts = tuple(_bike_callouts(visit, SADDLE | HANDS, links=False))
    return rider_svg(
        replace(whole, callouts=callouts, title="The bike from the right"), "page", width, height
    )


def narrow_bike(visit: Visit) -> tuple[str, ...]:
    """The same for a phone, without the numbers: there they stand in the boxes. Empty with `bike_drawing`."""
    return narrow_drawings(visit, False) if _contact(visit) is not None else ()


def map_drawing(
    visit: Visit, numbers: tuple[Callout, ...], width: float = 780.0, height: float = 640.0
) -> str:
    """The side elevation with all the numbers of the map (`map_callouts`), for the visit's own page."""
    return rider_svg(replace(side_figure(visit), callouts=numbers), "page", width, height)


def map_callouts(visit: Visit) -> tuple[Callout, ...]:
    """The numbers of the map: on a phone they stand in rows below the narrow drawing."""
    rows = tuple((q, e, words, at) for q, e, words, _ in SIDE_ROWS if (at := ON_THE_MAP.get((q, e))))
    return (*_callouts(visit, rows, True), *_bike_callouts(visit, SADDLE | HANDS | MORE_BIKE, True))


def side_drawing(
    visit: Visit, theme: Theme = "page", width: float = 760.0, height: float = 560.0, links: bool = True
) -> str:
    """The side elevation as SVG."""
    return rider_svg(side_figure(visit, links), theme, width, height)


def narrow_drawings(visit: Visit, front: bool) -> tuple[str, ...]:
    """Side and, if wanted, front elevation for a phone: without the numbers, which stand in rows there."""
    side = rider_svg(replace(side_figure(visit), callouts=()), "page", 360.0, 300.0, ident="narrow-side")
    if not front:
        return (side,)
    return side, front_svg(
        replace(front_figure(visit), callouts=()), "page", 360.0, 300.0, ident="narrow-front"
    )


def front_figure(visit: Visit, links: bool = True) -> FrontFigure:
    """The knee paths from the front, before hollow and now solid."""
    paths: dict[str, dict[str, CycleCurve]] = {"before": {}, "after": {}}
    for (_, when), ride in rides(visit).items():
        for side in SIDES:
            curve = ride.curves.get(side, {}).get("knee_path")
            if curve is not None:
                paths[when][side] = curve
    later = bool(paths["after"])
    now, _ = _twins(visit)
    callouts = []
    for quantity, event, words, at in FRONT_ROWS:
        found = values(visit, quantity, event) if at else {}
        for side in SIDES:
            own = {k: v for k, v in found.items() if k[0] == side}
            if own:
                href = value_address(visit, f"{quantity}.{event}") if links else ""
                callouts.append(Callout(f"{at}_{side}", words, readings(own), href))
    return FrontFigure(
        knee_path=paths["after"] if later else paths["before"], before=paths["before"] if later else {},
        leg=dict.fromkeys(SIDES, now) if now else {}, contact=_contact(visit), callouts=tuple(callouts),
    )  # fmt: skip


def front_drawing(
    visit: Visit, theme: Theme = "page", width: float = 620.0, height: float = 500.0, links: bool = True
) -> str:
    """The front elevation as SVG."""
    return front_svg(front_figure(visit, links), theme, width, height)


def sole_figure(visit: Visit, side: str, links: bool = True) -> SoleFigure | None:
    """One sole: the newest reading solid, the one before hollow, the wish dashed."""
    known = {w: r for w in soles.MOMENTS if (r := soles.reading_of(visit, side, w)) is not None}
    reading: SoleReading | None = known.get("after") or known.get("before")
    if reading is None:
        return None
    before = known["before"].cleat if "after" in known and "before" in known else None
    wish = None
    if "after" not in known:
        start = setting.start_of(visit, side)
        wish = setting.wished_pose(visit, side) or (start.cleat if start else None)
    figure = SoleFigure.from_reading(reading, before, wish, bolts(visit))
    return replace(
        figure, outline_mm=np.array(reading.outline_mm) if reading.outline_mm else None,
        cleat_outline_mm=cleat_shape(visit), href=value_address(visit, f"sole.{side}") if links else "",
        hint="how this was measured",
    )  # fmt: skip


def soles_drawing(visit: Visit, theme: Theme = "page", links: bool = True) -> str:
    """Both soles in plan, or an empty text when none was measured."""
    figures = tuple(f for s in SIDES if (f := sole_figure(visit, s, links)) is not None)
    return soles_svg(figures, theme) if figures else ""


def charts(visit: Visit, wanted: tuple[tuple[str, str, str, str], ...] = CURVES) -> tuple[Chart, ...]:
    """Curves over the turn: knee, hip, ankle, knee path (or those `wanted`), each with both moments."""
    all_rides = rides(visit)
    later = any(when == "after" for _, when in all_rides)
    drawn = []
    for name, label, up, down in wanted:
        lines = tuple(
            CurveLine(curve, side, _state(when, later))
            for (_, when), ride in all_rides.items()
            for side in (*SIDES, "both")
            if (curve := ride.curves.get(side, {}).get(name)) is not None
        )
        if lines:
            target = curve_target(visit, name, all_rides.values())
            drawn.append(Chart(label, lines, lines[0].curve.unit, target, up, down))
    return tuple(drawn)


def curve_drawings(
    drawn: tuple[Chart, ...], theme: Theme = "page", width: float = 420.0, ident: str = "curve"
) -> tuple[str, ...]:
    """Charts as SVG; `ident` keeps the names inside apart from those of other charts on the page."""
    return tuple(curve_svg(chart, theme, width, ident=f"{ident}-{i}") for i, chart in enumerate(drawn))


def bolts(visit: Visit) -> str:
    """Bolt pattern of the visit's cleat system."""
    return str((visit.shoes.cleat_system if visit.shoes else {}).get("bolts", "three-bolt"))


def _state(when: str, later: bool) -> State:
    return "now" if when == "after" or not later else "before"


def _contact(visit: Visit) -> ContactPoints | None:
    """The bike now: with the changes that were done."""
    return plan.contact_at(visit, "after") if bike.contact_points(visit) is not None else None


def _newest_side(visit: Visit) -> RideResult | None:
    found = rides(visit)
    for when in ("after", "before"):
        for view in ("side right", "side left", MARKERS):
            if (view, when) in found:
                return found[view, when]
    return None


def _twins(visit: Visit) -> tuple[LegTwin | None, LegTwin | None]:
    """(now, before): the twin of the second ride when there was one."""
    first, second = analysis(visit, "twin", "right"), analysis(visit, "twin", "right after")
    legs = [CalibratedTwin.from_json(row.result).leg if row else None for row in (first, second)]
    return (legs[1], legs[0]) if legs[1] else (legs[0], None)


def _leg_curves(ride: RideResult | None) -> dict[str, CycleCurve]:
    curves = ride.curves.get("right") or ride.curves.get("left") or {} if ride else {}
    names = {"malleolus_x": "ankle_x", "malleolus_y": "ankle_y"}
    wanted = [n for n in curves if n.endswith(("_x", "_y")) or n == "sole_pitch"]
    return {names.get(n, n): curves[n] for n in wanted}


def _upper(ride: RideResult | None) -> dict[str, tuple[float, float]]:
    """Mean places of shoulder, elbow and hand, where the film showed them."""
    curves = ride.curves.get("right") or ride.curves.get("left") or {} if ride else {}
    found = {}
    for point, name in (("acromion", "shoulder_mm"), ("elbow", "elbow_mm"), ("wrist", "hand_mm")):
        x, y = curves.get(f"{point}_x"), curves.get(f"{point}_y")
        if x is not None and y is not None:
            found[name] = (float(np.nanmean(x.mean)), float(np.nanmean(y.mean)))
    return found


def value_address(visit: Visit, name: str) -> str:
    """Where all that is known of one number of the visit is told."""
    return f"/visits/{visit.pk}/value/{name}"


def _callouts(visit: Visit, rows: tuple[tuple[str, str, str, str], ...], links: bool) -> list[Callout]:
    found = []
    for quantity, event, words, at in rows:
        shown = readings(values(visit, quantity, event)) if at else ()
        if shown:
            href = value_address(visit, f"{quantity}.{event}") if links else ""
            found.append(Callout(at, words, shown, href))
    return found


def _bike_callouts(visit: Visit, words: Mapping[str, tuple[str, str]], links: bool) -> list[Callout]:
    """Numbers of the bike at their dimension lines; before hollow and now solid where a change moved them."""
    known = bike.contact_measured(visit)
    now = _contact(visit)
    found = []
    for name, (at, label) in words.items():
        if name not in known:
            continue
        value = known[name]
        moved = getattr(now, name) if now is not None else value.value
        shown: tuple[Reading, ...] = (Reading("both", value),)
        if abs(moved - value.value) > 0.05:
            shown = (Reading("both", value, "before"), Reading("both", replace(value, value=moved)))
        found.append(Callout(at, label, shown, value_address(visit, name) if links else ""))
    return found


def _guess(visit: Visit) -> LegTwin | None:
    """The leg from the tape measures, where height and bike are known and it reaches the pedals."""
    try:
        return plan.guessed_twin(visit, "right", "before").leg
    except InputError:
        return None
