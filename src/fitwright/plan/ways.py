"""One way to the bands, made whole: its changes in order, what each does, what stays open and what would lift it."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from fitwright.errors import InputError
from fitwright.plan.adjustables import KINDS, canonical, instruction, kind_of, split
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.search import (
    SERVES,
    Solved,
    Task,
    cautious_room,
    felt_of,
    named,
    names_of,
    solve,
    task_of,
)
from fitwright.plan.solver import Move, Taste
from fitwright.plan.types import Alternative, Finding, PlannedChange, Prediction, Reach
from fitwright.quantity import Measured, format_pm, probability_within

ALSO_HELPS: Mapping[str, tuple[str, ...]] = {"float_margin_deg": ("cleat_psi_deg",)}
AGAIN: Mapping[int, tuple[str, ...]] = {
    0: ("photograph of the sole with the card", "front view: knee path and foot yaw"),
    1: ("side view with the same stickers at the same power", "ask how it feels"),
    2: ("side view with the same stickers at the same power", "saddle height (it must not have changed)"),
    3: ("side view: trunk", "ask about hands, neck and back"),
    4: ("everything",),
}
STOP_FEELING = "pain grows by 2 of 10, or comes where there was none"
STOP_PART: Mapping[int, str] = {
    0: "a bolt stands at the end of its slot, or heel or toe touches", 1: "the post shows its mark",
    2: "a clamp leaves the straight part of the rails", 3: "a part shows its own mark or limit",
    4: "heel, toe or knee comes near to a part",
}  # fmt: skip


@dataclass(frozen=True)
class Beyond:
    """What lies beyond today's plan, worked out only when it is asked for, from where today's ends."""

    inputs: PlanInputs
    findings: tuple[Finding, ...]
    today: Task
    deltas: Mapping[str, float]

    @cached_property
    def all_visits(self) -> Solved:
        """As far as the hardware goes, not only one visit's cautious step."""
        task = task_of(self.inputs, self.findings, one_visit=False, like=self.today)
        return solve(task, begin=self.deltas)

    @cached_property
    def all_parts(self) -> Solved:
        """With nothing kept as it is by wish."""
        free = replace(self.inputs, pins={}, forbids=frozenset(), ranges={})
        return solve(task_of(free, self.findings, like=self.today), begin=self.deltas)


def way(task: Task, taste: Taste, deltas: Mapping[str, float], beyond: Beyond) -> Alternative:
    """One solution of the search, told whole."""
    changes = _changes(task, deltas)
    after = {**task.done, **deltas}
    outlook = task.forecast.predictions(task.done, after, only_moved=False)
    expected = {p.id: p.expected for p in outlook}
    reaches = tuple(_reach(task, f, {p.id: p.now for p in outlook}, expected) for f in task.findings)
    unmet = tuple(_unmet(task, after, expected, beyond))
    off = [abs(r.expected.value - sum(r.band) / 2) / ((r.band[1] - r.band[0]) / 2) for r in reaches]
    felt = sum(
        felt_of(beyond.inputs, c.adjustable) * abs(c.delta) / kind_of(c.adjustable).cautious for c in changes
    )
    return Alternative(
        taste.key, taste.label, changes, outlook, unmet, _over_visits(task, after, beyond) , felt,
        float(np.mean(off)) if off else 0.0, min((r.probability_then for r in reaches if r.acted), default=1.0),
        reaches,
    )  # fmt: skip


def one_sided(changes: Sequence[PlannedChange]) -> tuple[str, ...]:
    """What the plan would do on one side only, or otherwise on either side, in words."""
    words = []
    for kind in dict.fromkeys(split(c.adjustable)[0] for c in changes):
        by = {c.side: c.delta for c in changes if split(c.adjustable)[0] == kind and c.side}
        if len(by) == 1:
            (side,) = by
            words.append(
                f"{KINDS[kind].noun}: the plan turns the {side} side only; look at both before you begin"
            )
    return tuple(words)


def beyond_careful(deltas: Mapping[str, float]) -> tuple[str, ...]:
    """Which of these changes are more than one visit's careful step, in words."""
    return tuple(
        f"{part_words(n)}: more than one visit's careful step of {kind_of(n).cautious:g} {kind_of(n).unit}; split it "
        f"over {int(np.ceil(abs(d) / kind_of(n).cautious - 1e-9))} visits"
        for n, d in deltas.items() if abs(d) > kind_of(n).cautious + 1e-9
    )  # fmt: skip


def blocked(task: Task) -> str:
    """Why nothing can be turned though something lies outside; empty when something can."""
    inputs, forbidden = task.forecast.inputs, set(task.forecast.inputs.forbids)
    if not task.acted or task.moves or task.fixed:
        return ""
    serving = [
        n for f in task.findings if f.id in task.acted
        for k in SERVES[f.target.key.rsplit(".", 1)[0]] for n in names_of(k, f.side, inputs)
    ]  # fmt: skip
    if not serving or not forbidden:
        return ""
    held = ", ".join(dict.fromkeys(part_words(n) for n in serving))
    return (
        f"Nothing may be turned: every part that would help is kept as it is by wish ({held}). Free one of them "
        "under the wishes, and the plan can be made"
    )


def part_words(name: str) -> str:
    """`cleat fore-aft, left`."""
    side = split(name)[1]
    return kind_of(name).noun + (f", {side}" if side else "")


def _changes(task: Task, deltas: Mapping[str, float]) -> tuple[PlannedChange, ...]:
    """The changes in the order of doing, each with its effect on top of those before it."""
    state = task.done
    out = []
    for name in in_order(deltas):
        if abs(deltas[name] - state.get(name, 0.0)) < 1e-9:
            continue  # it was turned already
        after_all = {**state, name: deltas[name]}
        before = task.forecast.setting.changed(state).value(name)
        after = before + deltas[name] - state.get(name, 0.0)
        predictions = task.forecast.predictions(state, after_all)
        kind, side = split(name)
        why = _why(task, name)
        out.append(PlannedChange(
            name, side, before, after, KINDS[kind].unit, instruction(name, before, after), why, predictions,
            AGAIN[KINDS[kind].rank], _stop_when(KINDS[kind].rank, why, predictions),
        ))  # fmt: skip
        state = after_all
    return tuple(out)


def _stop_when(rank: int, why: Sequence[str], predictions: Sequence[Prediction]) -> tuple[str, ...]:
    """What ends the change there: how it feels, what is read against what was expected, and the part itself."""
    served = [p for p in predictions if any(w.startswith(p.id) for w in why)]
    words = [STOP_FEELING]
    for p in served:
        low, high = p.expected.interval95
        unit = {"deg": "°", "1": ""}.get(p.expected.unit, f" {p.expected.unit}")
        decimals = 2 if p.expected.unit == "1" else 0
        side = p.id.split(".")[0]
        where = f", {side}" if side in ("left", "right") else ""
        label = f"{p.label[0].lower()}{p.label[1:]}"
        ends = f"{low:.{decimals}f} to {high:.{decimals}f}{unit}".replace("-", "−")
        words.append(f"{label}{where} reads outside {ends}: not as expected, look for the reason first")
    return (*words, STOP_PART[rank])


def _reach(task: Task, f: Finding, now: Mapping[str, Measured], then: Mapping[str, Measured]) -> Reach:
    low, high = f.target.low, f.target.high
    return Reach(
        f.id, f.target.label, (low, high), now[f.id], then[f.id], probability_within(now[f.id], low, high),
        probability_within(then[f.id], low, high), f.id in task.acted,
    )  # fmt: skip


def _over_visits(task: Task, now: Mapping[str, float], beyond: Beyond) -> tuple[str, ...]:
    """What would be turned in all, where one visit's cautious step cuts it short."""
    asked = {n: d for n, d in task.pinned.items() if abs(d - task.fixed[n]) > 1e-9}
    cut = {
        n
        for n, d in now.items()
        if abs(d) >= cautious_room(beyond.inputs, n)[d > 0] - kind_of(n).step and n not in task.pinned
    }
    whole = beyond.all_visits.deltas if cut and _short(task, now) else {}
    asked |= {
        n: d for n, d in whole.items() if n in cut and abs(d) > cautious_room(beyond.inputs, n)[d > 0] + 1e-9
    }
    out = []
    for name in in_order(asked):
        kind, total = kind_of(name), asked[name]
        room = cautious_room(beyond.inputs, name)[total > 0]
        visits = 1 + int(np.ceil((abs(total) - room) / kind.cautious - 1e-9))
        unit = "°" if kind.unit == "deg" else f" {kind.unit}"
        size = f"{room:.3g}{unit}"
        limit = (
            f"{size} at most in one visit" if room == kind.cautious else f"{size} more at most in this visit"
        )
        out.append(
            f"{part_words(name)}: {abs(total):.3g}{unit} in all would be asked for, {limit}, so over "
            f"{visits} visits; what the rider says and the next ride decide"
        )
    return tuple(out)


def _short(task: Task, deltas: Mapping[str, float]) -> bool:
    """Whether an acted-on quantity stays outside, or not surely enough inside."""
    expected = task.forecast.expected(deltas)
    return any(
        probability_within(expected[f.id], f.target.low, f.target.high) < task.probability - 0.01
        for f in task.findings if f.id in task.acted
    )  # fmt: skip


def in_order(deltas: Mapping[str, float]) -> list[str]:
    """The order of doing: feet, saddle height, setback, bars, parts."""
    return sorted(deltas, key=lambda n: (kind_of(n).rank, list(KINDS).index(split(n)[0]), n))


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


def _unmet(
    task: Task, deltas: Mapping[str, float], expected: Mapping[str, Measured], beyond: Beyond
) -> list[str]:
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
        if not outside and p >= task.probability - 0.01:
            continue
        reach = _what_would_lift(task, finding, deltas, outside, beyond)
        if outside:
            short = max(t.low - m.value, m.value - t.high)
            decimals = 2 if t.unit == "1" else 1
            words.append(f"{named(finding)}: {format_pm(m)} expected, {short:.{decimals}f}{unit} outside "
                         f"{band}; {reach}")  # fmt: skip
        else:
            words.append(f"{named(finding)}: {format_pm(m)} expected, inside {band} with "
                         f"probability {p:.2f} (wanted {task.probability:.2f}); {reach}")  # fmt: skip
    return words


def _what_would_lift(
    task: Task, finding: Finding, deltas: Mapping[str, float], outside: bool, beyond: Beyond
) -> str:
    """The nearest thing that stands in the way: a part that is held, the cautious step, or the uncertainty."""
    quantity = finding.target.key.rsplit(".", 1)[0]
    names = [n for k in SERVES[quantity] for n in names_of(k, finding.side, task.forecast.inputs)]
    if not names:
        return "nothing that was measured serves it; photograph the sole first"
    held = [n for n in names if n not in {m.name for m in task.moves}]
    if len(held) == len(names):
        return f"{_held(task, held)}{_if_free(held, beyond)}"
    for move in (m for m in task.moves if m.name in names):
        if end := _at_its_end(task, move, deltas.get(move.name, 0.0)) or _bolts_end(
            task, move, finding, deltas
        ):
            return end
    if held:
        idle = " and ".join(kind_of(n).noun for n in names if n not in held)
        return f"{_held(task, held)}, {idle} alone does too little{_if_free(held, beyond)}"
    if outside:
        return (
            f"{' and '.join(kind_of(n).noun for n in names)}: what may be turned in one visit does too little"
        )
    return "a more certain measurement would decide it"


def _held(task: Task, names: Sequence[str]) -> str:
    """Why these parts are not among those that may be turned."""
    said: dict[str, list[str]] = {}
    for name in names:
        why = (
            "is pinned" if name in task.pinned
            else "was turned already, so measure again first" if name in task.done
            else "may not be touched"
        )  # fmt: skip
        said.setdefault(why, []).append(kind_of(name).noun)
    return ", ".join(f"{' and '.join(nouns)} {why}" for why, nouns in said.items())


def _if_free(held: Sequence[str], beyond: Beyond) -> str:
    """What the held parts would be asked for, were they free."""
    done = {canonical(k): v for k, v in beyond.inputs.done.items()}
    asked = [
        f"{kind_of(n).more if d > 0 else kind_of(n).less} {abs(d):.3g}{'°' if kind_of(n).unit == 'deg' else ' mm'}"
        for n in held
        if (d := beyond.all_parts.deltas.get(n, 0.0) - done.get(n, 0.0))
    ]
    return f"; if it were free: {', '.join(asked)}" if asked else ""


def _at_its_end(task: Task, move: Move, delta: float) -> str:
    """Words when a part stands at the end of what today, the leg or the part itself allows; else empty."""
    kind, steps = kind_of(move.name), round(delta / move.step)
    down, up = cautious_room(task.forecast.inputs, move.name)
    if not move.up and not move.down:
        if min(up, down) < kind.step:
            return f"{kind.noun} was turned as far as one visit goes; the rest another time"
        return f"{kind.noun}: no whole step of {kind.step:g} {kind.unit} fits into its range"
    if not steps or steps not in (move.up, -move.down):
        return ""
    most = min(up, kind.high) if steps > 0 else min(down, -kind.low)
    if abs(steps * move.step) > most - kind.step + 1e-9:
        whole = up == down == kind.cautious
        more = "at most in one visit" if whole else "more at most in this visit"
        return f"{kind.noun} moves {abs(steps) * move.step:g} {kind.unit} {more}; measure, then go on"
    return f"{kind.noun} cannot go further: the leg or the part ends there"


def _bolts_end(task: Task, move: Move, finding: Finding, deltas: Mapping[str, float]) -> str:
    """Words when the step that would help is one that the bolts of the shoe do not allow; else empty."""
    side, now = finding.side, deltas.get(move.name, 0.0)
    if not move.name.startswith("cleat") or side not in task.forecast.inputs.bolting:
        return ""
    middle = (finding.target.low + finding.target.high) / 2

    def off(step: float) -> float:
        return abs(task.forecast.expected({**deltas, move.name: now + step})[finding.id].value - middle)

    for step in (move.step, -move.step):
        try:
            off(step)
        except InputError as error:
            with contextlib.suppress(InputError):
                if error.field == f"{side} cleat" and off(-step) > off(0.0):
                    return f"{error.problem} (one step further with {kind_of(move.name).noun})"
    return ""
