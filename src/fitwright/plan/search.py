"""The search behind a plan: what may be turned, and whole steps that bring what counts into its band.

The mixed-integer programme works on the forecast made linear about the steps it stands at; it is solved again with
the nonlinear forecast until the steps repeat.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from fitwright.errors import InputError
from fitwright.foot.sole import CleatPose
from fitwright.plan.adjustables import all_names, canonical, kind_of, split
from fitwright.plan.forecast import Forecast, make_forecast
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.solver import FEWEST, Fence, Goal, Move, Taste, attainable, interval_for, solve_steps
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
    """What the solver works on: forecast, the findings that count, moves, and changes that are fixed.

    `fixed`: what was done since the ride, and pins, as far as one visit's cautious step goes; `pinned`: all that the
    pins ask for.
    """

    forecast: Forecast
    findings: tuple[Finding, ...]
    acted: frozenset[str]
    moves: tuple[Move, ...]
    fixed: Mapping[str, float]
    probability: float
    pinned: Mapping[str, float] = field(default_factory=dict)

    @property
    def done(self) -> dict[str, float]:
        """What was turned since the ride: where the changes that are asked for start."""
        return {canonical(k): v for k, v in self.forecast.inputs.done.items() if v}


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


def task_of(
    inputs: PlanInputs, findings: tuple[Finding, ...], *, one_visit: bool = True, like: Task | None = None
) -> Task:
    """Choose findings to act on and adjustables that serve them; pins become fixed changes.

    `one_visit`: no further than the cautious step; else as far as the hardware goes. `like`: a task of the same
    rider with other wishes, whose forecast (and all that it has told already) serves here too.
    """
    forecast = replace(like.forecast, inputs=inputs) if like else make_forecast(inputs, findings)
    fixed = {canonical(k): v for k, v in inputs.done.items() if v}
    pinned = {}
    for name, value in inputs.pins.items():
        delta = value - forecast.setting.value(name)
        check_room(canonical(name), delta)
        pinned[canonical(name)] = delta
        fixed[canonical(name)] = _today(inputs, name, delta) if one_visit else delta
    forecast.expected(fixed)  # a pin that the leg cannot reach is refused here
    held = {canonical(n) for n in inputs.forbids} | set(fixed)
    acted = frozenset(f.id for f in findings if acted_on(f, inputs.act_on_opinion))
    kept = tuple(
        f for f in findings
        if not f.refused and f.target.role == "target" and f.target.key.rsplit(".", 1)[0] in SERVES
        and (f.target.strength != "opinion" or inputs.act_on_opinion)
    )  # fmt: skip
    names = [
        name
        for finding in kept if finding.id in acted
        for kind in SERVES[finding.target.key.rsplit(".", 1)[0]]
        for name in names_of(kind, finding.side, inputs)
        if name not in held
    ]  # fmt: skip
    moves = tuple(
        Move(name, kind_of(name).step, *_room(forecast, name, fixed, one_visit), felt_of(inputs, name))
        for name in dict.fromkeys(names)
    )
    return Task(forecast, kept, acted, moves, fixed, inputs.probability, pinned)


def felt_of(inputs: PlanInputs, name: str) -> float:
    """How much this rider feels a change of this part, 0 to 1."""
    kind = kind_of(name)
    return inputs.felt.get(kind.kind, kind.felt)


def cautious_room(inputs: PlanInputs, name: str) -> tuple[float, float]:
    """How far down and up one visit may still go: the cautious step less what was turned already."""
    most = kind_of(name).cautious
    turned = {canonical(k): v for k, v in inputs.turned.items()}.get(canonical(name), 0.0)
    return max(most + turned, 0.0), max(most - turned, 0.0)


def _today(inputs: PlanInputs, name: str, delta: float) -> float:
    """The part of a pinned change that one visit may make."""
    down, up = cautious_room(inputs, name)
    return float(np.clip(delta, -down, up))


def names_of(kind: str, side: str, inputs: PlanInputs) -> tuple[str, ...]:
    """The adjustables of one kind that serve a finding on one side (cleats only where they were measured)."""
    if kind in ("spacer_mm", "shim_mm"):
        return (f"{kind}_{side}",) if side != "both" else (f"{kind}_left", f"{kind}_right")
    if kind.startswith("cleat"):
        return (f"{kind}_{side}",) if side in inputs.cleats else ()
    return (kind,)


def _room(forecast: Forecast, name: str, fixed: Mapping[str, float], one_visit: bool) -> tuple[int, int]:
    """Whole steps down and up: within the cautious step, and as far as setting and leg allow."""
    kind = kind_of(name)
    own = {canonical(k): v for k, v in forecast.inputs.ranges.items()}.get(name)
    low, high = kind.low, kind.high
    if own is not None:
        now = forecast.setting.value(name)
        low, high = min(own[0] - now, 0.0), max(own[1] - now, 0.0)
    most = cautious_room(forecast.inputs, name) if one_visit else (np.inf, np.inf)
    room = []
    for sign, end, cautious in ((-1, -low, most[0]), (1, high, most[1])):
        n = int(min(cautious, end) / kind.step + 1e-9)
        while n > 0:
            try:
                forecast.expected({**fixed, name: sign * n * kind.step})
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


def solve(
    task: Task, taste: Taste = FEWEST, short: Mapping[str, float] | None = None,
    begin: Mapping[str, float] | None = None,
) -> Solved:  # fmt: skip
    """Alternate programme and nonlinear forecast until the steps repeat.

    `short`: what another way to the same bands left open; no more need be reached, so that two ways are comparable.
    `begin`: another way's changes, about which the forecast is first made linear; nothing else hangs from them.
    """
    steps = _within_reach(task, _steps_of(task, begin or {}))
    uncertain: tuple[str, ...] = ()
    left: tuple[float, ...] = (0.0,) * len(task.findings)
    seen: set[tuple[int, ...]] = set()
    for _ in range(ROUNDS):
        goals, gain, uncertain = _linearise(task, steps, short or {})
        answer = solve_steps(task.moves, goals, gain, taste, _fences(task, steps))
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


def _steps_of(task: Task, deltas: Mapping[str, float]) -> tuple[int, ...]:
    """Changes as whole steps of the task's moves, as far as these go."""
    return tuple(int(np.clip(round(deltas.get(m.name, 0.0) / m.step), -m.down, m.up)) for m in task.moves)


def _within_reach(task: Task, steps: tuple[int, ...]) -> tuple[int, ...]:
    """The steps, shortened one by one where several together would leave the reach of the leg or of the bolts."""
    current = list(steps)
    while any(current):
        try:
            _go_through(task, deltas_of(task, current))
            break
        except InputError as error:
            own = [
                m.name.startswith("cleat") and error.field == f"{split(m.name)[1]} cleat" for m in task.moves
            ]
            mine = own if any(n and o for n, o in zip(current, own, strict=True)) else [True] * len(current)
            current = [n - int(np.sign(n)) * o for n, o in zip(current, mine, strict=True)]
    return tuple(current)


def _go_through(task: Task, deltas: Mapping[str, float]) -> None:
    """Raise InputError where the changes cannot all be made, or a cleat not by one change after the other."""
    task.forecast.expected(deltas)
    for side, bolting in task.forecast.inputs.bolting.items():
        so_far = {n: d for n, d in task.fixed.items() if n.startswith("cleat")}
        for name in (n for n in all_names() if n in deltas and n.startswith("cleat") and n.endswith(side)):
            so_far[name] = deltas[name]
            bolting.check(side, task.forecast.setting.changed(so_far).cleats[side])


def _fences(task: Task, steps: tuple[int, ...]) -> tuple[Fence, ...]:
    """What the bolts of each shoe allow of its cleat, straight about the rotation that the steps give it."""
    setting = task.forecast.setting

    def cleats(deltas: Mapping[str, float]) -> Mapping[str, CleatPose]:
        return setting.changed({n: d for n, d in deltas.items() if n.startswith("cleat")}).cleats

    start, then = cleats(task.fixed), cleats(deltas_of(task, steps))
    found = []
    for side, bolting in task.forecast.inputs.bolting.items():
        mine = [f"cleat_{along}_{side}" for along in ("x_mm", "z_mm", "psi_deg")]
        if not any(m.name in mine for m in task.moves):
            continue
        psi = then[side].psi_deg
        normals, room, slope = bolting.fences(psi)
        for row, end in zip(np.column_stack([normals, -slope]), room - slope * psi, strict=True):
            pull = [m.step * row[mine.index(m.name)] if m.name in mine else 0.0 for m in task.moves]
            found.append(Fence(np.array(pull), float(end - row @ start[side].vector)))
    return tuple(found)


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
