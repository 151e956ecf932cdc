"""A day ends at the studio's midnight, not at Greenwich's."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, date, datetime

import pytest
from django.utils import timezone

from fitwright.records.models import Visit
from fitwright.studio import followups
from fitwright.studio.riders import front
from fitwright.studio.visits import new_rider, open_visit

MAIN = "from fitwright.cli.main import main; main()"
READ = "from fitwright.settings import TIME_ZONE; print(TIME_ZONE)"


@pytest.fixture
def evening(monkeypatch) -> datetime:
    """20:30 on 3 May in Los Angeles, when it is 4 May in Greenwich."""
    now = datetime(2026, 5, 4, 3, 30, tzinfo=UTC)
    monkeypatch.setattr(timezone, "now", lambda: now)
    return now


@pytest.mark.django_db
def test_todays_visits_are_those_of_the_studios_day(evening):
    rider = new_rider("Rosa Lind")
    opened = {
        "yesterday evening": datetime(2026, 5, 3, 5, 0, tzinfo=UTC),  # 22:00 on the 2nd
        "this morning": datetime(2026, 5, 3, 16, 0, tzinfo=UTC),
        "just now": evening,
    }
    for title, at in opened.items():
        visit = open_visit(rider, title=title)
        Visit.objects.filter(pk=visit.pk).update(opened_at=at)
    with timezone.override("America/Los_Angeles"):
        assert {v.title for v in front().today} == {"this morning", "just now"}
    with timezone.override("UTC"):
        assert {v.title for v in front().today} == {"just now"}


@pytest.mark.django_db
def test_a_day_is_due_when_it_begins_here(evening):
    visit = open_visit(new_rider("Rosa Lind"))
    Visit.objects.filter(pk=visit.pk).update(follow_up_on=date(2026, 5, 4))
    with timezone.override("America/Los_Angeles"):
        assert followups.overdue() == 0
        assert followups.due_list().soon[0].days == 1
    with timezone.override("UTC"):
        assert followups.overdue() == 1


@pytest.mark.parametrize("name", ["Europe/Vienna", "Asia/Kolkata"])
def test_a_zone_can_be_named(name, monkeypatch, tmp_path):
    monkeypatch.setenv("FITWRIGHT_TIME_ZONE", name)
    ran = subprocess.run([sys.executable, "-c", READ], capture_output=True, text=True, check=True)
    assert ran.stdout.strip() == name


def test_a_zone_that_is_none_is_told_in_one_line(monkeypatch, tmp_path):
    monkeypatch.setenv("FITWRIGHT_TIME_ZONE", "Vienna time")
    ran = subprocess.run(
        [sys.executable, "-c", MAIN, "studio", "storage", "--studio", str(tmp_path)],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert ran.returncode == 2
    assert "“Vienna time” is no time zone" in ran.stderr
    assert "Europe/Vienna" in ran.stderr
