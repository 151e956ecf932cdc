"""A rider's numbers over the visits: read once for all, a small change called small, two visits beside each other."""

from __future__ import annotations

from datetime import timedelta

import pytest
from bench.large_studio import ride
from django.core.cache import cache
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from numpy.random import default_rng

from fitwright.errors import InputError
from fitwright.records.models import Analysis, Change, ChangeStep, Rating, Rider, Visit
from fitwright.studio import bike, intake, rider_page
from fitwright.studio.history import change, known
from fitwright.studio.visits import analyse, last_position, new_rider, open_visit, snapshot

pytestmark = pytest.mark.django_db
BIKE = {
    "saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
    "crank_mm": "172,5", "q_factor_mm": "148", "pedal_offset_mm": "53",
}  # fmt: skip


@pytest.fixture(autouse=True)
def nothing_remembered():
    cache.clear()


def came(rider: Rider, height: str, pain: str, days_ago: int, film: bool = False) -> Visit:
    visit = open_visit(rider, title=f"{days_ago} days ago")
    assert not bike.save_bike(visit, BIKE | {"saddle_height_mm": height}).errors
    assert not intake.save_intake(
        visit, {"goal": "no pain", "pain.knee_left": pain, "comfort.saddle": "5"}
    ).errors
    if film:
        analyse(visit, "ride", "side right before", ride("side right", default_rng(days_ago)))
    Visit.objects.filter(pk=visit.pk).update(opened_at=timezone.now() - timedelta(days=days_ago))
    visit.refresh_from_db()
    return visit


def course(page: rider_page.RiderPage, label: str) -> dict[str, tuple[rider_page.Cell, ...]]:
    (found,) = [c for c in (*page.body, *page.pain, *page.comfort) if c.label == label]
    return dict(found.rows)


def test_a_change_within_the_uncertainty_is_told_as_such_and_a_larger_one_is_not():
    rider = new_rider("Rosa Lind")
    for height, pain, ago in (("705", "6", 30), ("706", "5", 20), ("715", "2", 10)):
        came(rider, height, pain, ago)
    page = rider_page.page(rider)
    small, large = (c.since for c in course(page, "Saddle height")["both"][1:])
    assert small.words == "not distinguishable"
    assert not small.clear
    assert large.clear
    assert large.value.value == pytest.approx(9)
    less, much_less = (c.since for c in course(page, "Knee")["left"][1:])
    assert "not distinguishable" in less.words
    assert "matters to most people" in much_less.words
    (drawing,) = [c.svg for c in page.body if c.label == "Saddle height"]
    assert drawing.count('stroke-dasharray="1 4"') == 1  # the small step alone is dotted
    assert "not distinguishable from the value before" in drawing


def test_what_was_turned_shows_as_arrived_and_left():
    rider = new_rider("Rosa Lind")
    visit = came(rider, "705", "6", 3)
    first = last_position(visit)
    points = first.data["contact_points"] | {"saddle_height_mm": 712.0}
    snapshot(visit, "left", dict(first.data) | {"contact_points": points}, parent=first)
    plan = analyse(visit, "plan", "plan", {})
    turned = Change.objects.create(
        visit=visit, plan=plan, order=1, planned={"words": "raise the saddle: from 705 to 712"}
    )
    other = Change.objects.create(visit=visit, plan=plan, order=2, planned={"words": "lower the hoods"})
    for what, state in ((turned, "done"), (turned, "kept"), (other, "done"), (other, "undone")):
        step = ChangeStep.objects.create(change=what, state=state)
    Rating.objects.create(visit=visit, kind="pain", site="knee_left", moment="step", step=step, value=3)
    page = rider_page.page(rider)
    (cell,) = course(page, "Saddle height")["both"]
    assert (cell.before.value, cell.now.value) == (705, 712)
    assert cell.within.clear
    (knee,) = course(page, "Knee")["left"]
    assert (knee.before.value, knee.now.value) == (6, 3)
    (past,) = page.visits
    assert past.changed == ("raise the saddle",)
    assert past.position.startswith("left: saddle height 712 mm")
    assert past.pain == "knee, left 6 of 10"


def test_queries_do_not_grow_with_visits_and_a_ride_is_read_from_its_record_once():
    def queries(rider: Rider) -> int:
        with CaptureQueriesContext(connection) as seen:
            rider_page.page(rider)
        return len(seen)

    few, many = new_rider("Ann One"), new_rider("Ben Two")
    came(few, "705", "4", 1, film=True)
    for n in range(5):
        came(many, "705", "4", n, film=True)
    assert queries(few) == queries(many)
    assert queries(many) == queries(few)  # both remembered now
    with CaptureQueriesContext(connection) as seen:
        known(list(Visit.objects.filter(rider=many)))
    assert not any("quantities" in q["sql"] for q in seen)


def test_a_ride_gives_the_same_values_with_and_without_its_curves():
    rider = new_rider("Rosa Lind")
    visit = came(rider, "705", "6", 1, film=True)
    (one,) = known([visit])
    told = Analysis.objects.get(kind="ride").result["ride"]["quantities"]["right"]["knee_flexion_deg"]["bdc"]
    assert one.before["knee_flexion_deg.bdc", "right"].value == told["value"]
    assert one.before["knee_flexion_deg.bdc", "right"].u == told["u"]


def test_two_visits_stand_in_the_order_of_time_whichever_is_named_first():
    rider = new_rider("Rosa Lind")
    old, new = came(rider, "705", "6", 9), came(rider, "715", "2", 1)
    for pair in ((old.pk, new.pk), (new.pk, old.pk)):
        first, second, rows = rider_page.compare(rider, *pair)
        assert (first, second) == (old, new)
        (height,) = [r for r in rows if r.label == "Saddle height"]
        assert height.change.value.value == pytest.approx(10)
        assert "left: saddle" not in height.svg
    for wrong in ((old.pk, old.pk), (old.pk, 0), (old.pk, came(new_rider("Other"), "700", "0", 1).pk)):
        with pytest.raises(InputError, match="two different visits"):
            rider_page.compare(rider, *wrong)


def test_more_visits_than_one_page_holds_are_turned_back_to():
    rider = new_rider("Rosa Lind")
    for _ in range(rider_page.PAGE + 2):
        open_visit(rider)
    first = rider_page.page(rider)
    rest = rider_page.page(rider, first.earlier)
    assert len(first.visits) == rider_page.PAGE
    assert len(rest.visits) == 2
    assert rest.earlier == 0
    assert not {p.visit.pk for p in first.visits} & {p.visit.pk for p in rest.visits}


def test_within_a_visit_the_stickers_stay_on_and_between_visits_they_are_set_again():
    rider = new_rider("Rosa Lind")
    (one,) = known([came(rider, "705", "6", 1, film=True)])
    key = ("knee_flexion_deg.bdc", "right")
    before = one.before[key].widened(3.0)
    assert change(key, before, before, same_visit=True).value.u < change(key, before, before).value.u
