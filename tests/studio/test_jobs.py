"""Long work started from a page: it waits, runs, and what a user can mend is kept with it."""

from __future__ import annotations

import pytest
from django.utils import timezone

from fitwright.records.models import Work
from fitwright.studio import jobs
from fitwright.studio.visits import answer, new_rider, open_visit

pytestmark = pytest.mark.django_db


@pytest.fixture
def at_once(settings):
    """Tasks run where they are queued."""
    settings.TASKS = {"default": {"BACKEND": "django_tasks.backends.immediate.ImmediateBackend"}}


def test_what_is_missing_is_told_with_the_work(at_once):
    visit = open_visit(new_rider("Rosa Lind"))
    jobs.start_film(visit, "front", "before")
    work = Work.objects.get()
    assert work.state == "failed"
    assert work.title == "Following the points, front, before"
    assert "Film: there is none from the front, as it came" in work.error["error"]


def test_a_plan_without_a_ride_is_told_with_the_work(at_once):
    visit = open_visit(new_rider("Rosa Lind"))
    jobs.start_plan(visit)
    work = Work.objects.get()
    assert (work.state, work.kind) == ("failed", "plan")
    assert "Ride station" in work.error["error"]


def test_the_same_work_waits_only_once():
    visit = open_visit(new_rider("Rosa Lind"))
    jobs.start_plan(visit)
    jobs.start_plan(visit)
    assert Work.objects.filter(state="waiting").count() == 1


def test_a_film_that_is_being_followed_waits_again_only_for_new_points():
    visit = open_visit(new_rider("Rosa Lind"))
    answer(visit, "ride", "marks front before", {"time_s": 0})
    title = "Following the points, front, before"
    Work.objects.create(visit=visit, kind="ride", title=title, state="running", started_at=timezone.now())
    jobs.start_film(visit, "front", "before")
    assert not Work.objects.filter(state="waiting").exists()
    answer(visit, "ride", "marks front before", {"time_s": 1})
    jobs.start_film(visit, "front", "before")
    assert Work.objects.filter(state="waiting").count() == 1


def test_work_stopped_while_it_waited_does_not_begin(at_once):
    visit = open_visit(new_rider("Rosa Lind"))
    stopped = Work.objects.create(visit=visit, kind="plan", title="Making the plan", state="stopped")
    jobs.make_plan.enqueue(visit.pk, stopped.pk)
    stopped.refresh_from_db()
    assert stopped.state == "stopped"
    assert Work.objects.count() == 1
