"""Plan: findings from this visit's ride, a few changes, what each was expected to do and what it did."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from django.db import transaction

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.foot.sole import CleatPose
from fitwright.linkage.calibrate import calibrate, fits
from fitwright.linkage.first_guess import SOLE_AND_STACK_MM, first_guess
from fitwright.linkage.learning import updated
from fitwright.linkage.reckoned import reckoned_ride
from fitwright.linkage.twin import CalibratedTwin
from fitwright.linkage.upper_body import UpperBody
from fitwright.motion.estimate import refuse_guesses
from fitwright.motion.ride import RideResult, together
from fitwright.plan.adjustables import Setting
from fitwright.plan.bolting import Bolting
from fitwright.plan.findings import find_all
from fitwright.plan.forecast import watched_values
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.make import make_plan, whatif
from fitwright.plan.outcome import Outcome, outcomes, pairs_of
from fitwright.plan.search import task_of
from fitwright.plan.solver import TASTES
from fitwright.plan.types import Plan, Prediction
from fitwright.quantity import Measured
from fitwright.records.models import Analysis, Change, Visit
from fitwright.studio import bands, bike, body, doing, intake, learnt, wishes
from fitwright.studio.doing import ChangeRow, changes_of
from fitwright.studio.doing import record_step as record_step
from fitwright.studio.entry import lowered
from fitwright.studio.feet import hardware, setting, soles
from fitwright.studio.feet.marks import marks_of
from fitwright.studio.ride import MARKERS, ride_of
from fitwright.studio.visits import analyse, analysis, answer, last_position, snapshot

STATION = "plan"
SIDES = ("left", "right")
U_LEGS_MM = 5.0  # by blocks, one reading; as the Body station has it
SET_BY_HAND = ("axle_under_foot", "cleat_rotation", "float_margin")
"""Quantities that are the setting itself: the Feet station checks them, and no prediction is tested by them."""


@dataclass(frozen=True)
class PlanPage:
    """The Plan station. `missing` says what a plan still needs; `plan` is the stored result or None; `record`
    tells how many predicted intervals held, over all visits; `tryable`: tape and bike are known, so that a setting
    can be tried before any film."""

    plan: Mapping[str, Any] | None
    row: Analysis | None
    changes: tuple[ChangeRow, ...]
    outcome: Mapping[str, Any] | None
    twin: CalibratedTwin | None
    missing: tuple[str, ...]
    referral: str
    record: str
    tryable: bool


def twin_of(visit: Visit, side: str, when: str = "before") -> CalibratedTwin:
    """The twin fitted to the ride of one side (InputError says what is missing); the first guess where the ride's
    points were guessed themselves."""
    ride, ridden = _side_ride(visit, when)
    if side not in ridden:
        raise InputError("side", f"the {side} side was not filmed", allowed=" or ".join(ridden))
    first = guessed_twin(visit, side, when)
    return first if ride.guessed else calibrate(ride, side, first)


def gather(visit: Visit, when: str = "before", *, or_tape: bool = False) -> PlanInputs:
    """Everything the plan is made from; with `or_tape` a ride that nobody filmed is reckoned (`linkage.reckoned`).

    Raises InputError naming the station when ride, contact points or height are missing.
    """
    ride, twins = _ridden(visit, when, or_tape)
    cleats = _cleats(visit, when)
    window = hardware.float_window(visit)
    marks = {s: m for s in SIDES if (m := marks_of(visit, s)) is not None and not m.from_prior}
    measures = body.measures(visit)
    legs = measures.leg_length_difference_mm if measures else None
    return PlanInputs(
        use=visit.use, ride=ride, twins=twins,
        contact=ridden_contact(visit, when),
        front_ride=ride_of(visit, "front", when), cleats=cleats,
        marks={s: (m.m1, m.m5) for s, m in marks.items()},
        hanging_yaw_deg={s: h.yaw_deg for s, h in body.hanging(visit).items()},
        float_window_deg=dict.fromkeys(SIDES, window) if window else {},
        wanted_lambda={s: setting.wanted_lambda(visit, s) for s in SIDES},
        red_flags=intake.red_flags(visit), pain=intake.pain_ratings(visit), upper=_upper(visit),
        response=learnt.response_for(visit), targets=bands.targets(),
        leg_length_difference_mm=None if legs is None else Measured(legs, U_LEGS_MM, "mm", "blocks under the foot"),
        bolting=_bolting(visit, cleats), **wishes.for_plan(visit),
    )  # fmt: skip


def make(visit: Visit) -> Plan:
    """Make the plan and keep it with its twin and its changes; a plan made again replaces, never erases.

    Once something was turned it goes on from there: from the newest ride, with what that ride does not show yet
    counted as done, and nothing asked for again that was done or taken back.
    """
    inputs = gather_now(visit)
    plan = make_plan(inputs)
    setting_now = Setting(inputs.contact, inputs.cleats)
    data = plan.to_json() | {
        "wished": {w.key: _wished(setting_now, inputs.done, w.deltas) for w in plan.alternatives}
    }
    data |= data["wished"].get(inputs.taste) or _wished(setting_now, inputs.done, {})
    current = analysis(visit, "plan", "plan")
    goes_on = {"continues": current.pk} if current is not None and doing.done_or_undone(visit) else {}
    with transaction.atomic():
        for side, twin in () if inputs.ride.guessed else inputs.twins.items():
            analyse(visit, "twin", side, twin.to_json())
        _keep(visit, data, {"ride": film_of(visit)} | goes_on)
    return plan


def check(visit: Visit) -> None:
    """Raise at once what would keep a plan from being made, such as a leg that cannot reach the pedal."""
    inputs = gather_now(visit)
    task_of(inputs, find_all(inputs))


def choose(visit: Visit, key: str) -> None:
    """Go on with another way to the bands; the choice is kept, for this plan and those made after it.

    Raises:
        InputError: a red flag, no such way, or something was turned already.
    """
    row = analysis(visit, "plan", "plan")
    ways = {w["key"]: w for w in row.result.get("alternatives", ()) if "changes" in w} if row else {}
    if stopped := intake.referral(visit):
        raise InputError("alternative", stopped)
    if row is None or key not in ways:
        raise InputError("alternative", "is none of this plan", value=key[:20], allowed=", ".join(ways),
                         hint="Make the plan again")  # fmt: skip
    if doing.any_step(visit):
        raise InputError("alternative", "something of this plan was turned already",
                         hint="Make the plan again: it goes on from what was done")  # fmt: skip
    chosen = {k: ways[key][k] for k in ("changes", "outlook", "unmet", "later")}
    data = dict(row.result) | chosen | row.result["wished"].get(key, {})
    data["settings"] = row.result["settings"] | {"taste": key}
    with transaction.atomic():
        prefer(visit, key)
        _keep(visit, data, row.inputs)


def prefer(visit: Visit, key: str) -> None:
    """What plans of this visit spare first from now on."""
    if key not in (known := [t.key for t in TASTES]):
        raise InputError("way", "unknown", value=key[:20], allowed=", ".join(known))
    answer(visit, STATION, wishes.TASTE, key)


def _keep(visit: Visit, data: Mapping[str, Any], inputs: Mapping[str, Any]) -> None:
    """A plan on record, with a row for each of its changes."""
    row = analyse(visit, "plan", "plan", data, inputs=inputs)
    for order, change in enumerate(data["changes"], 1):
        Change.objects.create(visit=visit, plan=row, order=order, planned=change)


def _wished(now: Setting, done: Mapping[str, float], deltas: Mapping[str, float]) -> dict[str, Any]:
    """Cleats and contact points once everything is done."""
    then = now.changed({n: done.get(n, 0.0) + deltas.get(n, 0.0) for n in {*done, *deltas}})
    return {
        "wished_cleats": {s: c.to_json() for s, c in then.cleats.items()},
        "wished_contact": then.contact.to_json(),
    }


def gather_now(visit: Visit) -> PlanInputs:
    """What a plan starts from now: the newest ride, and what was turned in this visit."""
    when, film = newest(visit), film_of(visit)
    inputs = gather(visit, when)
    held = doing.undone(visit) - set(inputs.pins)
    return replace(
        inputs, done=doing.since(visit, film), turned=doing.shown(visit, film), forbids=inputs.forbids | held,
        response=learnt.response_for(visit, this_visit_too=True),
    )  # fmt: skip


def newest(visit: Visit) -> str:
    """The moment of the newest ride from the side: "after" once there is one."""
    return "after" if _filmed(visit, "after") is not None else "before"


def film_of(visit: Visit) -> str:
    """A name for the newest ride from the side that stays when the same film is analysed again."""
    row = _filmed(visit, "after")
    return "before" if row is None else f"after {row.medium_id or row.pk}"  # type: ignore[attr-defined]


def _filmed(visit: Visit, when: str) -> Analysis | None:
    rows = (analysis(visit, "ride", f"side {side} {when}") for side in ("right", "left"))
    return next((r for r in rows if r is not None), None)


def what_if(visit: Visit, changes: Mapping[str, float]) -> tuple[Prediction, ...]:
    """What given changes are expected to do, from the newest ride on (from the tape where none was filmed).

    Raises:
        InputError: a red flag (nothing is foretold that is not to be done), or what `whatif` refuses.
    """
    if stopped := intake.referral(visit):
        raise InputError("visit", stopped)
    return whatif(gather(visit, newest(visit), or_tape=True), changes)


def open_points(data: Mapping[str, Any], besides: str = "") -> tuple[str, ...]:
    """What a plan leaves open, in sentences: why nothing can be turned, what stays outside, what to know.

    `besides`: what the page says elsewhere ("blocked").
    """
    blocked = (data["blocked"],) if data.get("blocked") and besides != "blocked" else ()
    parts = [*blocked, *data.get("unmet", ()), *data.get("later", ()), *data.get("notes", ())]
    return tuple(spelled(w, data.get("findings", ())) for w in parts)


def setting_now(visit: Visit) -> Setting | None:
    """Everything adjustable as it stands now; None while the contact points are not whole."""
    if bike.contact_points(visit) is None:
        return None
    return Setting(contact_at(visit, "after"), _cleats(visit, "after"))


def spelled(words: str, findings: Sequence[Mapping[str, Any]]) -> str:
    """A sentence of the plan with the labels of its findings in place of their record names."""
    for f in findings:
        side = "" if f["side"] == "both" else f", {f['side']}"
        words = words.replace(f["id"], f"{lowered(f['label'])}{side}")
    return words


def take_outcome(visit: Visit) -> tuple[Outcome, ...]:
    """Compare what was predicted for the changes that were done with what the second ride shows, and keep it."""
    if not doing.done(visit):
        raise InputError(
            "changes", "none is recorded as done", hint="Record what was done, then measure again"
        )
    before, after = gather(visit, "before"), gather(visit, "after")
    deltas, u = doing.shown(visit, film_of(visit)), doing.shown_u(visit, film_of(visit))
    for name, inputs in (("before", before), ("after", after)):
        refuse_guesses(inputs.ride, f"the one {name} ")
    found = watched_values(after, find_all(after))
    predicted = [p for p in whatif(before, deltas, u) if not p.id.split(".")[1].startswith(SET_BY_HAND)]
    rows = outcomes(predicted, found)
    side = next((s for s in before.twins if s in after.twins), next(iter(before.twins)))
    twin = before.twins[side]
    pairs = pairs_of(twin.leg, before.contact, deltas, rows)
    kept = {
        "rows": [o.to_json() for o in rows], "pairs": [p.to_json() for p in pairs],
        "response": updated(before.response, pairs).to_json(),
    }  # fmt: skip
    with transaction.atomic():
        for filmed, fitted in after.twins.items():
            analyse(visit, "twin", f"{filmed} after", fitted.to_json())
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
        body.measures(visit) is not None and bike.contact_points(visit) is not None,
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


def _ridden(visit: Visit, when: str, or_tape: bool) -> tuple[RideResult, dict[str, CalibratedTwin]]:
    """The ride from the side and the twins by side."""
    try:
        ride, sides = _side_ride(visit, when)
    except InputError:
        if not or_tape:
            raise
        twins = {s: guessed_twin(visit, s, when) for s in SIDES}
        return reckoned_ride(twins), twins
    return ride, {s: twin_of(visit, s, when) for s in sides}


def _side_ride(visit: Visit, when: str) -> tuple[RideResult, tuple[str, ...]]:
    """The ride the twins are fitted to, and its sides; films of both sides, taken in one way, count as one ride."""
    films = {s: ride for s in ("right", "left") if (ride := ride_of(visit, f"side {s}", when)) is not None}
    if films:
        return together(films)
    row = analysis(visit, "ride", MARKERS)
    if row is not None and when == "before":
        ride = RideResult.from_json(row.result["ride"])
        return ride, tuple(s for s in ("right", "left") if fits(ride, s)) or ("right",)
    raise InputError("ride", f"there is none from the side ({when})", hint="Film it at the Ride station")


def contact_at(visit: Visit, when: str) -> ContactPoints:
    """The contact points as the rider came ("before") or as the bike stands now ("after")."""
    return _turned(_contact(visit), doing.done(visit) if when == "after" else {})


def ridden_contact(visit: Visit, when: str) -> ContactPoints:
    """The contact points that the ride of this moment shows."""
    return _turned(_contact(visit), doing.shown(visit, film_of(visit)) if when == "after" else {})


def _turned(contact: ContactPoints, deltas: Mapping[str, float]) -> ContactPoints:
    """With the changes that were done to the bike (not to a cleat), as measured."""
    bike_only = {n: d for n, d in deltas.items() if not n.startswith("cleat")}
    return Setting(contact, {}).changed(bike_only).contact


def _cleats(visit: Visit, when: str) -> dict[str, CleatPose]:
    """The cleats of this moment; one that was not photographed again stands as it came, turned by what was done."""
    found = {}
    for side in SIDES:
        reading = soles.reading_of(visit, side, when)
        if reading is None and when == "after":
            reading = soles.reading_of(visit, side, "before")
            if reading is not None and reading.cleat is not None:
                mine = {
                    n: d for n, d in doing.done(visit).items() if n.startswith("cleat") and n.endswith(side)
                }
                found[side] = Setting(_contact(visit), {side: reading.cleat}).changed(mine).cleats[side]
        elif reading is not None and reading.cleat is not None:
            found[side] = reading.cleat
    return found


def _bolting(visit: Visit, cleats: Mapping[str, CleatPose]) -> dict[str, Bolting]:
    """The shoes whose bolts were picked in a photograph: only those forbid a place of the cleat."""
    system = hardware.system_of(visit)
    patterns = {s: hardware.bolts_of(visit, s) for s in cleats} if system else {}
    return {s: Bolting(system, p, cleats[s]) for s, p in patterns.items() if system and p and p.picked}


def _contact(visit: Visit) -> ContactPoints:
    contact = bike.contact_points(visit)
    if contact is None:
        raise InputError("bike", "the contact points are not complete", hint="Fill in the Bike station")
    return contact


def guessed_twin(visit: Visit, side: str, when: str) -> CalibratedTwin:
    """The twin before any ride, from the tape and the bike (InputError says what is missing)."""
    measures = body.measures(visit)
    if measures is None:
        raise InputError("Height", "is not known", hint="Enter the rider's height at the Body station")
    reading = soles.reading_of(visit, side, when)
    system = visit.shoes.cleat_system if visit.shoes else {}
    stack = float(system.get("stack_mm", SOLE_AND_STACK_MM))
    cleat: CleatPose | None = reading.cleat if reading else None
    return first_guess(measures, ridden_contact(visit, when), side, cleat, stack)


def _upper(visit: Visit) -> UpperBody | None:
    """Trunk and arm lengths by tape, when all three were taken."""
    m = body.measures(visit)
    if m is None or m.torso_mm is None or m.upper_arm_mm is None or m.forearm_mm is None:
        return None
    return UpperBody(m.torso_mm, m.upper_arm_mm, m.forearm_mm)
