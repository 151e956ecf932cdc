"""What the archive has learnt: how riders share out a change, and how often predicted intervals held.

Both are worked out from the recorded outcomes, newest last, and again whenever one is added.
Simulated riders teach nothing about real ones and are counted apart.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.db.models import Max

from fitwright.linkage.learning import Pair, from_riders, updated
from fitwright.linkage.response import ResponseModel
from fitwright.plan.outcome import Coverage, coverage
from fitwright.records.models import Analysis, Visit
from fitwright.studio.remembered import remembered

MOST = 500  # newest outcomes that are read; enough for the population, and bounded
LAST = 40


@dataclass(frozen=True)
class Told:
    """What one recorded outcome says: whose it is, its pairs, and its rows as far as `coverage` looks at them."""

    rider: int
    pairs: tuple[Pair, ...]
    rows: tuple[Mapping[str, Any], ...]


def response_for(visit: Visit, *, this_visit_too: bool = False) -> ResponseModel:
    """This rider's shares: the archive's other riders as prior, updated by the rider's own earlier visits.

    `this_visit_too`: also by what was measured in this visit (to plan on from there; not to judge its prediction).
    """
    me, simulated = visit.rider.pk, visit.rider.simulated
    prior = remembered(
        ("shares of others", me, newest(simulated=simulated)),
        lambda: from_riders(_by_rider(_outcomes(simulated=simulated), without=me)),
    )
    own = Analysis.objects.current().filter(
        kind="outcome", visit__rider=me, visit__opened_at__lte=visit.opened_at
    )
    if not this_visit_too:
        own = own.exclude(visit=visit)
    return updated(prior, [p for r in own.order_by("pk").values_list("result", flat=True) for p in _pairs(r)])


def kept_intervals(*, simulated: bool, last: int = LAST) -> Coverage:
    """How many of the last predicted 80 % intervals held, over all visits."""
    return coverage([row for told in _outcomes(simulated=simulated) for row in told.rows], last)


def everybody(*, simulated: bool) -> ResponseModel:
    """The shares that the archive predicts for a rider it has not seen."""
    return from_riders(_by_rider(_outcomes(simulated=simulated)))


def newest(*, simulated: bool) -> Hashable:
    """Something that changes whenever an outcome is recorded or replaced."""
    rows = Analysis.objects.filter(kind="outcome", visit__rider__simulated=simulated)
    return tuple(sorted(rows.aggregate(pk=Max("pk"), at=Max("created_at")).items()))


def _outcomes(*, simulated: bool) -> tuple[Told, ...]:
    """The newest outcomes that nothing replaced, oldest first."""

    def read() -> tuple[Told, ...]:
        rows = Analysis.objects.current().filter(kind="outcome", visit__rider__simulated=simulated)
        found = rows.order_by("-pk").values_list("visit__rider_id", "result")[:MOST]
        return tuple(
            Told(rider, tuple(_pairs(result)), tuple(
                {"held80": r["held80"], "predicted": {"u": r["predicted"]["u"]}} for r in result.get("rows", ())
            ))
            for rider, result in reversed(found)
        )  # fmt: skip

    return remembered(("outcomes", simulated, newest(simulated=simulated)), read)


def _by_rider(outcomes: Sequence[Told], without: int = 0) -> list[list[Pair]]:
    """Pairs of each rider but one."""
    found: dict[int, list[Pair]] = defaultdict(list)
    for told in outcomes:
        if told.rider != without:
            found[told.rider] += told.pairs
    return list(found.values())


def _pairs(result: Mapping[str, Any]) -> list[Pair]:
    """What one outcome says about the shares; nothing where it was recorded before pairs were kept."""
    return [Pair.from_json(p) for p in result.get("pairs", ())]
