"""Doing it: each change planned, done with the value then measured, measured again, kept or undone.

A plan that is made again after something was turned continues the one before: rounds of one visit. What was done in
any of them stands on the bike now; what a ride shows of it is told by which ride each round was planned from.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db.models import Prefetch

from fitwright.errors import InputError
from fitwright.quantity import combine
from fitwright.records.models import Analysis, Change, ChangeStep, Visit
from fitwright.studio.visits import analysis, let_go, once

STATES = ("done", "kept", "undone")
MADE = ("done", "kept")
SLACK = {"mm": 25.0, "deg": 10.0}
ORDER = ("planned", "done", "measured again", "kept")


@dataclass(frozen=True)
class ChangeRow:
    """One change with what became of it: state "planned" until something was recorded.

    `measured_again`: whether predicted was compared with measured since it was done.
    """

    change: Change
    state: str
    steps: tuple[ChangeStep, ...]
    measured_again: bool = False

    @property
    def planned(self) -> Mapping[str, Any]:
        """The plan's own words and numbers (`PlannedChange.to_json`)."""
        return dict(self.change.planned)

    @property
    def delta(self) -> float:
        """What was really done: the measured value less the one before, else the planned change."""
        read = self._read
        return float(self.planned["delta"] if read is None else read.actual - self.planned["before"])

    @property
    def delta_u(self) -> float:
        """Standard uncertainty of the value that was measured once it was done; 0 where none was given."""
        return float(self._read.u or 0.0) if self._read else 0.0

    @property
    def _read(self) -> ChangeStep | None:
        """The step at which the value was measured last."""
        return next((s for s in reversed(self.steps) if s.actual is not None), None)

    @property
    def course(self) -> tuple[tuple[str, bool], ...]:
        """(step on the way, whether it was reached), as the page shows it."""
        reached = {"planned"}
        if self.state in MADE:
            reached |= {"done"} | ({"measured again"} if self.measured_again else set())
        if self.state == "kept":
            reached.add("kept")
        words = ORDER if self.state != "undone" else ("planned", "done", "undone")
        return tuple((w, w in reached or self.state == "undone") for w in words)


@dataclass(frozen=True)
class Round:
    """One plan of the visit with its changes; `ride`: the film that it was made from, as `plan.film_of` names it."""

    row: Analysis
    ride: str
    changes: tuple[ChangeRow, ...]


def rounds(visit: Visit) -> tuple[Round, ...]:
    """The plans of this visit that continue each other, the current one last."""
    return once(visit, "rounds", lambda: _rounds(visit))


def _rounds(visit: Visit) -> tuple[Round, ...]:
    row = analysis(visit, "plan", "plan")
    chain: list[Analysis] = []
    while row is not None:
        chain.append(row)
        earlier = row.inputs.get("continues")
        row = Analysis.objects.filter(visit=visit, kind="plan", pk=earlier).first() if earlier else None
    if not chain:
        return ()
    outcome = analysis(visit, "outcome", "outcome")
    compared = outcome.created_at if outcome is not None else None
    steps = Prefetch("steps", ChangeStep.objects.order_by("created_at", "pk"))
    changes = list(Change.objects.filter(plan__in=chain).order_by("order").prefetch_related(steps))
    return tuple(
        Round(
            r,
            str(r.inputs.get("ride") or "before"),
            tuple(_row(c, compared) for c in changes if c.plan_id == r.pk),
        )
        for r in reversed(chain)
    )


def _row(change: Change, compared: datetime | None) -> ChangeRow:
    steps = tuple(change.steps.all())
    state = steps[-1].state if steps else "planned"
    done = next((s.created_at for s in reversed(steps) if s.state == "done"), None)
    again = compared is not None and done is not None and compared > done
    return ChangeRow(change, state, steps, again)


def changes_of(visit: Visit) -> tuple[ChangeRow, ...]:
    """The current plan's changes in order."""
    known = rounds(visit)
    return known[-1].changes if known else ()


def earlier_changes(visit: Visit) -> tuple[ChangeRow, ...]:
    """Changes of the rounds before that something was recorded of."""
    return tuple(c for r in rounds(visit)[:-1] for c in r.changes if c.steps)


def done(visit: Visit) -> dict[str, float]:
    """Adjustable → everything that was turned in this visit and not undone."""
    return _sum(c for r in rounds(visit) for c in r.changes)


def since(visit: Visit, ride: str) -> dict[str, float]:
    """The part of `done` that this ride does not show: the rounds that were planned from it."""
    return _sum(c for r in rounds(visit) if r.ride == ride for c in r.changes)


def shown(visit: Visit, ride: str) -> dict[str, float]:
    """The part of `done` that this ride shows."""
    later = since(visit, ride)
    left = {n: d - later.get(n, 0.0) for n, d in done(visit).items()}
    return {n: d for n, d in left.items() if abs(d) > 1e-9}


def shown_u(visit: Visit, ride: str) -> dict[str, float]:
    """Adjustable → standard uncertainty of what this ride shows of it, as it was measured on the bike."""
    found: dict[str, float] = {}
    for c in (c for r in rounds(visit) if r.ride != ride for c in r.changes if c.state in MADE and c.delta_u):
        name = c.planned["adjustable"]
        found[name] = combine(found.get(name, 0.0), c.delta_u)
    return found


def undone(visit: Visit) -> frozenset[str]:
    """Adjustables whose change was taken back; they are not asked for again in this visit."""
    return frozenset(c.planned["adjustable"] for r in rounds(visit) for c in r.changes if c.state == "undone")


def done_or_undone(visit: Visit) -> bool:
    """Whether anything was turned in this visit."""
    return any(c.steps for r in rounds(visit) for c in r.changes)


def any_step(visit: Visit) -> bool:
    """Whether anything was recorded of the current plan's changes."""
    return any(c.steps for c in changes_of(visit))


def _sum(changes: Iterable[ChangeRow]) -> dict[str, float]:
    total: dict[str, float] = {}
    for c in changes:
        if c.state in MADE:
            name = c.planned["adjustable"]
            total[name] = total.get(name, 0.0) + c.delta
    return total


def record_step(
    change: Change, state: str, actual: float | None = None, note: str = "", u: float | None = None
) -> ChangeStep:
    """Record that a change was done (with the value then measured and its standard uncertainty), kept or undone."""
    if state not in STATES:
        raise InputError("state", "unknown", value=state, allowed=", ".join(STATES))
    before = change.steps.order_by("created_at", "pk").last()
    if state != "done" and (before is None or before.state == "undone"):
        raise InputError("state", f"nothing was done that could be {state}", value=state, allowed="done",
                         hint="Record it as done first")  # fmt: skip
    planned = change.planned
    if actual is not None:
        slack = SLACK.get(planned["unit"], 10.0)
        low, high = sorted((planned["before"], planned["after"]))
        if not low - slack <= actual <= high + slack:
            raise InputError(
                "actual", "is far from what was planned", value=actual,
                allowed=f"{low - slack:g} to {high + slack:g} {planned['unit']}",
                hint="Enter the value measured on the bike, not the change",
            )  # fmt: skip
    let_go(change.visit)
    return ChangeStep.objects.create(change=change, state=state, actual=actual, u=u, note=note)
