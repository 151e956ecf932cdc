"""What is measured or decided is never overwritten."""

from __future__ import annotations

import pytest

from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.append_only import WrittenOnce
from fitwright.records.models import Measurement, Position
from fitwright.studio import visits

pytestmark = pytest.mark.django_db


@pytest.fixture
def visit():
    return visits.open_visit(visits.new_rider("Ana Invented"))


def test_a_correction_is_a_new_row_that_points_to_the_old(visit) -> None:
    first = visits.measure(visit, "body", "height_mm", Measured(1710, 5, "mm", "tape"))
    second = visits.measure(visit, "body", "height_mm", Measured(1701, 3, "mm", "tape"))
    assert second.replaces == first
    assert visits.measured(visit, "body")["height_mm", ""].value == 1701
    assert Measurement.objects.count() == 2


def test_rows_refuse_update_and_delete(visit) -> None:
    row = visits.measure(visit, "body", "height_mm", Measured(1710, 5, "mm", "tape"))
    row.value = 1
    with pytest.raises(WrittenOnce):
        row.save()
    with pytest.raises(WrittenOnce):
        row.delete()
    with pytest.raises(WrittenOnce):
        Measurement.objects.filter(pk=row.pk).update(value=1)
    with pytest.raises(WrittenOnce):
        Measurement.objects.all().delete()
    assert visits.measured(visit, "body")["height_mm", ""].value == 1710


def test_positions_form_a_chain(visit) -> None:
    arrived = visits.snapshot(visit, "arrived", {"contact": {"saddle_height_mm": 720}})
    left = visits.snapshot(visit, "left", {"contact": {"saddle_height_mm": 712}}, parent=arrived)
    assert visits.last_position(visit) == left
    assert left.parent == arrived
    with pytest.raises(WrittenOnce):
        Position.objects.filter(pk=arrived.pk).update(label="other")


def test_the_same_answer_twice_writes_one_row(visit) -> None:
    a = visits.answer(visit, "intake", "goal", "ride to work")
    b = visits.answer(visit, "intake", "goal", "ride to work")
    c = visits.answer(visit, "intake", "goal", "ride further")
    assert a.pk == b.pk != c.pk
    assert visits.answers(visit, "intake") == {"goal": "ride further"}


def test_a_stale_page_is_refused(visit) -> None:
    shown = visit.version
    visits.touch(visit, expected_version=shown)
    with pytest.raises(InputError, match="This visit: was changed in another window"):
        visits.touch(visit, expected_version=shown)


def test_a_use_that_is_none_is_refused_by_the_name_that_its_box_has(visit) -> None:
    with pytest.raises(InputError, match=r"Mostly ridden as: unknown.*allowed: road"):
        visits.open_visit(visit.rider, use="flying")


@pytest.mark.parametrize(("name", "year", "sex"), [("", None, ""), ("A", 1700, ""), ("A", 1990, "x")])
def test_a_rider_that_cannot_be_is_refused(name: str, year: int | None, sex: str) -> None:
    with pytest.raises(InputError):
        visits.new_rider(name, born_year=year, sex=sex)
