"""The plan's front door: `make_plan(inputs) -> Plan` and `whatif(inputs, changes) -> predictions`.

Findings → what to act on → whole hardware steps by the mixed-integer programme on the linearised forecast, solved
again with the nonlinear forecast until it stands still → changes in the order feet, saddle height, setback, bars,
each with its expected effect on top of those before it. A red flag stops the plan; what was found is kept. The plan
may be empty.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import replace

from fitwright.errors import InputError
from fitwright.plan import red_flags
from fitwright.plan.adjustables import canonical
from fitwright.plan.findings import asymmetries, bands_of, find_all, side_notes
from fitwright.plan.forecast import Forecast, make_forecast
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.search import Task, check_room, solve, task_of
from fitwright.plan.solver import FEWEST, TASTES
from fitwright.plan.types import Alternative, Plan, Prediction
from fitwright.plan.ways import Beyond, blocked, one_sided, way

CARE = (
    "One change at a time; ride a few minutes and measure again before the next. "
    "A part's own marks and limits prevail."
)


def make_plan(inputs: PlanInputs) -> Plan:
    """The plan for one rider on one bike.

    Raises:
        InputError: bands that exclude each other, unknown adjustables in pins or forbids, pins out of range or out
            of the leg's reach, a leg that cannot reach the pedal.
    """
    findings = find_all(inputs)
    settings = {
        "use": inputs.use, "probability": inputs.probability, "pins": dict(inputs.pins),
        "forbids": sorted(inputs.forbids), "response": inputs.response.to_json(),
        "act_on_opinion": inputs.act_on_opinion, "taste": inputs.taste, "felt": dict(inputs.felt),
        "ranges": {k: list(v) for k, v in inputs.ranges.items()}, "done": dict(inputs.done),
        "turned": dict(inputs.turned), "bands": [t.to_json() for t in bands_of(inputs)],
    }  # fmt: skip
    sides = asymmetries(inputs)
    stopped = red_flags.referral(inputs.red_flags)
    if stopped:
        return Plan(
            findings, (), (), stopped=stopped, notes=side_notes(inputs), settings=settings, asymmetry=sides
        )
    task = task_of(inputs, findings)
    fewest = solve(task)
    solved = {t.key: fewest if t is FEWEST else solve(task, t, fewest.short, fewest.deltas) for t in TASTES}
    beyond = Beyond(inputs, findings, task, fewest.deltas)
    ways = tuple(way(task, taste, solved[taste.key].deltas, beyond) for taste in TASTES)
    chosen = next(w for w in ways if w.key == inputs.taste)
    notes = _notes(inputs, task, chosen, fewest.uncertain)
    return Plan(
        findings, chosen.changes, chosen.outlook, chosen.unmet, "", notes, settings, ways,
        (*sides, *one_sided(chosen.changes)), blocked(task), chosen.later,
    )  # fmt: skip


def whatif(
    inputs: PlanInputs, changes: Mapping[str, float], u: Mapping[str, float] | None = None
) -> tuple[Prediction, ...]:
    """What given changes (adjustable → change in its unit) are expected to do to every watched quantity.

    `u`: adjustable → standard uncertainty of its change, where it was measured after it was done; it widens what is
    expected by what it would move.

    Raises:
        InputError: an unknown adjustable, or a change that hardware, leg or arm cannot reach.
    """
    named = {canonical(k): float(v) for k, v in changes.items()}
    for name, delta in named.items():
        check_room(name, delta)
    forecast = make_forecast(inputs, find_all(inputs))
    told = forecast.predictions({}, named, only_moved=False)
    for name, doubt in {canonical(k): v for k, v in (u or {}).items() if v}.items():
        other = {p.id: p.expected.value for p in _beside(forecast, named, name, doubt)}
        told = tuple(
            replace(p, expected=p.expected.widened(other[p.id] - p.expected.value)) if p.id in other else p
            for p in told
        )
    return told


def _beside(forecast: Forecast, changes: Mapping[str, float], name: str, by: float) -> tuple[Prediction, ...]:
    """The same with one change a little larger, or smaller where that is out of reach; empty where both are."""
    for delta in (by, -by):
        with contextlib.suppress(InputError):
            return forecast.predictions(
                {}, {**changes, name: changes.get(name, 0.0) + delta}, only_moved=False
            )
    return ()


def _notes(inputs: PlanInputs, task: Task, chosen: Alternative, uncertain: Sequence[str]) -> tuple[str, ...]:
    notes = list(side_notes(inputs))
    for side, twin in inputs.twins.items():
        notes += [f"twin, {side}: {w}" for w in twin.warnings]
    left_open = red_flags.unanswered(inputs.red_flags)
    if left_open:
        notes.append(f"{len(left_open)} of {len(red_flags.QUESTIONS)} red-flag questions are not answered")
    for name in uncertain:
        notes.append(f"{name}: too uncertain for the wanted probability even in the middle of its band; the plan "
                     "aims at the middle")  # fmt: skip
    if not chosen.changes and not chosen.unmet and not task.done:
        notes.append("Nothing to change: no quantity that may be acted on lies outside its band.")
    if chosen.changes:
        notes.append(CARE)
    return tuple(notes)
