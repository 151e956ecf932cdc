"""A returning rider: what was measured before is offered, taken over as what it is, and never as new."""

from __future__ import annotations

import pytest
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.records.models import Bike, Measurement, Visit
from fitwright.studio import bike, body, undo
from fitwright.studio.earlier import earlier_of, take_over
from fitwright.studio.edits import tops
from fitwright.studio.visits import last_position, measured, open_visit
from fitwright.told import day_of_record
from ridden_visit import typed_visit

pytestmark = pytest.mark.django_db


@pytest.fixture
def again() -> Visit:
    """The second visit of a rider, on the same bike; the first one was measured."""
    first = typed_visit()
    return open_visit(first.rider, use="road", bike=first.bike)


def fresh(visit: Visit) -> Visit:
    return Visit.objects.get(pk=visit.pk)


def test_only_what_is_empty_is_offered_and_from_the_same_bike(again):
    offered = {o.field.name for o in earlier_of(again, "body").offered}
    assert {"height_mm", "inseam_mm", "hanging_foot_left"} <= offered
    body.save_body(again, {"inseam_mm": "810"})
    assert "inseam_mm" not in {o.field.name for o in earlier_of(fresh(again), "body").offered}
    assert earlier_of(again, "bike") is not None
    other = open_visit(again.rider, use="road", bike=Bike.objects.create(rider=again.rider, name="other"))
    assert earlier_of(other, "bike") is None
    assert earlier_of(other, "intake") is None
    assert earlier_of(typed_visit(), "body") is None  # a first visit


def test_taken_over_it_keeps_its_uncertainty_and_says_since_when(again):
    take_over(again, "bike")
    row = measured(fresh(again), "bike")["saddle_height_mm", ""]
    first = Measurement.objects.filter(key="saddle_height_mm").order_by("pk").first()
    assert (row.value, row.u) == (first.value, first.u)
    assert row.method == f"{first.method}; not measured again since {day_of_record(first.created_at.date())}"
    assert (
        last_position(fresh(again)) is not None
    )  # the bike is whole: where the rider stands on arrival is kept
    with pytest.raises(InputError, match="nothing that is empty here"):
        take_over(fresh(again), "bike")


def test_a_third_visit_keeps_the_day_of_the_measuring(again):
    take_over(again, "body")
    third = open_visit(again.rider, use="road", bike=again.bike)
    take_over(third, "body")
    method = measured(third, "body")["height_mm", ""].method
    assert method.count("not measured again since") == 1


def test_saving_the_page_measures_nothing_and_typing_does(again):
    take_over(again, "bike")
    entries = {e.field.name: e for g in bike.page(fresh(again)).groups for e in g.entries}
    page = {
        n: v for n, e in entries.items() for n, v in ((n, e.text), (f"{n}.u", e.u_text), (f"{n}.how", e.how))
    }
    assert entries["saddle_height_mm"].how == "earlier"
    assert "not measured again since" in entries["saddle_height_mm"].recorded
    assert bike.save_bike(fresh(again), page).written == []
    page |= {"saddle_height_mm": "707"}
    assert bike.save_bike(fresh(again), page).written == ["saddle_height_mm"]
    assert measured(fresh(again), "bike")["saddle_height_mm", ""].method == "ruler or tape"
    # The same number read again with a ruler is a measurement.
    assert bike.save_bike(fresh(again), page | {"crank_mm.how": "ruler", "crank_mm.u": ""}).written == [
        "crank_mm"
    ]


def test_readings_saved_with_the_page_stay_what_they_were(again):
    take_over(again, "body")
    entries = {e.field.name: e for g in body.page(fresh(again)).groups for e in g.entries}
    page = {n: e.text for n, e in entries.items() if e.text}
    written = body.save_body(
        fresh(again), page | {f"{n}.how": e.how for n, e in entries.items() if e.how}
    ).written
    assert set(written) <= {"hanging_line"}  # the page shows the usual line, and saving it says so


def test_one_undo_takes_all_of_it_back(again):
    take_over(again, "body")
    undo.undo(fresh(again), tops(fresh(again)).undo.pk)
    assert measured(fresh(again), "body") == {}
    assert earlier_of(fresh(again), "body") is not None


def test_on_the_page(client, again):
    where = reverse("bike", args=[again.pk])
    assert 'value="take_over"' in client.get(where).content.decode()
    said = client.post(where, {"action": "take_over", "version": again.version}, follow=True).content.decode()
    assert "Taken over: saddle height 705" in said
    assert 'value="take_over"' not in said
    assert '<option value="earlier" selected>as last time</option>' in said
    stale = client.post(reverse("body", args=[again.pk]), {"action": "take_over", "version": again.version},
                        follow=True).content.decode()  # fmt: skip
    assert "was changed" in stale or "saved elsewhere" in stale or "another window" in stale
