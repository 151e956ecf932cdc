"""Plan: findings from this visit's ride, a few changes, what each was expected to do and what it did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db import transaction
from django.db.models import Prefetch

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.foot.sole import CleatPose
from fitwright.linkage.calibrate import calibrate
from fitwright.linkage.first_guess import SOLE_AND_STACK_MM, first_guess
from fitwright.linkage.learning import updated
from fitwright.linkage.twin import CalibratedTwin
from fitwright.linkage.upper_body import UpperBody
from fitwright.motion.ride import RideResult
from fitwright.plan.adjustables import Setting
from fitwright.plan.findings import find_all
from fitwright.plan.forecast import watched_values
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.make import make_plan, whatif
from fitwright.plan.outcome import Outcome, outcomes, pairs_of
from fitwright.plan.types import Plan, Prediction
from fitwright.records.models import Analysis, Change, ChangeStep, Visit
from fitwright.studio import bike, body, intake, learnt
from fitwright.studio.entry import lowered
from fitwright.studio.feet import hardware, setting, soles
from fitwright.studio.feet.marks import marks_of
from fitwright.studio.ride import MARKERS, ride_of
from fitwright.studio.visits import analyse, analysis, answers, last_position, once, snapshot

STATION = "plan"
SIDES = ("left", "right")
STATES = ("done", "kept", "undone")
SET_BY_HAND = ("axle_under_foot", "cleat_rotation", "float_margin")
"""Quantities that are the setting itself: the Feet station checks them, and no prediction is tested by them."""


@dataclass(frozen=True)
class ChangeRow:
    """One change with what became of it: state "planned" until something was recorded."""

    change: Change
    state: str
    steps: tuple[ChangeStep, ...]

    @property
    def planned(self) -> Mapping[str, Any]:
        """The plan's own words and numbers (`PlannedChange.to_json`)."""
        return dict(self.change.planned)


@dataclass(frozen=True)
class PlanPage:
    """The Plan station. `missing` says what a plan still needs; `plan` is the stored result or None; `record`
    tells how many predicted intervals held, over all visits."""

    plan: Mapping[str, Any] | None
    row: Analysis | None
    changes: tuple[ChangeRow, ...]
    outcome: Mapping[str, Any] | None
    twin: CalibratedTwin | None
    missing: tuple[str, ...]
    referral: str
    record: str


def twin_of(visit: Visit, side: str, when: str = "before") -> CalibratedTwin:
    """The twin fitted to the ride of one side (InputError says what is missing)."""
    ride, ridden = _side_ride(visit, when)
    if side != ridden:
        raise InputError("side", f"the {side} side was not filmed", allowed=ridden)
    return calibrate(ride, side, guessed_twin(visit, side, when))


def gather(visit: Visit, when: str = "before") -> PlanInputs:
    """Everything the plan is made from.

    Raises InputError naming the station when ride, contact points or height are missing.
    """
    ride, side = _side_ride(visit, when)
    readings = {s: r for s in SIDES if (r := soles.reading_of(visit, s, when)) is not None}
    window = hardware.float_window(visit)
    marks = {s: m for s in SIDES if (m := marks_of(visit, s)) is not None and not m.from_prior}
    return PlanInputs(
        use=visit.use, ride=ride, twins={side: twin_of(visit, side, when)}, contact=contact_at(visit, when),
        front_ride=ride_of(visit, "front", when),
        cleats={s: r.cleat for s, r in readings.items() if r.cleat is not None},
        marks={s: (m.m1, m.m5) for s, m in marks.items()},
        hanging_yaw_deg={s: h.yaw_deg for s, h in body.hanging(visit).items()},
        float_window_deg=dict.fromkeys(SIDES, window) if window else {},
        wanted_lambda={s: setting.wanted_lambda(visit, s) for s in SIDES},
        red_flags=intake.red_flags(visit), pain=intake.pain_ratings(visit), upper=_upper(visit),
        response=learnt.response_for(visit), **_wishes(visit),
    )  # fmt: skip


def make(visit: Visit) -> Plan:
    """Make the plan and keep it with its twin and its changes; a plan made again replaces, never erases."""
    inputs = gather(visit)
    plan = make_plan(inputs)
    wished = Setting(inputs.contact, inputs.cleats).changed({c.adjustable: c.delta for c in plan.changes})
    data = plan.to_json() | {
        "wished_cleats": {s: c.to_json() for s, c in wished.cleats.items()},
        "wished_contact": wished.contact.to_json(),
    }
    with transaction.atomic():
        for side, twin in inputs.twins.items():
            analyse(visit, "twin", side, twin.to_json())
        row = analyse(visit, "plan", "plan", data)
        for order, change in enumerate(plan.changes, 1):
            Change.objects.create(visit=visit, plan=row, order=order, planned=change.to_json())
    return plan


def what_if(visit: Visit, changes: Mapping[str, float]) -> tuple[Prediction, ...]:
    """What given changes are expected to do."""
    return whatif(gather(visit), changes)


def record_step(change: Change, state: str, actual: float | None = None, note: str = "") -> ChangeStep:
    """Record that a change was done (with the value then measured), kept or undone."""
    if state not in STATES:
        raise InputError("state", "unknown", value=state, allowed=", ".join(STATES))
    planned = change.planned
    if actual is not None:
        slack = 25 if planned["unit"] == "mm" else 10
        low, high = sorted((planned["before"], planned["after"]))
        if not low - slack <= actual <= high + slack:
            raise InputError(
                "actual", "is far from what was planned", value=actual,
                allowed=f"{low - slack:g} to {high + slack:g} {planned['unit']}",
                hint="Enter the value measured on the bike, not the change",
            )  # fmt: skip
    return ChangeStep.objects.create(change=change, state=state, actual=actual, note=note)


def changes_of(visit: Visit) -> tuple[ChangeRow, ...]:
    """The current plan's changes in order."""
    row = analysis(visit, "plan", "plan")
    if row is None:
        return ()
    steps = Prefetch("steps", ChangeStep.objects.order_by("created_at", "pk"))
    changes = Change.objects.filter(plan=row).order_by("order").prefetch_related(steps)
    return once(visit, "changes", lambda: tuple(_change_row(c, tuple(c.steps.all())) for c in changes))


def _change_row(change: Change, steps: tuple[ChangeStep, ...]) -> ChangeRow:
    return ChangeRow(change, steps[-1].state if steps else "planned", steps)


def spelled(words: str, findings: Sequence[Mapping[str, Any]]) -> str:
    """A sentence of the plan with the labels of its findings in place of their record names."""
    for f in findings:
        side = "" if f["side"] == "both" else f", {f['side']}"
        words = words.replace(f["id"], f"{lowered(f['label'])}{side}")
    return words


def take_outcome(visit: Visit) -> tuple[Outcome, ...]:
    """Compare what was predicted for the changes that were done with what the second ride shows, and keep it."""
    done = [r for r in changes_of(visit) if r.state in ("done", "kept")]
    if not done:
        raise InputError(
            "changes", "none is recorded as done", hint="Record what was done, then measure again"
        )
    deltas = {r.planned["adjustable"]: _delta(r) for r in done}
    before, after = gather(visit, "before"), gather(visit, "after")
    found = watched_values(after, find_all(after))
    predicted = [p for p in whatif(before, deltas) if not p.id.split(".")[1].startswith(SET_BY_HAND)]
    rows = outcomes(predicted, found)
    side, twin = next(iter(before.twins.items()))
    pairs = pairs_of(twin.leg, before.contact, deltas, rows)
    kept = {
        "rows": [o.to_json() for o in rows], "pairs": [p.to_json() for p in pairs],
        "response": updated(before.response, pairs).to_json(),
    }  # fmt: skip
    with transaction.atomic():
        analyse(visit, "twin", f"{side} after", after.twins[side].to_json())
        analyse(visit, "outcome", "outcome", kept, inputs={"changes": deltas})
    return rows


def keep_final_position(visit: Visit) -> None:
    """Snapshot what the rider leaves with: contact points with the changes done, cleats as last measured."""
    parent = last_position(visit)
    if parent is None:
        raise InputError("position", "nothing was measured on arrival", hint="Fill in the Bike station first")
    contact = contact_at(visit, "after")
    data = dict(parent.data) | {"contact_points": contact.to_json(), "feet": {}}
    known = {k: m.to_json() for k, m in bike.contact_measured(visit).items()}
    data["contact_measured"] = {k: m | {"value": getattr(contact, k)} for k, m in known.items()}
    for side in SIDES:
        reading = soles.newest_reading(visit, side)
        if reading is not None:
            data["feet"][side] = reading.to_json()
    if data != parent.data:
        snapshot(visit, "left", data, parent)


def page(visit: Visit) -> PlanPage:
    """What the Plan page shows."""
    row, outcome = analysis(visit, "plan", "plan"), analysis(visit, "outcome", "outcome")
    twin = next((t for s in ("right", "left") if (t := analysis(visit, "twin", s))), None)
    return PlanPage(
        row.result if row else None, row, changes_of(visit), outcome.result if outcome else None,
        CalibratedTwin.from_json(twin.result) if twin else None, _missing(visit), intake.referral(visit),
        learnt.kept_intervals(simulated=visit.rider.simulated).words,
    )  # fmt: skip


def _missing(visit: Visit) -> tuple[str, ...]:
    found = []
    if body.measures(visit) is None:
        found.append("the rider's height (station Body)")
    if bike.contact_points(visit) is None:
        found.append("the contact points (station Bike)")
    try:
        _side_ride(visit, "before")
    except InputError:
        found.append("a ride seen from the side (station Ride)")
    return tuple(found)


def _side_ride(visit: Visit, when: str) -> tuple[RideResult, str]:
    """The ride the twin is fitted to, and its side."""
    for side in ("right", "left"):
        ride = ride_of(visit, f"side {side}", when)
        if ride is not None:
            return ride, side
    row = analysis(visit, "ride", MARKERS)
    if row is not None and when == "before":
        return RideResult.from_json(row.result["ride"]), "right"
    raise InputError("ride", f"there is none from the side ({when})", hint="Film it at the Ride station")


def contact_at(visit: Visit, when: str) -> ContactPoints:
    """The contact points as the rider came ("before") or with the changes that were done ("after")."""
    contact = _contact(visit)
    return contact if when == "before" else Setting(contact, {}).changed(_bike_deltas(visit)).contact


def _bike_deltas(visit: Visit) -> dict[str, float]:
    """Changes that were done to the bike (not to a cleat), as measured."""
    return {
        r.planned["adjustable"]: _delta(r)
        for r in changes_of(visit)
        if r.state in ("done", "kept") and not r.planned["adjustable"].startswith("cleat")
    }


def _contact(visit: Visit) -> ContactPoints:
    contact = bike.contact_points(visit)
    if contact is None:
        raise InputError("bike", "the contact points are not complete", hint="Fill in the Bike station")
    return contact


def guessed_twin(visit: Visit, side: str, when: str) -> CalibratedTwin:
    """The twin before any ride, from the tape and the bike (InputError says what is missing)."""
    measures = body.measures(visit)
    if measures is None:
        raise InputError("height_mm", "is not known", hint="Enter the rider's height at the Body station")
    reading = soles.reading_of(visit, side, when)
    system = visit.shoes.cleat_system if visit.shoes else {}
    stack = float(system.get("stack_mm", SOLE_AND_STACK_MM))
    cleat: CleatPose | None = reading.cleat if reading else None
    return first_guess(measures, contact_at(visit, when), side, cleat, stack)


def _upper(visit: Visit) -> UpperBody | None:
    """Trunk and arm lengths by tape, when all three were taken."""
    m = body.measures(visit)
    if m is None or m.torso_mm is None or m.upper_arm_mm is None or m.forearm_mm is None:
        return None
    return UpperBody(m.torso_mm, m.upper_arm_mm, m.forearm_mm)


def _wishes(visit: Visit) -> dict[str, Any]:
    """Pins, forbids and the wanted probability, where the practitioner set them."""
    said = answers(visit, STATION)
    wishes: dict[str, Any] = {}
    if said.get("forbids"):
        wishes["forbids"] = frozenset(said["forbids"])
    if said.get("pins"):
        wishes["pins"] = {k: float(v) for k, v in said["pins"].items()}
    if said.get("probability"):
        wishes["probability"] = float(said["probability"])
    return wishes


def _delta(row: ChangeRow) -> float:
    """What was really done: the measured value less the one before, else the planned change."""
    actual = next((s.actual for s in reversed(row.steps) if s.actual is not None), None)
    return float(row.planned["delta"] if actual is None else actual - row.planned["before"])
