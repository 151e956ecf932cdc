"""What the archive has learnt: how riders share out a change, and how often predicted intervals held.

Both are worked out from the recorded outcomes each time, newest rows last; nothing is kept that could go stale.
Simulated riders teach nothing about real ones and are counted apart.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from typing import Any

from fitwright.linkage.learning import Pair, from_riders, updated
from fitwright.linkage.response import ResponseModel
from fitwright.plan.outcome import Coverage, coverage
from fitwright.records.models import Analysis, Visit
from fitwright.studio.remembered import remembered

MOST = 500  # newest outcomes that are read; enough for the population, and bounded
LAST = 40
Row = tuple[int, int, Mapping[str, Any]]


def response_for(visit: Visit, *, this_visit_too: bool = False) -> ResponseModel:
    """This rider's shares: the archive's other riders as prior, updated by the rider's own earlier visits.

    `this_visit_too`: also by what was measured in this visit (to plan on from there; not to judge its prediction).
    """
    rows = _outcomes(simulated=visit.rider.simulated)
    newest = max((pk for pk, _, _ in rows), default=0)

    me = visit.rider.pk
    prior = remembered(
        ("shares of others", me, newest, len(rows)), lambda: from_riders(_by_rider(rows, without=me))
    )
    own = Analysis.objects.current().filter(
        kind="outcome", visit__rider=me, visit__opened_at__lte=visit.opened_at
    )
    if not this_visit_too:
        own = own.exclude(visit=visit)
    return updated(prior, [p for r in own.order_by("pk").values_list("result", flat=True) for p in _pairs(r)])


def kept_intervals(*, simulated: bool, last: int = LAST) -> Coverage:
    """How many of the last predicted 80 % intervals held, over all visits."""
    rows = [r for _, _, result in _outcomes(simulated=simulated) for r in result.get("rows", ())]
    return coverage(rows, last)


def everybody(*, simulated: bool) -> ResponseModel:
    """The shares that the archive predicts for a rider it has not seen."""
    return from_riders(_by_rider(_outcomes(simulated=simulated)))


def _outcomes(*, simulated: bool) -> Sequence[Row]:
    """(key, rider, result) of the newest outcomes that nothing replaced, oldest first."""
    rows = Analysis.objects.current().filter(kind="outcome", visit__rider__simulated=simulated)
    newest = rows.order_by("-pk").values_list("pk", "visit__rider_id", "result")[:MOST]
    return list(reversed(newest))


def _by_rider(rows: Sequence[Row], without: int = 0) -> list[list[Pair]]:
    """Pairs of each rider but one."""
    found: dict[int, list[Pair]] = defaultdict(list)
    for _, rider, result in rows:
        if rider != without:
            found[rider] += _pairs(result)
    return list(found.values())


def _pairs(result: Mapping[str, Any]) -> list[Pair]:
    """What one outcome says about the shares; nothing where it was recorded before pairs were kept."""
    return [Pair.from_json(p) for p in result.get("pairs", ())]
