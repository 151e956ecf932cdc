"""Whom to meet again: overdue first, closed when the rider comes, and a calendar that says no more than it may.

The calendar is read by the `icalendar` library, and line by line against RFC 5545.
"""

from __future__ import annotations

from datetime import date, timedelta

import icalendar
import pytest
from django.utils import timezone

from fitwright.errors import InputError
from fitwright.records.models import Change, ChangeStep, Visit
from fitwright.studio import followups, handover
from fitwright.studio.visits import analyse, answers, new_rider, open_visit

pytestmark = pytest.mark.django_db
NAMES = ("Rosa Lind", "محمد بن عبد الله", "王小明 " * 20, 'Ann; "Other", \\ N\nBEGIN:VEVENT')


def waited_for(name: str, in_days: int) -> Visit:
    visit = open_visit(new_rider(name))
    followups.set_day(visit, timezone.localdate() + timedelta(days=in_days))
    return visit


def test_the_longest_overdue_comes_first():
    for days in (40, -3, 0, -30, 5):
        waited_for(f"in {days}", days)
    told = followups.due_list()
    assert [d.visit.rider.name for d in told.overdue] == ["in -30", "in -3"]
    assert [d.words for d in told.overdue] == ["30 days overdue", "3 days overdue"]
    assert [d.words for d in told.soon] == ["today", "in 5 days"]
    assert [d.words for d in told.later] == ["in 40 days"]
    assert followups.overdue() == 3


def test_a_rider_who_comes_again_or_is_crossed_out_is_no_longer_waited_for():
    came, crossed, other = (waited_for(n, -2) for n in ("came", "crossed", "other"))
    open_visit(came.rider)
    followups.cross_out(crossed)
    assert [d.visit for d in followups.due_list().overdue] == [other]
    assert answers(crossed, "handover")["follow_up"]  # what was agreed on stays on record
    followups.set_day(
        came, timezone.localdate()
    )  # an old visit whose day is changed afterwards opens nothing
    assert [d.visit for d in followups.due_list().overdue] == [other]


def test_every_page_of_a_long_list_continues_the_one_before():
    for n in range(followups.PAGE + 3):
        waited_for(f"rider {n}", n // 4)
    first = followups.due_list()
    rest = followups.due_list(first.after)
    pages = [{d.visit.pk for d in (*p.overdue, *p.soon, *p.later)} for p in (first, rest)]
    assert (len(pages[0]), len(pages[1])) == (followups.PAGE, 3)
    assert not pages[0] & pages[1]
    assert rest.after == 0


def test_the_proposed_day_follows_the_plan_in_cautious_steps():
    visit = open_visit(new_rider("Rosa Lind"))
    today = timezone.localdate()
    assert followups.proposed_day(visit) == today + timedelta(weeks=26)
    plan = analyse(visit, "plan", "plan", {"later": []})
    change = Change.objects.create(
        visit=visit, plan=plan, order=1, planned={"words": "raise the saddle", "adjustable": "x"}
    )
    assert followups.proposed_day(visit) == today + timedelta(weeks=26)
    ChangeStep.objects.create(change=change, state="done")
    visit = Visit.objects.get(pk=visit.pk)
    assert followups.proposed_day(visit) == today + timedelta(weeks=4)
    analyse(visit, "plan", "plan", {"later": ["the rest of the saddle"]})
    assert followups.proposed_day(visit) == today + timedelta(weeks=2)
    Visit.objects.filter(pk=visit.pk).update(opened_at=timezone.now() - timedelta(days=400))
    assert followups.proposed_day(Visit.objects.get(pk=visit.pk)) == today + timedelta(days=1)


def test_no_day_at_all_may_be_agreed_on():
    visit = waited_for("Rosa Lind", 3)
    handover.save_follow_up(visit, "")
    visit.refresh_from_db()
    assert visit.follow_up_on is None
    assert handover.page(visit).follow_up == ""


@pytest.mark.parametrize(
    ("shows", "wanted"),
    [("nobody", "Follow-up"), ("initials", "Follow-up RL"), ("name", "Follow-up Rosa Lind")],
)
def test_an_entry_says_what_the_studio_chose_and_no_more(shows: str, wanted: str):
    visit = waited_for("Rosa Lind", 3)
    file = followups.calendar(shows)
    (event,) = icalendar.Calendar.from_ical(file).walk("VEVENT")
    assert str(event["SUMMARY"]) == wanted
    assert event["DTSTART"].dt == visit.follow_up_on
    assert (event["DTEND"].dt - event["DTSTART"].dt).days == 1
    assert set(event) == {"UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "TRANSP"}
    if shows == "nobody":
        assert b"Rosa" not in file


def test_the_file_keeps_to_the_standard_whatever_the_names_are():
    visits = [waited_for(name, n) for n, name in enumerate(NAMES)]
    file = followups.calendar("name")
    lines = file.split(b"\r\n")
    assert lines[-1] == b""
    assert all(len(line) <= 75 for line in lines)  # RFC 5545, 3.1: octets
    assert b"\n" not in file.replace(b"\r\n", b"")
    assert all(line.decode() for line in lines[:-1])  # no character is torn
    calendar = icalendar.Calendar.from_ical(file)
    assert calendar["VERSION"] == "2.0"
    assert calendar["PRODID"]
    events = calendar.walk("VEVENT")
    assert len(events) == len(visits)
    assert not any(e.errors for e in events)
    said = {str(e["SUMMARY"]).removeprefix("Follow-up ") for e in events}
    assert said == {" ".join(n.replace("\n", " ").split("\n")).strip() for n in NAMES}


def test_an_entry_keeps_its_name_when_its_day_is_moved():
    visit = waited_for("Rosa Lind", 3)
    other = waited_for("Ben Other", 3)

    def uids() -> dict[date, str]:
        return {
            e["DTSTART"].dt: str(e["UID"])
            for e in icalendar.Calendar.from_ical(followups.calendar()).walk("VEVENT")
        }

    followups.set_day(other, timezone.localdate() + timedelta(days=9))
    before = uids()
    followups.set_day(visit, timezone.localdate() + timedelta(days=20))
    after = uids()
    assert set(before.values()) == set(after.values())
    assert len(set(after.values())) == 2


def test_an_empty_calendar_is_a_calendar_and_an_unknown_wish_is_refused():
    assert icalendar.Calendar.from_ical(followups.calendar()).walk("VEVENT") == []
    with pytest.raises(InputError, match="nobody, initials, name"):
        followups.calendar("everything")
