"""Absurd lengths at the Body and Bike stations: refused with field and range, and nothing else is lost."""

from __future__ import annotations

import pytest

from fitwright.records.models import Measurement, Position
from fitwright.studio import bike, body
from fitwright.studio.entry import sentence
from fitwright.studio.visits import new_rider, open_visit

pytestmark = pytest.mark.django_db

TAPE = {"height_mm": "1720", "inseam_mm": "805"}
BIKE = {
    "saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
    "crank_mm": "172.5", "q_factor_mm": "148", "pedal_offset_mm": "53",
}  # fmt: skip
SAVE = {"body": body.save_body, "bike": bike.save_bike}


@pytest.fixture
def visit():
    """A visit with body and bike on record."""
    made = open_visit(new_rider("Rosa Lind", sex="F"))
    assert not body.save_body(made, TAPE).errors
    assert not bike.save_bike(made, BIKE).errors
    return made


@pytest.mark.parametrize(
    ("station", "field", "text", "range_"),
    [
        ("body", "height_mm", "17 m", "mm"),
        ("body", "height_mm", "-1720", "mm"),
        ("body", "height_mm", "nan", "mm"),
        ("body", "inseam_mm", "8", "mm"),
        ("bike", "saddle_height_mm", "7", "400 to 1000 mm"),
        ("bike", "saddle_height_mm", "7 mm", "400 to 1000 mm"),
        ("bike", "saddle_height_mm", "9" * 400, "400 to 1000 mm"),
        ("bike", "saddle_setback_mm", "-900", "mm"),
        ("bike", "saddle_setback_mm", "inf", "mm"),
        ("bike", "crank_mm", "-172.5", "100 to 220 mm"),
        ("bike", "crank_mm", "900", "100 to 220 mm"),
        ("bike", "q_factor_mm", "1e3", "mm"),
    ],
)
def test_an_absurd_length_is_refused_and_the_record_stays(visit, station, field, text, range_):
    before = (
        Measurement.objects.count(),
        Position.objects.count(),
        bike.contact_points(visit),
        body.measures(visit),
    )
    saved = SAVE[station](visit, {field: text})
    assert set(saved.errors) == {field}
    line = sentence(saved.errors[field])
    assert range_ in line
    assert "\n" not in line
    after = (
        Measurement.objects.count(),
        Position.objects.count(),
        bike.contact_points(visit),
        body.measures(visit),
    )
    assert after == before


def test_what_was_right_beside_a_wrong_number_is_kept(visit):
    saved = bike.save_bike(visit, {"saddle_height_mm": "7", "hood_y_mm": "615"})
    assert set(saved.errors) == {"saddle_height_mm"}
    contact = bike.contact_points(visit)
    assert (contact.saddle_height_mm, contact.hood_y_mm) == (705, 615)
    assert Position.objects.count() == 2


def test_a_crank_too_long_for_the_leg(visit):
    """Possible alone, not with this inseam: the shortest leg that can be typed, the longest crank."""
    small = {"height_mm": "1100", "inseam_mm": "450"}
    assert not body.save_body(visit, small | {f"{name}.keep": text for name, text in small.items()}).errors
    saved = bike.save_bike(visit, {"crank_mm": "220"})
    assert "mm" in sentence(saved.errors["crank_mm"])
    assert bike.contact_points(visit).crank_mm == 172.5
