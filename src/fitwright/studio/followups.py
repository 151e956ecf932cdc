"""Meeting again: the day agreed on at handover, the list of those due, the same as a calendar file.

Weeks until then are common practice, no source: two while the plan leaves something for another visit, because it
turns no bolt further than one cautious step; four after a change; half a year when nothing was turned.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta

from django.db.models import Q
from django.utils import timezone
from django.utils.crypto import salted_hmac

from fitwright.errors import InputError
from fitwright.records.models import Answer, Visit
from fitwright.studio import doing
from fitwright.studio.edits import record
from fitwright.studio.visits import analysis, answer, answers, touch

STATION, DAY, MET = "handover", "follow_up", "follow_up_met"
PAGE, MOST_IN_CALENDAR = 60, 3000
SOON = timedelta(days=7)
WEEKS = {"more to do": 2, "changed": 4, "as it was": 26}
SHOWS = (("nobody", "no name"), ("initials", "initials"), ("name", "the whole name"))
"""What a calendar entry may say of the rider: the studio's own choice, made each time the file is made."""


@dataclass(frozen=True)
class Due:
    """One open follow-up; `days`: until then, below 0 when it is overdue. `last`: the visit in a few words."""

    visit: Visit
    on: date
    days: int

    @property
    def words(self) -> str:
        """`9 days overdue`, `today`, `in 3 days`."""
        if self.days == 0:
            return "today"
        if abs(self.days) == 1:
            return "in 1 day" if self.days > 0 else "1 day overdue"
        return f"in {self.days} days" if self.days > 0 else f"{-self.days} days overdue"


@dataclass(frozen=True)
class DueList:
    """Open follow-ups, the longest overdue first; `after`: key to ask the next page with, 0 at the end."""

    overdue: tuple[Due, ...]
    soon: tuple[Due, ...]
    later: tuple[Due, ...]
    after: int

    @property
    def empty(self) -> bool:
        """Whether nobody is to be met again."""
        return not (self.overdue or self.soon or self.later)


def set_day(visit: Visit, day: date | None) -> None:
    """Agree on the day to meet again, or on none."""
    said = day.isoformat() if day else None
    if answers(visit, STATION).get(DAY) != said:
        touch(visit)
        record(visit, STATION, "typed", [("follow-up day", answer(visit, STATION, DAY, said))])
    settle(visit, (DAY,))


def settle(visit: Visit, changed: Collection[str]) -> None:
    """Open the follow-up on the agreed day; one of an earlier visit than the rider's latest stays closed."""
    if DAY not in changed:
        return
    latest = Visit.objects.filter(rider=visit.rider_id).values_list("pk", flat=True).first()
    said = answers(visit, STATION).get(DAY)
    visit.follow_up_on = date.fromisoformat(said) if said and visit.pk == latest else None
    Visit.objects.filter(pk=visit.pk).update(follow_up_on=visit.follow_up_on)


def cross_out(visit: Visit) -> None:
    """Take the visit off the list: met, or no longer wanted. The agreed day stays on record."""
    answer(visit, STATION, MET, timezone.localdate().isoformat())
    Visit.objects.filter(pk=visit.pk).update(follow_up_on=None)


def proposed_day(visit: Visit) -> date:
    """The day that the form starts from, counted from the day of the visit and never in the past."""
    made = any(r.state in doing.MADE for r in doing.changes_of(visit))
    kind = "more to do" if _leaves_some(visit) else "changed" if made else "as it was"
    day = timezone.localdate(visit.opened_at) + timedelta(weeks=WEEKS[kind])
    return max(day, timezone.localdate() + timedelta(days=1))


def _leaves_some(visit: Visit) -> bool:
    """Whether the plan would turn more at another visit."""
    row = analysis(visit, "plan", "plan")
    return bool(row and row.result.get("later"))


def due_list(after: int = 0) -> DueList:
    """Open follow-ups by day, one page of them, beginning behind the visit `after`."""
    rows = (
        Visit.objects.filter(follow_up_on__isnull=False)
        .select_related("rider", "bike")
        .order_by("follow_up_on", "pk")
    )
    last = Visit.objects.filter(pk=after, follow_up_on__isnull=False).first() if after else None
    if last is not None:
        rows = rows.filter(
            Q(follow_up_on__gt=last.follow_up_on) | Q(follow_up_on=last.follow_up_on, pk__gt=last.pk)
        )
    some = list(rows[: PAGE + 1])
    today = timezone.localdate()
    told = [Due(v, v.follow_up_on, (v.follow_up_on - today).days) for v in some[:PAGE] if v.follow_up_on]
    return DueList(
        tuple(d for d in told if d.days < 0), tuple(d for d in told if 0 <= d.days <= SOON.days),
        tuple(d for d in told if d.days > SOON.days), some[PAGE - 1].pk if len(some) > PAGE else 0,
    )  # fmt: skip


def overdue() -> int:
    """How many are due today or overdue."""
    return Visit.objects.filter(follow_up_on__lte=timezone.localdate()).count()


def calendar(shows: str = "nobody") -> bytes:
    """All open follow-ups as an iCalendar file (RFC 5545), whole days. InputError for an unknown `shows`."""
    if shows not in dict(SHOWS):
        raise InputError("shows", "unknown", value=shows[:20], allowed=", ".join(k for k, _ in SHOWS))
    rows = (
        Visit.objects.filter(follow_up_on__isnull=False)
        .select_related("rider")
        .order_by("follow_up_on", "pk")
    )
    visits = list(rows[:MOST_IN_CALENDAR])
    agreed = Answer.objects.current().filter(visit__in=[v.pk for v in visits], station=STATION, key=DAY)
    said = dict(agreed.values_list("visit_id", "created_at"))
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Fitwright//Follow-ups//EN", "CALSCALE:GREGORIAN"]
    for visit in visits:
        lines += _event(visit, said.get(visit.pk, visit.opened_at), shows)
    return "".join(_folded(line) for line in [*lines, "END:VCALENDAR"]).encode()


def _event(visit: Visit, agreed: datetime, shows: str) -> Iterable[str]:
    """One day; its UID follows from the visit and this studio's own key, and says nothing of either."""
    assert visit.follow_up_on is not None
    uid = salted_hmac("fitwright follow-up", str(visit.pk)).hexdigest()[:32]
    who = {"nobody": "", "initials": _initials(visit.rider.name), "name": visit.rider.name}[shows]
    yield "BEGIN:VEVENT"
    yield f"UID:{uid}@fitwright"
    yield f"DTSTAMP:{agreed.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    yield f"DTSTART;VALUE=DATE:{visit.follow_up_on:%Y%m%d}"
    yield f"DTEND;VALUE=DATE:{visit.follow_up_on + timedelta(days=1):%Y%m%d}"
    yield f"SUMMARY:{_escaped(f'Follow-up {who}'.strip())}"
    yield "TRANSP:TRANSPARENT"
    yield "END:VEVENT"


def _initials(name: str) -> str:
    return "".join(word[0] for word in name.split())


def _escaped(text: str) -> str:
    """RFC 5545, 3.3.11; control characters left out."""
    plain = "".join(" " if c in "\r\n\t" else c for c in text if ord(c) >= 32 or c in "\r\n\t")
    return plain.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,")


def _folded(line: str) -> str:
    """The content line with its line break, no part longer than 75 octets (RFC 5545, 3.1), no character torn."""
    parts, part, most = [], "", 75
    for character in line:
        if len((part + character).encode()) > most:
            parts.append(part)
            part, most = "", 74  # one goes to the space that a continuation begins with
        part += character
    return "\r\n ".join([*parts, part]) + "\r\n"
