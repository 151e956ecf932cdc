"""Before a bolt is turned: what any setting would do to angles, knee paths, clearance and the place of the body.

Nothing here is recorded. The ride, the twins and the forecast are made ready once per state of the visit and kept, so
that a step answers at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from django.db.models import Max

from fitwright.errors import InputError
from fitwright.foot.heel import tightest_of
from fitwright.linkage.reckoned import is_reckoned
from fitwright.linkage.response import settled
from fitwright.plan.adjustables import KINDS, Setting, all_names, split
from fitwright.plan.findings import find_all
from fitwright.plan.forecast import Forecast, make_forecast, sagittal
from fitwright.plan.types import Prediction
from fitwright.plan.ways import beyond_careful
from fitwright.quantity import Measured
from fitwright.records.models import Analysis, Answer, Band, ChangeStep, Measurement, Visit
from fitwright.sheets.front_drawing import FrontFigure, front_svg
from fitwright.sheets.rider_drawing import RiderFigure, rider_svg
from fitwright.studio import drawings, intake, learnt, plan
from fitwright.studio.entry import Field, read_number, sentence
from fitwright.studio.feet import clearance, toe
from fitwright.studio.remembered import remembered
from fitwright.studio.wishes import GROUPS, box_of

SIDES = ("left", "right")
MOVES_THE_SHOE = ("cleat_x_mm", "cleat_z_mm", "cleat_psi_deg", "spacer_mm", "crank_mm")


@dataclass(frozen=True)
class Stepper:
    """One thing that can be turned: where it stands, where it is tried, and what was wrong with that.

    `field` carries name, label, unit and allowed range; `text` what stands in its box; `less`, `more` one hardware
    step away from it.
    """

    field: Field
    side: str
    now: float
    text: str
    delta: float
    less: float
    more: float
    step: float
    error: InputError | None = None

    @property
    def moved(self) -> bool:
        """Whether it is tried elsewhere than where it stands."""
        return abs(self.delta) > 1e-9

    @property
    def complaint(self) -> str:
        """What was wrong, as one sentence."""
        return sentence(self.error) if self.error else ""


@dataclass(frozen=True)
class Row:
    """One line of numbers that follow: words, as it is, as it would be."""

    words: str
    side: str
    now: Measured
    then: Measured


@dataclass(frozen=True)
class Tried:
    """The page: steppers by group; what the changes would do, or why they cannot be done together."""

    groups: tuple[tuple[str, tuple[Stepper, ...]], ...]
    predictions: tuple[Prediction, ...]
    places: tuple[Row, ...]
    side_svg: str
    front_svg: str
    refused: InputError | None = None
    by_tape: tuple[str, ...] = ()

    @property
    def far(self) -> tuple[str, ...]:
        """What is more than one visit's careful step."""
        return beyond_careful(_deltas(self.groups))

    @property
    def changes(self) -> int:
        """How many things are tried elsewhere."""
        return sum(s.moved for _, group in self.groups for s in group)


@dataclass(frozen=True)
class Ready:
    """What every step of one state of the visit needs: the forecast, and the rider as filmed."""

    forecast: Forecast
    side: RiderFigure
    front: FrontFigure

    @property
    def by_tape(self) -> tuple[str, ...]:
        """What to know where nobody was filmed yet and the rider is reckoned from tape and bike; else empty."""
        ride = self.forecast.inputs.ride
        return ride.notes if is_reckoned(ride) else ()


def ready(visit: Visit) -> Ready:
    """Made once for each state of the records.

    Raises:
        InputError: ride, contact points or height are missing (names the station), or a red flag.
    """
    if stopped := intake.referral(visit):
        raise InputError("visit", stopped)
    tables = (Analysis, Answer, Measurement)
    newest = [t.objects.filter(visit=visit).aggregate(n=Max("pk"))["n"] for t in tables]
    newest.append(Band.objects.aggregate(n=Max("pk"))["n"])
    newest.append(learnt.newest(simulated=visit.rider.simulated))
    newest.append(ChangeStep.objects.filter(change__visit=visit).aggregate(n=Max("pk"))["n"])
    shoes = repr(visit.shoes.cleat_system) if visit.shoes else ""

    def made() -> Ready:
        inputs = plan.gather(visit, plan.newest(visit), or_tape=True)
        twin, ride, by_tape = next(iter(inputs.twins.values())), inputs.front_ride, is_reckoned(inputs.ride)
        side = replace(
            drawings.side_figure(visit, links=False), leg=twin.leg, before=None, contact=inputs.contact,
            callouts=(), guessed=by_tape,
            title=f"The rider from the side, as {'reckoned' if by_tape else 'filmed'} and as tried",
        )  # fmt: skip
        curves = ride.curves if ride else {}
        front = FrontFigure(
            knee_path={s: c["knee_path"] for s, c in curves.items() if "knee_path" in c},
            leg=dict.fromkeys(SIDES, twin.leg), contact=inputs.contact,
            title="Knee paths from the front, as filmed and as tried" if ride else "From the front: not filmed yet",
        )  # fmt: skip
        return Ready(make_forecast(inputs, find_all(inputs)), side, front)

    return remembered(("ready", visit.pk, visit.opened_at, visit.version, visit.use, shoes, *newest), made)


def tried(visit: Visit, typed: Mapping[str, str], nudge: str = "") -> Tried:
    """The page for what stands in the boxes (hardware values by adjustable); `nudge` is `NAME:VALUE` of a button."""
    known = ready(visit)
    forecast = known.forecast
    typed = dict(typed)
    if nudge:
        name, _, text = nudge.partition(":")
        typed[name] = text
    groups = _groups(forecast.setting, typed)
    deltas = _deltas(groups)
    refused = None
    try:
        predictions = forecast.predictions({}, deltas, only_moved=False)
        after = forecast.setting.changed(deltas)
    except InputError as error:
        refused, deltas, after = error, {}, forecast.setting
        predictions = forecast.predictions({}, {}, only_moved=False)
    return Tried(
        groups, predictions, _places(forecast.setting, after),
        rider_svg(_side_figure(known, after, deltas), "page", 560.0, 430.0),
        front_svg(_front_figure(known, after, deltas), "page", 460.0, 430.0), refused, known.by_tape,
    )  # fmt: skip


def _deltas(groups: tuple[tuple[str, tuple[Stepper, ...]], ...]) -> dict[str, float]:
    """What is tried elsewhere, by adjustable; a box that could not be read counts as not moved."""
    return {s.field.name: s.delta for _, group in groups for s in group if s.moved and not s.error}


def _groups(setting: Setting, typed: Mapping[str, str]) -> tuple[tuple[str, tuple[Stepper, ...]], ...]:
    found = []
    for title, _, kinds in GROUPS:
        names = [n for kind in kinds for n in all_names() if split(n)[0] == kind]
        steppers = [s for n in names if (s := _stepper(setting, n, typed.get(n, ""))) is not None]
        if steppers:
            found.append((title, tuple(steppers)))
    return tuple(found)


def _stepper(setting: Setting, name: str, text: str) -> Stepper | None:
    """None where the part was not measured (a cleat without a photograph)."""
    box = box_of(setting, name)
    if box is None:
        return None
    (field, now), (kind_name, side) = box, split(name)
    step = KINDS[kind_name].step
    value, error = now, None
    if text.strip():
        try:
            value = read_number(field, text)
        except InputError as wrong:
            error = wrong
    return Stepper(
        field, side, now, text.strip() if error else f"{value:g}", value - now, max(field.low, value - step),
        min(field.high, value + step), step, error,
    )  # fmt: skip


def _side_figure(known: Ready, after: Setting, deltas: Mapping[str, float]) -> RiderFigure:
    """The rider as filmed, and dashed as he is expected to settle after the changes."""
    inputs = known.forecast.inputs
    ((side, twin),) = list(inputs.twins.items())[:1]
    planar = sagittal(deltas, side)
    saddle = after.contact.saddle_xy_mm
    return replace(
        known.side, predicted=settled(twin.leg, inputs.contact, planar, inputs.response) if planar else None,
        saddle_predicted_mm=saddle if saddle != inputs.contact.saddle_xy_mm else None,
    )  # fmt: skip


def _front_figure(known: Ready, after: Setting, deltas: Mapping[str, float]) -> FrontFigure:
    """The knee paths as filmed, and dashed where they would run."""
    forecast = known.forecast
    paths = {}
    for side in forecast.frontal if deltas else ():
        change = forecast.path_change(side, after, deltas)
        if change is not None and np.abs(change[0]).max() > 0.05:
            curve = known.front.knee_path[side]
            paths[side] = replace(curve, mean=curve.mean + change[0])
    return replace(known.front, predicted=paths)


def _places(now: Setting, then: Setting) -> tuple[Row, ...]:
    """Where saddle and hands stand to each other."""

    def told(setting: Setting) -> dict[str, float]:
        c = setting.contact
        x, y = c.saddle_xy_mm
        return {
            "Saddle to hoods, level": c.hood_x_mm - x, "Hoods below the saddle": y - c.hood_y_mm,
            "Saddle height": c.saddle_height_mm, "Saddle behind the bottom bracket": c.saddle_setback_mm,
        }  # fmt: skip

    before, after = told(now), told(then)
    return tuple(
        Row(words, "both", Measured(before[words], 0.0, "mm"), Measured(after[words], 0.0, "mm"))
        for words in before
        if abs(after[words] - before[words]) > 0.05
    )


def room(visit: Visit, typed: Mapping[str, str]) -> tuple[Row, ...]:
    """Heel and toe, on the sides whose cleat, spacer or crank is tried elsewhere and whose measures are known.

    Slower than the rest (a shoe is swept through the turn), so it is asked for by itself.
    """
    setting = ready(visit).forecast.setting
    deltas = _deltas(_groups(setting, typed))
    try:
        after = setting.changed(deltas)
    except InputError:
        return ()
    rows = []
    for side in SIDES:
        mine = (n for n in deltas if split(n)[0] in MOVES_THE_SHOE and split(n)[1] in ("", side))
        if side not in after.cleats or not any(mine):
            continue
        known = clearance.numbers(visit)
        new = {"crank_mm": after.contact.crank_mm, f"spacer_{side}_mm": after.value(f"spacer_mm_{side}")}
        as_tried = known | {n: replace(known[n], value=v) for n, v in new.items() if n in known}
        placed = clearance.Placed(after.cleats[side], "the cleat as tried")
        now, then = (
            tightest_of(beside.rooms)
            for beside in (
                clearance.beside_of(visit, side), clearance.beside_of(visit, side, placed, as_tried),
            )
        )  # fmt: skip
        if now and then and now.gap and then.gap:
            rows.append(Row(f"Heel to {then.part}", side, now.gap, then.gap))
        gap, tried_gap = toe.toe_of(visit, side).gap, toe.toe_of(visit, side, placed, as_tried).gap
        if gap and tried_gap:
            rows.append(Row("Toe to front wheel", side, gap, tried_gap))
    return tuple(rows)
