"""The search behind a plan: what may be turned, and whole steps that bring what counts into its band.

The mixed-integer programme works on the forecast made linear about the steps it stands at; it is solved again with
the nonlinear forecast until the steps repeat.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.plan.adjustables import KINDS, canonical, kind_of
from fitwright.plan.forecast import Forecast, make_forecast
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.solver import FEWEST, Goal, Move, Taste, attainable, interval_for, solve_steps
from fitwright.plan.types import Finding
from fitwright.quantity import Floats, Measured

SERVES: Mapping[str, tuple[str, ...]] = {
    "knee_flexion_deg": ("saddle_height_mm", "saddle_setback_mm"),
    "axle_under_foot": ("cleat_x_mm", "cleat_z_mm"),
    "cleat_rotation_deg": ("cleat_psi_deg",),
    "trunk_inclination_deg": ("hood_y_mm", "hood_x_mm"),
    "knee_path_mm": ("spacer_mm",),
}
SETTINGS = ("axle_under_foot.setting", "cleat_rotation_deg.off_foot")
# A change must take away a tenth of the band's half-width, at most this scale: 0.4° or 0.4 mm; our choice.
WIDEST_SCALE: Mapping[str, float] = {"deg": 4.0, "mm": 4.0}
ROUNDS = 6


@dataclass(frozen=True)
class Task:
    """What the solver works on: forecast, the findings that count, moves, and changes that are fixed (pins)."""

    forecast: Forecast
    findings: tuple[Finding, ...]
    acted: frozenset[str]
    moves: tuple[Move, ...]
    fixed: Mapping[str, float]
    probability: float


def acted_on(finding: Finding, act_on_opinion: bool) -> bool:
    """Whether a finding leads to changes: a target of its own method whose value lies more likely out than in."""
    t = finding.target
    if finding.refused or t.role != "target" or (t.strength == "opinion" and not act_on_opinion):
        return False
    return finding.probability_in < 0.5


def check_room(name: str, delta: float) -> None:
    """InputError when a change is larger than the hardware's range."""
    kind = kind_of(name)
    if not np.isfinite(delta) or not kind.low <= delta <= kind.high:
        raise InputError(
            name, "the change is larger than the hardware's range", value=delta,
            allowed=f"{kind.low:g} to {kind.high:g} {kind.unit}",
        )  # fmt: skip


def task_of(inputs: PlanInputs, findings: tuple[Finding, ...], *, one_visit: bool = True) -> Task:
    """Choose findings to act on and adjustables that serve them; pins become fixed changes.

    `one_visit`: no further than the cautious step; else as far as the hardware goes.
    """
    forecast = make_forecast(inputs, findings)
    fixed = {}
    for name, value in inputs.pins.items():
        delta = value - forecast.setting.value(name)
        check_room(canonical(name), delta)
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
            for name in names_of(kind, finding.side, inputs):
                if name not in forbidden | set(fixed) and name not in [m.name for m in moves]:
                    a = KINDS[kind]
                    moves.append(
                        Move(
                            name, a.step, *_room(forecast, name, a.cautious if one_visit else np.inf), a.felt
                        )
                    )
    return Task(forecast, kept, acted, tuple(moves), fixed, inputs.probability)


def names_of(kind: str, side: str, inputs: PlanInputs) -> tuple[str, ...]:
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


@dataclass(frozen=True)
class Solved:
    """Changes by adjustable; in words what is too uncertain for the wanted probability even in mid-band;
    finding id → how far it stays outside its interval, in its unit."""

    deltas: Mapping[str, float]
    uncertain: tuple[str, ...]
    short: Mapping[str, float]


def solve(task: Task, taste: Taste = FEWEST, short: Mapping[str, float] | None = None) -> Solved:
    """Alternate programme and nonlinear forecast until the steps repeat.

    `short`: what another way to the same bands left open; no more need be reached, so that two ways are comparable.
    """
    steps: tuple[int, ...] = (0,) * len(task.moves)
    uncertain: tuple[str, ...] = ()
    left: tuple[float, ...] = (0.0,) * len(task.findings)
    seen: set[tuple[int, ...]] = set()
    for _ in range(ROUNDS):
        goals, gain, uncertain = _linearise(task, steps, short or {})
        answer = solve_steps(task.moves, goals, gain, taste)
        left = answer.shortfall
        if answer.steps == steps or answer.steps in seen:
            steps = answer.steps
            break
        seen.add(steps)
        steps = _within_reach(task, answer.steps)
    return Solved(
        deltas_of(task, steps), uncertain, dict(zip((f.id for f in task.findings), left, strict=True))
    )


def deltas_of(task: Task, steps: Sequence[int]) -> dict[str, float]:
    """Whole steps as changes by adjustable, with what is pinned."""
    moved = {m.name: n * m.step for m, n in zip(task.moves, steps, strict=True) if n}
    return {**{k: v for k, v in task.fixed.items() if v}, **moved}


def _within_reach(task: Task, steps: tuple[int, ...]) -> tuple[int, ...]:
    """The steps, shortened one by one where several together would leave the leg's reach."""
    current = list(steps)
    while any(current):
        try:
            task.forecast.expected(deltas_of(task, current))
            break
        except InputError:
            current = [n - int(np.sign(n)) for n in current]
    return tuple(current)


def _linearise(
    task: Task, steps: tuple[int, ...], short: Mapping[str, float]
) -> tuple[list[Goal], Floats, tuple[str, ...]]:
    """Goals and gain (m, k) about the given steps: one-step differences of the nonlinear forecast."""
    base = task.forecast.expected(deltas_of(task, steps))
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
            uncertain.append(named(f))
        start = at.value - float(gain[i] @ np.asarray(steps, dtype=np.float64))
        if f.id in task.acted and t.key in SETTINGS:
            # A chosen setting, not a measured outcome: once the bolt is loose, go as near as the steps allow.
            middle, near = (t.low + t.high) / 2, 0.6 * float(np.max(np.abs(gain[i]), initial=0.0))
            low, high = max(low, middle - near), min(high, middle + near)
        if f.id not in task.acted:  # leave alone, but do not make worse than it is
            low, high = min(low, f.value.value), max(high, f.value.value)
        low, high = low - short.get(f.id, 0.0), high + short.get(f.id, 0.0)
        scale = min((t.high - t.low) / 2, WIDEST_SCALE.get(t.unit, np.inf))
        goals.append(Goal(f.id, start, low, high, scale))
    return goals, gain, tuple(uncertain)


def _neighbour(task: Task, steps: tuple[int, ...], j: int, move: Move) -> tuple[Mapping[str, Measured], int]:
    """The forecast one step up (or down, at the end of the range or of the leg's reach), and the sign."""
    for sign in (1, -1):
        if not -move.down <= steps[j] + sign <= move.up:
            continue
        near = list(steps)
        near[j] += sign
        try:
            return task.forecast.expected(deltas_of(task, near)), sign
        except InputError:
            continue
    return task.forecast.expected(deltas_of(task, steps)), 1


def named(finding: Finding) -> str:
    """The quantity in plain words, with its side."""
    side = "" if finding.side == "both" else f", {finding.side}"
    return f"{finding.target.label}{side}"
