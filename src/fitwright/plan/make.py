"""The plan's front door: `make_plan(inputs) -> Plan` and `whatif(inputs, changes) -> predictions`.

Findings → what to act on → whole hardware steps by the mixed-integer programme on the linearised forecast, solved
again with the nonlinear forecast until it stands still → changes in the order feet, saddle height, setback, bars,
each with its expected effect on top of those before it. A red flag stops the plan; what was found is kept. The plan
may be empty.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.plan import red_flags
from fitwright.plan.adjustables import KINDS, canonical, instruction, kind_of, split
from fitwright.plan.findings import find_all, side_notes
from fitwright.plan.forecast import Forecast, make_forecast
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.solver import Goal, Move, attainable, interval_for, solve_steps
from fitwright.plan.types import Finding, Plan, PlannedChange, Prediction
from fitwright.quantity import Floats, Measured, format_pm, probability_within

SERVES: Mapping[str, tuple[str, ...]] = {
    "knee_flexion_deg": ("saddle_height_mm", "saddle_setback_mm"),
    "axle_under_foot": ("cleat_x_mm", "cleat_z_mm"),
    "cleat_rotation_deg": ("cleat_psi_deg",),
    "trunk_inclination_deg": ("hood_y_mm", "hood_x_mm"),
    "knee_path_mm": ("spacer_mm",),
}
ALSO_HELPS: Mapping[str, tuple[str, ...]] = {"float_margin_deg": ("cleat_psi_deg",)}
AGAIN: Mapping[int, tuple[str, ...]] = {
    0: ("photograph of the sole with the card", "front view: knee path and foot yaw"),
    1: ("side view with the same stickers at the same power", "ask how it feels"),
    2: ("side view with the same stickers at the same power", "saddle height (it must not have changed)"),
    3: ("side view: trunk", "ask about hands, neck and back"),
    4: ("everything",),
}
SETTINGS = ("axle_under_foot.setting", "cleat_rotation_deg.off_foot")
# A change must take away a tenth of the band's half-width, at most this scale: 0.4° or 0.4 mm; our choice.
WIDEST_SCALE: Mapping[str, float] = {"deg": 4.0, "mm": 4.0}
ROUNDS = 6
CARE = (
    "One change at a time; ride a few minutes and measure again before the next. "
    "A part's own marks and limits prevail."
)


@dataclass(frozen=True)
class _Task:
    """What the solver works on: forecast, the findings that count, moves, and changes that are fixed (pins)."""

    forecast: Forecast
    findings: tuple[Finding, ...]
    acted: frozenset[str]
    moves: tuple[Move, ...]
    fixed: Mapping[str, float]
    probability: float


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
        "act_on_opinion": inputs.act_on_opinion,
    }  # fmt: skip
    stopped = red_flags.referral(inputs.red_flags)
    if stopped:
        return Plan(findings, (), (), stopped=stopped, notes=side_notes(inputs), settings=settings)
    task = _task(inputs, findings)
    deltas, uncertain = _solve(task)
    changes = _changes(task, deltas)
    after = {c.adjustable: c.delta for c in changes}
    outlook = task.forecast.predictions({}, after, only_moved=False)
    unmet = tuple(_unmet(task, after, {p.id: p.expected for p in outlook}))
    return Plan(findings, changes, outlook, unmet, "", _notes(inputs, changes, unmet, uncertain), settings)


def whatif(inputs: PlanInputs, changes: Mapping[str, float]) -> tuple[Prediction, ...]:
    """What given changes (adjustable → change in its unit) are expected to do to every watched quantity.

    Raises:
        InputError: an unknown adjustable, or a change that hardware, leg or arm cannot reach.
    """
    named = {canonical(k): float(v) for k, v in changes.items()}
    for name, delta in named.items():
        _check_range(name, delta)
    forecast = make_forecast(inputs, find_all(inputs))
    return forecast.predictions({}, named, only_moved=False)


def acted_on(finding: Finding, act_on_opinion: bool) -> bool:
    """Whether a finding leads to changes: a target of its own method whose value lies more likely out than in."""
    t = finding.target
    if finding.refused or t.role != "target" or (t.strength == "opinion" and not act_on_opinion):
        return False
    return finding.probability_in < 0.5


def _check_range(name: str, delta: float) -> None:
    kind = kind_of(name)
    if not np.isfinite(delta) or not kind.low <= delta <= kind.high:
        raise InputError(
            name, "the change is larger than the hardware's range", value=delta,
            allowed=f"{kind.low:g} to {kind.high:g} {kind.unit}",
        )  # fmt: skip


def _task(inputs: PlanInputs, findings: tuple[Finding, ...]) -> _Task:
    """Choose findings to act on and adjustables that serve them; pins become fixed changes."""
    forecast = make_forecast(inputs, findings)
    fixed = {}
    for name, value in inputs.pins.items():
        delta = value - forecast.setting.value(name)
        _check_range(canonical(name), delta)
        fixed[canonical(name)] = delta
    forbidden = {canonical(n) for n in inputs.forbids}
    acted = frozenset(f.id for f in findings if acted_on(f, inputs.act_on_opinion))
    kept = tuple(
        f for f in findings
        if not f.refused and f.target.role == "target" and f.target.key.rsplit(".", 1)[0] in SERVES
        and (f.target.strength != "opinion" or inputs.act_on_opinion)
    )  # fmt: skip
    moves: list[Move] = []
    for finding in (f for f in kept if f.id in acted):
        for kind in SERVES[finding.target.key.rsplit(".", 1)[0]]:
            for name in _names(kind, finding.side, inputs):
                if name not in forbidden | set(fixed) and name not in [m.name for m in moves]:
                    a = KINDS[kind]
                    moves.append(Move(name, a.step, *_room(forecast, name, a.cautious), a.felt))
    return _Task(forecast, kept, acted, tuple(moves), fixed, inputs.probability)


def _names(kind: str, side: str, inputs: PlanInputs) -> tuple[str, ...]:
    """The adjustables of one kind that serve a finding on one side (cleats only where they were measured)."""
    if kind in ("spacer_mm", "shim_mm"):
        return (f"{kind}_{side}",) if side != "both" else (f"{kind}_left", f"{kind}_right")
    if kind.startswith("cleat"):
        return (f"{kind}_{side}",) if side in inputs.cleats else ()
    return (kind,)


def _room(forecast: Forecast, name: str, most: float) -> tuple[int, int]:
    """Whole steps down and up within the cautious step, as far as setting and leg allow."""
    kind = kind_of(name)
    own = {canonical(k): v for k, v in forecast.inputs.ranges.items()}.get(name)
    low, high = kind.low, kind.high
    if own is not None:
        now = forecast.setting.value(name)
        low, high = min(own[0] - now, 0.0), max(own[1] - now, 0.0)
    room = []
    for sign, end in ((-1, -low), (1, high)):
        n = int(min(most, end) / kind.step + 1e-9)
        while n > 0:
            try:
                forecast.expected({name: sign * n * kind.step})
                break
            except InputError:
                n -= 1
        room.append(n)
    return room[0], room[1]


def _solve(task: _Task) -> tuple[dict[str, float], tuple[str, ...]]:
    """Alternate programme and nonlinear forecast until the steps repeat.

    Returns the changes, and in words the quantities whose band is too narrow for their uncertainty at the wanted
    probability.
    """
    steps: tuple[int, ...] = (0,) * len(task.moves)
    uncertain: tuple[str, ...] = ()
    seen: set[tuple[int, ...]] = set()
    for _ in range(ROUNDS):
        goals, gain, uncertain = _linearise(task, steps)
        new = solve_steps(task.moves, goals, gain).steps
        if new == steps or new in seen:
            steps = new
            break
        seen.add(steps)
        steps = _within_reach(task, new)
    return _deltas(task, steps), uncertain


def _deltas(task: _Task, steps: Sequence[int]) -> dict[str, float]:
    moved = {m.name: n * m.step for m, n in zip(task.moves, steps, strict=True) if n}
    return {**{k: v for k, v in task.fixed.items() if v}, **moved}


def _within_reach(task: _Task, steps: tuple[int, ...]) -> tuple[int, ...]:
    """The steps, shortened one by one where several together would leave the leg's reach."""
    current = list(steps)
    while any(current):
        try:
            task.forecast.expected(_deltas(task, current))
            break
        except InputError:
            current = [n - int(np.sign(n)) for n in current]
    return tuple(current)


def _linearise(task: _Task, steps: tuple[int, ...]) -> tuple[list[Goal], Floats, tuple[str, ...]]:
    """Goals and gain (m, k) about the given steps: one-step differences of the nonlinear forecast."""
    base = task.forecast.expected(_deltas(task, steps))
    gain = np.zeros((len(task.findings), len(task.moves)))
    for j, move in enumerate(task.moves):
        there, sign = _neighbour(task, steps, j, move)
        for i, f in enumerate(task.findings):
            gain[i, j] = sign * (there[f.id].value - base[f.id].value)
    goals, uncertain = [], []
    for i, f in enumerate(task.findings):
        t, at = f.target, base[f.id]
        wanted = task.probability if f.id in task.acted else min(task.probability, f.probability_in)
        low, high = interval_for(t.low, t.high, at.u, wanted)
        if f.id in task.acted and not attainable(t.low, t.high, at.u, wanted):
            uncertain.append(_named(f))
        start = at.value - float(gain[i] @ np.asarray(steps, dtype=np.float64))
        if f.id in task.acted and t.key in SETTINGS:
            # A chosen setting, not a measured outcome: once the bolt is loose, go as near as the steps allow.
            middle, near = (t.low + t.high) / 2, 0.6 * float(np.max(np.abs(gain[i]), initial=0.0))
            low, high = max(low, middle - near), min(high, middle + near)
        if f.id not in task.acted:  # leave alone, but do not make worse than it is
            low, high = min(low, f.value.value), max(high, f.value.value)
        scale = min((t.high - t.low) / 2, WIDEST_SCALE.get(t.unit, np.inf))
        goals.append(Goal(f.id, start, low, high, scale))
    return goals, gain, tuple(uncertain)


def _neighbour(task: _Task, steps: tuple[int, ...], j: int, move: Move) -> tuple[Mapping[str, Measured], int]:
    """The forecast one step up (or down, at the end of the range or of the leg's reach), and the sign."""
    for sign in (1, -1):
        if not -move.down <= steps[j] + sign <= move.up:
            continue
        near = list(steps)
        near[j] += sign
        try:
            return task.forecast.expected(_deltas(task, near)), sign
        except InputError:
            continue
    return task.forecast.expected(_deltas(task, steps)), 1


def _changes(task: _Task, deltas: Mapping[str, float]) -> tuple[PlannedChange, ...]:
    """The changes in the order of doing, each with its effect on top of those before it."""
    done: dict[str, float] = {}
    out = []
    for name in sorted(deltas, key=lambda n: (kind_of(n).rank, list(KINDS).index(split(n)[0]), n)):
        before = task.forecast.setting.changed(done).value(name)
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


def _why(task: _Task, name: str) -> tuple[str, ...]:
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


def _named(finding: Finding) -> str:
    """The quantity in plain words, with its side."""
    side = "" if finding.side == "both" else f", {finding.side}"
    return f"{finding.target.label}{side}"


def _unmet(task: _Task, deltas: Mapping[str, float], expected: Mapping[str, Measured]) -> list[str]:
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
            words.append(f"{_named(finding)}: {format_pm(m)} expected, {short:.{decimals}f}{unit} outside "
                         f"{band}; {reach}")  # fmt: skip
        elif p < task.probability - 0.01:
            words.append(f"{_named(finding)}: {format_pm(m)} expected, inside {band} with "
                         f"probability {p:.2f} (wanted {task.probability:.2f}); {reach}")  # fmt: skip
    return words


def _what_would_lift(task: _Task, finding: Finding, deltas: Mapping[str, float], outside: bool) -> str:
    """The nearest thing that stands in the way: a forbidden part, the cautious step, or the uncertainty."""
    quantity = finding.target.key.rsplit(".", 1)[0]
    names = [n for k in SERVES[quantity] for n in _names(k, finding.side, task.forecast.inputs)]
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
