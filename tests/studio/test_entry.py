"""Numbers the way people write them."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.studio.entry import Field, plain, read_number, read_readings, sentence
from fitwright.told import book

CRANK = Field("crank_mm", "Crank length", unit="mm", low=100, high=220)
TILT = Field("tilt", "Tilt", unit="deg", low=-20, high=20)
HEIGHT = Field("height_mm", "Height", unit="mm", low=1000, high=2300)
MASS = Field("mass_kg", "Mass", unit="kg", low=25, high=250)


@pytest.mark.parametrize(
    ("field", "text", "value"),
    [
        (CRANK, "172.5", 172.5),
        (CRANK, "172,5", 172.5),
        (CRANK, " 172,5 mm ", 172.5),
        (CRANK, "17.25 cm", 172.5),
        (CRANK, "17,25cm", 172.5),
        (CRANK, "6.75 in", 171.45),
        (HEIGHT, "1,72 m", 1720),
        (HEIGHT, "1 720", 1720),
        (HEIGHT, "1.720,5", 1720.5),
        (HEIGHT, "1,720.5", 1720.5),
        (TILT, "−1,5°", -1.5),
        (TILT, "-1.5 deg", -1.5),
        (TILT, ".5", 0.5),
        (MASS, "154 lb", 69.853),
        (CRANK, "١٧٢", 172),
    ],
)
def test_written_in_many_ways(field, text, value):
    assert read_number(field, text) == pytest.approx(value, abs=0.001)


@pytest.mark.parametrize(
    "text", ["", "about 170", "17 m", "nan", "inf", "1e3", "170 kg", "1.2.3,4,5", "--170", "170 171"]
)
def test_what_cannot_be_a_crank_names_field_and_range(text):
    with pytest.raises(InputError) as caught:
        read_number(CRANK, text)
    assert caught.value.field == "Crank length"
    assert "100 to 220 mm" in sentence(caught.value)


def test_a_likely_unit_is_offered():
    with pytest.raises(InputError) as caught:
        read_number(HEIGHT, "172")
    assert "If 172 cm was meant, type" in sentence(caught.value)


@given(st.floats(100, 220, allow_nan=False))
def test_what_is_shown_in_a_box_reads_back_as_itself(value):
    shown = plain(value)
    assert read_number(CRANK, shown) == pytest.approx(value, abs=0.00051)
    assert read_number(CRANK, shown.replace(".", ",")) == read_number(CRANK, shown)


@given(st.text(max_size=30))
def test_any_text_gives_a_number_in_range_or_one_clear_line(text):
    line = ""
    try:
        value = read_number(CRANK, text)
    except InputError as error:
        line = sentence(error)
    assert "Crank length" in line if line else CRANK.low <= value <= CRANK.high


@pytest.mark.parametrize(
    ("text", "values"),
    [("7 8 6.5", [7, 8, 6.5]), ("7,5; 8; 6,5", [7.5, 8, 6.5]), ("7, 8, 6", [7, 8, 6]), ("7\n8/9", [7, 8, 9])],
)
def test_readings(text, values):
    assert read_readings(TILT, text) == values


def test_too_many_readings():
    with pytest.raises(InputError, match="1 to 20 readings"):
        read_readings(TILT, " ".join(["1"] * 21))


@pytest.mark.parametrize("text", ["17 kg", "272 273 kg", "27.1 cm; 12 deg"])
def test_a_reading_in_a_unit_of_another_kind_is_refused_as_such(text):
    field = Field("m1_x", "M1", unit="mm", low=100, high=320)
    with pytest.raises(InputError, match="not a unit it can be given in"):
        read_readings(field, text)


def test_readings_may_carry_their_unit():
    field = Field("foot", "Foot length", "readings", unit="mm", low=150, high=350)
    assert read_readings(field, "27.1 cm 272; 27,3cm") == pytest.approx([271, 272, 273])
    assert read_readings(Field("a", "A", "readings", unit="deg", low=-30, high=50), "7 deg 8°") == [7, 8]


@pytest.mark.parametrize("typed", ["17", "0.17", "6.7"])
def test_a_refusal_is_german_to_the_end_of_its_hint(typed):
    with pytest.raises(InputError) as caught:
        read_number(CRANK, typed)
    assert "was meant" in sentence(caught.value)
    told = book("de").told(sentence(caught.value))
    assert told.startswith("Kurbellänge: außerhalb des erlaubten Bereichs. Erlaubt: ")
    assert re.search(rf"Waren {typed} \w+ gemeint, „{typed} \w+“ eintippen\.$", told)
