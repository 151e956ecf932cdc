"""The pictures of a visit: what is known, laid on the drawings of `sheets`, each number linked to its station."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fitwright.errors import InputError
from fitwright.linkage.first_guess import first_guess
from fitwright.linkage.twin import CalibratedTwin, LegTwin
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Measured
from fitwright.records.models import Visit
from fitwright.sheets.callouts import Callout
from fitwright.sheets.curve import Chart, CurveLine, curve_svg
from fitwright.sheets.front_drawing import FrontFigure, front_svg
from fitwright.sheets.ink import State
from fitwright.sheets.rider_drawing import RiderFigure, rider_svg
from fitwright.sheets.sole_drawing import SoleFigure, soles_svg
from fitwright.sheets.strip import Reading, Strip, strip_svg
from fitwright.studio import bike, body, feet
from fitwright.studio.ride import MARKERS
from fitwright.studio.visits import analysis

SIDES = ("left", "right")
# quantity, event, label: in the order in which a practitioner reads them
SHOWN = (
    ("knee_flexion_deg", "min", "Knee flexion, least"),
    ("knee_flexion_deg", "bdc", "Knee flexion at bottom dead centre"),
    ("knee_flexion_deg", "max", "Knee flexion, most"),
    ("hip_flexion_deg", "max", "Hip flexion, most"),
    ("ankle_plantarflexion_deg", "range", "Ankle, range"),
    ("trunk_inclination_deg", "mean", "Trunk to horizontal"),
    ("knee_path_mm", "top", "Knee out at the top"),
    ("knee_path_mm", "q90", "Knee out under load"),
    ("knee_path_mm", "range", "Knee path, width"),
    ("foot_yaw_deg", "mean", "Foot turned out"),
    ("foot_yaw_deg", "range", "Foot turn, range"),
)
CURVES = (
    ("knee_flexion", "Knee flexion", "deg", "more bent", "straighter"),
    ("knee_path", "Knee, outward of the pedal", "mm", "outward", "inward"),
    ("ankle_plantarflexion", "Ankle", "deg", "toes down", "toes up"),
)


@dataclass(frozen=True)
class Row:
    """One quantity of the ride: values by (side, state) and its strip."""

    label: str
    readings: tuple[Reading, ...]
    strip_svg: str


@dataclass(frozen=True)
class Rides:
    """Everything filmed, by moment and side; the latest moment is "now"."""

    before: Mapping[str, RideResult]
    after: Mapping[str, RideResult]

    @property
    def now(self) -> Mapping[str, RideResult]:
        """The newest."""
        return self.after or self.before

    @property
    def then(self) -> Mapping[str, RideResult]:
        """What came before it, empty when there is only one."""
        return self.before if self.after else {}


def rides(visit: Visit) -> Rides:
    """All analysed films and marker recordings of the visit, by view."""
    found: dict[str, dict[str, RideResult]] = {"before": {}, "after": {}}
    for when, views in found.items():
        for view in ("side right", "side left", "front"):
            if (row := analysis(visit, "ride", f"{view} {when}")) is not None:
                views[view] = _ride(row.result)
    if (row := analysis(visit, "ride", MARKERS)) is not None:
        found["before"][MARKERS] = _ride(row.result)
    return Rides(found["before"], found["after"])


def value(views: Mapping[str, RideResult], side: str, quantity: str, event: str) -> Measured | None:
    """A quantity from whichever film shows it."""
    for ride in views.values():
        if (found := ride.value(side, quantity, event)) is not None:
            return found
    return None


def curve(views: Mapping[str, RideResult], side: str, name: str) -> CycleCurve | None:
    """A curve from whichever film shows it."""
    for ride in views.values():
        if (found := ride.curves.get(side, {}).get(name)) is not None:
            return found
    return None


def side_map(visit: Visit, links: Mapping[str, str], known: Rides | None = None) -> str:
    """The rider from the side with what is known where it is measured; "" while nothing is.

    `links` maps a station's name to the address that a click on its numbers opens.
    """
    known = known or rides(visit)
    contact, twin = bike.contact_points(visit), leg_of(visit)
    side = "left" if "side left" in known.now and "side right" not in known.now else "right"
    curves = _curves(known.now, side, ("hip_x", "hip_y", "knee_x", "knee_y", "ankle_x", "ankle_y"))
    if contact is None and twin is None and not curves:
        return ""
    use_curves = len(curves) == 6 and (bool(known.after) or twin is None)
    figure = RiderFigure(
        leg=None if use_curves else twin, before=twin if known.after and use_curves else None, contact=contact,
        side=side, curves=curves if use_curves else {},
        callouts=tuple(_side_callouts(visit, known, links)),
    )  # fmt: skip
    return rider_svg(figure, ident="side-map")


def front_map(visit: Visit, links: Mapping[str, str], known: Rides | None = None) -> str:
    """Both knee paths from the front; "" without a front view."""
    known = known or rides(visit)
    now = {s: c for s in SIDES if (c := curve(known.now, s, "knee_path")) is not None}
    if not now:
        return ""
    then = {s: c for s in SIDES if (c := curve(known.then, s, "knee_path")) is not None}
    callouts = tuple(
        Callout(
            f"knee_top_{s}", "out at the top", _readings(known, "knee_path_mm", "top", (s,)),
            links.get("ride", ""),
        )
        for s in now
    )  # fmt: skip
    leg = leg_of(visit)
    return front_svg(
        FrontFigure(
            now, then, dict.fromkeys(SIDES, leg) if leg else {}, bike.contact_points(visit), callouts
        ),
        ident="front-map",
    )  # fmt: skip


def soles(visit: Visit, links: Mapping[str, str], station: feet.FeetPage | None = None) -> str:
    """Both soles in plan with the cleat now, before, and as wished; "" without a photograph measured."""
    station = station or feet.page(visit)
    figures = []
    for foot in station.feet:
        now = foot.readings.get("after") or foot.readings.get("before")
        if now is None:
            continue
        before = (
            foot.readings["before"].cleat if "after" in foot.readings and "before" in foot.readings else None
        )
        wish = foot.start.cleat if foot.start and "after" not in foot.readings else None
        figure = SoleFigure.from_reading(now, before, wish)
        figures.append(SoleFigure(**{**figure.__dict__, "href": links.get("feet", "")}))
    return soles_svg(figures, ident="soles") if figures else ""


def leg_of(visit: Visit) -> LegTwin | None:
    """The twin fitted to the ride, else the first guess from the tape measures."""
    for side in ("right", "left"):
        if (row := analysis(visit, "twin", side)) is not None:
            return CalibratedTwin.from_json(row.result).leg
    try:
        measures, contact = body.measures(visit), bike.contact_points(visit)
        return first_guess(measures, contact).leg if measures and contact else None
    except InputError:
        return None


def rows(visit: Visit, known: Rides | None = None) -> tuple[Row, ...]:
    """What the ride shows, each quantity with a strip: left and right, before and now."""
    known = known or rides(visit)
    found = []
    for quantity, event, label in SHOWN:
        readings = _readings(known, quantity, event, (*SIDES, "both"))
        if readings:
            unit = readings[0].value.unit
            found.append(Row(label, readings, strip_svg(Strip(label, readings, unit=unit))))
    return tuple(found)


def charts(visit: Visit, known: Rides | None = None) -> tuple[str, ...]:
    """Curves over the crank angle, one chart per quantity."""
    known = known or rides(visit)
    drawn = []
    for name, label, unit, up, down in CURVES:
        lines = [
            CurveLine(c, s, state)
            for state, views in _states(known)
            for s in SIDES
            if (c := curve(views, s, name)) is not None
        ]
        if lines:
            drawn.append(curve_svg(Chart(label, tuple(lines), unit, up=up, down=down), ident=f"chart-{name}"))
    return tuple(drawn)


def finding_strip(finding: Mapping[str, Any]) -> str:
    """A finding of the plan on its band."""
    reading = Reading(finding["side"], Measured.from_json(finding["value"]))
    band = (float(finding["band"][0]), float(finding["band"][1])) if not finding.get("refused") else None
    note = f"Band from {finding['source']}"
    return strip_svg(Strip(finding["label"], (reading,), band, finding["unit"], note=note))


def prediction_strip(prediction: Mapping[str, Any], measured: Measured | None = None) -> str:
    """Before and predicted, and what was measured afterwards where it was."""
    side = str(prediction["id"]).split(".")[0]
    now = Measured.from_json(prediction.get("now") or prediction["before"])
    readings = [Reading(side, now, "before")]
    if "expected" in prediction:
        readings.append(Reading(side, Measured.from_json(prediction["expected"]), "predicted"))
    else:
        change = Measured.from_json(prediction["predicted"])
        expected = Measured(now.value + change.value, change.u, now.unit, change.method)
        readings.append(Reading(side, expected, "predicted"))
    if measured is not None:
        readings.append(Reading(side, measured, "now"))
    return strip_svg(Strip(str(prediction["label"]), tuple(readings), unit=now.unit))


def _ride(data: Mapping[str, Any]) -> RideResult:
    return RideResult.from_json(data.get("ride", data))


def _states(known: Rides) -> tuple[tuple[State, Mapping[str, RideResult]], ...]:
    return (("before", known.then), ("now", known.now)) if known.then else (("now", known.now),)


def _readings(known: Rides, quantity: str, event: str, sides: Iterable[str]) -> tuple[Reading, ...]:
    return tuple(
        Reading(s, m, state)
        for state, views in _states(known)
        for s in sides
        if (m := value(views, s, quantity, event)) is not None
    )


def _curves(views: Mapping[str, RideResult], side: str, names: Iterable[str]) -> dict[str, CycleCurve]:
    return {n: c for n in names if (c := curve(views, side, n)) is not None}


def _side_callouts(visit: Visit, known: Rides, links: Mapping[str, str]) -> Iterable[Callout]:
    measured = bike.contact_measured(visit)
    for at, name, label in (
        ("saddle_height", "saddle_height_mm", "saddle height"),
        ("saddle_setback", "saddle_setback_mm", "setback"),
        ("hood_x", "hood_x_mm", "hoods forward"),
        ("hood_y", "hood_y_mm", "hoods up"),
        ("crank", "crank_mm", "crank"),
    ):
        if name in measured:
            m = measured[name]
            yield Callout(at, label, (Reading("both", m),), links.get("bike", ""), m.method)
    for at, quantity, event, label in (
        ("knee", "knee_flexion_deg", "min", "knee flexion, least"),
        ("trunk", "trunk_inclination_deg", "mean", "trunk to horizontal"),
        ("ankle", "ankle_plantarflexion_deg", "range", "ankle, range"),
    ):
        if readings := _readings(known, quantity, event, (*SIDES, "both")):
            yield Callout(at, label, readings, links.get("ride", ""), readings[-1].value.method)
    under = tuple(
        Reading(s, m)
        for s in SIDES
        if (r := feet.reading_of(visit, s, "after") or feet.reading_of(visit, s, "before")) is not None
        and (m := feet.lambda_of(r)) is not None
    )
    if under:
        yield Callout("axle", "axle, 0 M1 to 1 M5", under, links.get("feet", ""), "from the sole photographs")
