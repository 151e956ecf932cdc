"""The first page: visits of today and before, and the riders, found by name while it is typed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time, timedelta

from django.db.models import OuterRef, Q, QuerySet, Subquery
from django.utils import timezone

from fitwright.records.models import Rider, Visit
from fitwright.records.names import called
from fitwright.studio.followups import overdue

PAGE = 30
MOST_TODAY, MOST_BEFORE = 60, 12
LONGEST_QUERY = 120


@dataclass(frozen=True)
class Riders:
    """One page of riders in the order of their names; `after` is the key to ask the next page with, 0 at the end.

    `begun` says whether it is the first page.
    """

    riders: tuple[Rider, ...]
    query: str
    after: int
    begun: bool


@dataclass(frozen=True)
class Front:
    """The first page; while a name is looked for, `before` holds the visits of those found. `due`: how many riders
    should be met again by now."""

    found: Riders
    today: tuple[Visit, ...]
    before: tuple[Visit, ...]
    due: int = 0

    @property
    def empty(self) -> bool:
        """Whether nobody has ever come."""
        return not (self.found.riders or self.found.query) and self.found.begun


def front(query: str = "", after: int = 0) -> Front:
    """Riders whose name holds every word of `query` (all when it is empty), beginning behind the rider `after`."""
    found = riders(query, after)
    visits = Visit.objects.select_related("rider", "bike")
    if found.query:
        return Front(found, (), tuple(visits.filter(rider__in=[r.pk for r in found.riders])[:MOST_BEFORE]))
    midnight = timezone.make_aware(datetime.combine(timezone.localdate(), time()))
    day = Q(opened_at__gte=midnight, opened_at__lt=midnight + timedelta(days=1))
    return Front(
        found, tuple(visits.filter(day)[:MOST_TODAY]),
        tuple(visits.filter(opened_at__lt=midnight)[:MOST_BEFORE]), overdue(),
    )  # fmt: skip


def riders(query: str = "", after: int = 0) -> Riders:
    """One page of riders, each with the day of the last visit as `last_here`."""
    query = " ".join(query.split())[:LONGEST_QUERY]
    rows: QuerySet[Rider] = called(Rider.objects.all(), query)
    if after:
        name = Rider.objects.filter(pk=after).values_list("folded", flat=True).first() or ""
        rows = rows.filter(folded__gte=name).filter(Q(folded__gt=name) | Q(pk__gt=after))
    latest = Visit.objects.filter(rider=OuterRef("pk")).order_by("-opened_at").values("opened_at")[:1]
    some = list(rows.annotate(last_here=Subquery(latest)).order_by("folded", "pk")[: PAGE + 1])
    return Riders(tuple(some[:PAGE]), query, some[PAGE - 1].pk if len(some) > PAGE else 0, not after)
