"""The plan's front door: `make_plan(inputs) -> Plan` and `whatif(inputs, changes) -> predictions`.

Findings → what to act on → whole hardware steps by the mixed-integer programme on the linearised forecast, solved
again with the nonlinear forecast until it stands still → changes in the order feet, saddle height, setback, bars,
each with its expected effect on top of those before it. A red flag stops the plan; what was found is kept. The plan
may be empty.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from fitwright.plan import red_flags
from fitwright.plan.adjustables import KINDS, canonical, instruction, kind_of, split
from fitwright.plan.findings import find_all, side_notes
from fitwright.plan.forecast import make_forecast
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.search import SERVES, Task, check_room, named, names_of, solve, task_of
from fitwright.plan.solver import FEWEST, TASTES, Taste
from fitwright.plan.types import Alternative, Finding, Plan, PlannedChange, Prediction
from fitwright.quantity import Measured, format_pm, probability_within

ALSO_HELPS: Mapping[str, tuple[str, ...]] = {"float_margin_deg": ("cleat_psi_deg",)}
AGAIN: Mapping[int, tuple[str, ...]] = {
    0: ("photograph of the sole with the card", "front view: knee path and foot yaw"),
    1: ("side view with the same stickers at the same power", "ask how it feels"),
    2: ("side view with the same stickers at the same power", "saddle height (it must not have changed)"),
    3: ("side view: trunk", "ask about hands, neck and back"),
    4: ("everything",),
}
CARE = (
    "One change at a time; ride a few minutes and measure again before the next. "
    "A part's own marks and limits prevail."
)


def make_plan(inputs: PlanInputs) -> Plan:
    """The plan for one rider on one bike.

    Raises:
        InputError: bands that exclude each other, unknown adjustables in pins or forbids, pins out of range, a
            leg that cannot reach the pedal.
    """
    findings = find_all(inputs)
    settings = {
        "use": inputs.use, "probability": inputs.probability, "pins": dict(inputs.pins),
        "forbids": sorted(inputs.forbids), "response": inputs.response.to_json(),
        "act_on_opinion": inputs.act_on_opinion, "taste": inputs.taste,
    }  # fmt: skip
    stopped = red_flags.referral(inputs.red_flags)
    if stopped:
        return Plan(findings, (), (), stopped=stopped, notes=side_notes(inputs), settings=settings)
    task = task_of(inputs, findings)
    fewest = solve(task)
    solved = {t.key: fewest if t is FEWEST else solve(task, t, fewest.short) for t in TASTES}
    deltas = solved[inputs.taste].deltas
    changes = _changes(task, deltas)
    after = {c.adjustable: c.delta for c in changes}
    outlook = task.forecast.predictions({}, after, only_moved=False)
    unmet = tuple(_unmet(task, after, {p.id: p.expected for p in outlook}))
    later = _over_visits(inputs, findings, deltas) if unmet else ()
    notes = (*_notes(inputs, changes, unmet, fewest.uncertain), *later)
    return Plan(
        findings, changes, outlook, unmet, "", notes, settings,
        tuple(_alternative(task, taste, solved[taste.key].deltas) for taste in TASTES),
    )  # fmt: skip


def whatif(inputs: PlanInputs, changes: Mapping[str, float]) -> tuple[Prediction, ...]:
    """What given changes (adjustable → change in its unit) are expected to do to every watched quantity.

    Raises:
        InputError: an unknown adjustable, or a change that hardware, leg or arm cannot reach.
    """
    named = {canonical(k): float(v) for k, v in changes.items()}
    for name, delta in named.items():
        check_room(name, delta)
    forecast = make_forecast(inputs, find_all(inputs))
    return forecast.predictions({}, named, only_moved=False)


def _changes(task: Task, deltas: Mapping[str, float]) -> tuple[PlannedChange, ...]:
    """The changes in the order of doing, each with its effect on top of those before it."""
    done: dict[str, float] = {}
    out = []
    for name, before in _in_turn(task, deltas):
        after_all = {**done, name: deltas[name]}
        predictions = task.forecast.predictions(done, after_all)
        after = before + deltas[name]
        kind, side = split(name)
        out.append(PlannedChange(
            name, side, before, after, KINDS[kind].unit, instruction(name, before, after),
            _why(task, name), predictions, AGAIN[KINDS[kind].rank],
        ))  # fmt: skip
        done = after_all
    return tuple(out)


def _alternative(task: Task, taste: Taste, deltas: Mapping[str, float]) -> Alternative:
    """One way to the bands: what is turned, how much that is felt, and how near to the middle everything ends."""
    words = tuple(instruction(name, before, before + deltas[name]) for name, before in _in_turn(task, deltas))
    expected = task.forecast.expected(deltas)
    off, inside = [], []
    for f in task.findings:
        half = (f.target.high - f.target.low) / 2
        off.append(abs(expected[f.id].value - f.target.low - half) / half)
        if f.id in task.acted:
            inside.append(probability_within(expected[f.id], f.target.low, f.target.high))
    felt = sum(kind_of(n).felt * abs(d) / kind_of(n).cautious for n, d in deltas.items())
    return Alternative(
        taste.key, taste.label, dict(deltas), words, felt, float(np.mean(off)) if off else 0.0,
        min(inside, default=1.0),
    )  # fmt: skip


def _over_visits(
    inputs: PlanInputs, findings: tuple[Finding, ...], now: Mapping[str, float]
) -> tuple[str, ...]:
    """What would be turned in all, where one visit's cautious step cuts it short."""
    cut = {n for n, d in now.items() if abs(d) >= kind_of(n).cautious - kind_of(n).step}
    if not cut:
        return ()
    whole = solve(task_of(inputs, findings, one_visit=False)).deltas
    out = []
    for name in in_order(whole):
        kind, total = kind_of(name), whole[name]
        if name not in cut or abs(total) <= kind.cautious + 1e-9:
            continue
        visits = int(np.ceil(abs(total) / kind.cautious))
        unit = "°" if kind.unit == "deg" else f" {kind.unit}"
        out.append(
            f"{kind.noun}: {abs(total):g}{unit} in all would be asked for, {kind.cautious:g}{unit} at most in one "
            f"visit, so over {visits} visits; what the rider says and the next ride decide"
        )
    return tuple(out)


def in_order(deltas: Mapping[str, float]) -> list[str]:
    """The order of doing: feet, saddle height, setback, bars, parts."""
    return sorted(deltas, key=lambda n: (kind_of(n).rank, list(KINDS).index(split(n)[0]), n))


def _in_turn(task: Task, deltas: Mapping[str, float]) -> Iterator[tuple[str, float]]:
    """Each adjustable in the order of doing, and its hardware value once those before it are done."""
    done: dict[str, float] = {}
    for name in in_order(deltas):
        yield name, task.forecast.setting.changed(done).value(name)
        done[name] = deltas[name]


def _why(task: Task, name: str) -> tuple[str, ...]:
    """Ids of acted findings that this adjustable serves, each with its source."""
    kind, side = split(name)
    sides = (side, "both") if side else ("left", "right", "both")
    served = [
        f for f in task.findings
        if f.id in task.acted and f.side in sides and kind in SERVES[f.target.key.rsplit(".", 1)[0]]
    ]  # fmt: skip
    reasons = [f"{f.id}: {f.target.source}" for f in served]
    watched = [w.id for w in task.forecast.watched]
    for quantity, kinds in ALSO_HELPS.items():
        if kind in kinds and f"{side}.{quantity}.min" in watched:
            reasons.append(f"{side}.{quantity}.min")
    return tuple(reasons) or (("pinned by the practitioner",) if name in task.fixed else ())


def _unmet(task: Task, deltas: Mapping[str, float], expected: Mapping[str, Measured]) -> list[str]:
    """Acted-on quantities that end outside, or not surely enough inside, and what would lift it."""
    words = []
    for finding in task.findings:
        if finding.id not in task.acted:
            continue
        t, m = finding.target, expected[finding.id]
        unit = "°" if t.unit == "deg" else "" if t.unit == "1" else f" {t.unit}"
        p = probability_within(m, t.low, t.high)
        band = f"{t.low:g} to {t.high:g}{unit}".replace("-", "−")
        outside = not t.low <= m.value <= t.high
        reach = _what_would_lift(task, finding, deltas, outside)
        if outside:
            short = max(t.low - m.value, m.value - t.high)
            decimals = 2 if t.unit == "1" else 1
            words.append(f"{named(finding)}: {format_pm(m)} expected, {short:.{decimals}f}{unit} outside "
                         f"{band}; {reach}")  # fmt: skip
        elif p < task.probability - 0.01:
            words.append(f"{named(finding)}: {format_pm(m)} expected, inside {band} with "
                         f"probability {p:.2f} (wanted {task.probability:.2f}); {reach}")  # fmt: skip
    return words


def _what_would_lift(task: Task, finding: Finding, deltas: Mapping[str, float], outside: bool) -> str:
    """The nearest thing that stands in the way: a forbidden part, the cautious step, or the uncertainty."""
    quantity = finding.target.key.rsplit(".", 1)[0]
    names = [n for k in SERVES[quantity] for n in names_of(k, finding.side, task.forecast.inputs)]
    free = {m.name: m for m in task.moves}
    held = [n for n in names if n not in free]
    if held and not any(n in free for n in names):
        return f"{' and '.join(kind_of(n).noun for n in held)} may not be touched"
    for name in names:
        move = free.get(name)
        if move is None:
            continue
        steps = round(deltas.get(name, 0.0) / move.step)
        if steps and steps in (move.up, -move.down):
            kind = kind_of(name)
            whole = abs(steps * move.step) >= min(kind.cautious, kind.high) - 1e-9
            return (
                f"{kind.noun} moves {abs(steps) * move.step:g} {kind.unit} at most in one visit; measure, then go on"
                if whole
                else f"{kind.noun} cannot go further: the leg or the part ends there"
            )
    if held:
        idle = " and ".join(kind_of(n).noun for n in names if n in free)
        return (
            f"{' and '.join(kind_of(n).noun for n in held)} may not be touched, {idle} alone does too little"
        )
    if not names:
        return "nothing that was measured serves it; photograph the sole first"
    if outside:
        return (
            f"{' and '.join(kind_of(n).noun for n in names)}: what may be turned in one visit does too little"
        )
    return "a more certain measurement would decide it"


def _notes(
    inputs: PlanInputs, changes: Sequence[PlannedChange], unmet: Sequence[str], uncertain: Sequence[str]
) -> tuple[str, ...]:
    notes = list(side_notes(inputs))
    left_open = red_flags.unanswered(inputs.red_flags)
    if left_open:
        notes.append(f"{len(left_open)} of {len(red_flags.QUESTIONS)} red-flag questions are not answered")
    for name in uncertain:
        notes.append(f"{name}: too uncertain for the wanted probability even in the middle of its band; the plan "
                     "aims at the middle")  # fmt: skip
    if not changes and not unmet:
        notes.append("Nothing to change: no quantity that may be acted on lies outside its band.")
    if changes:
        notes.append(CARE)
    return tuple(notes)
