"""Inches on wish: shown and typed in inches, kept in millimetres, and nothing moves by being looked at."""

from __future__ import annotations

import re
from fractions import Fraction

import pytest
from django.urls import reverse
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.inches import BOTH, IN, lengths_in, shown
from fitwright.records.models import Edit, Measurement, Visit
from fitwright.studio.entry import Field, read_number
from fitwright.told import told
from fitwright.web.templatetags import fit

CRANK = Field("crank_mm", "Crank length", unit="mm", low=100, high=220)
HEIGHT = Field("height_mm", "Height", unit="mm", low=1000, high=2300)


@pytest.mark.parametrize(
    ("mm", "inches"),
    [
        ("705 mm", "27.76 in"),
        ("172.5 ± 0.4 mm", "6.791 ± 0.016 in"),
        ("from 705 to 700 mm", "from 27.76 to 27.56 in"),
        ("−18.9 mm and 3 mm", "−0.744 in and 0.12 in"),
        ("washers of 1, 2 or 3 mm", "washers of 0.04, 0.08 or 0.12 in"),
        ("208.7 / 8.1 mm", "8.217 / 0.319 in"),
        ("34 mm, estimate ± 12 mm", "1.34 in, estimate ± 0.47 in"),
        ("400 bis 1000 mm", "15.75 bis 39.37 in"),
        ("172,5 mm", "6,791 in"),
        ("5 readings, 12 mm", "5 readings, 0.47 in"),
        ("12.4 mm², 3 mm/s, 5 mmHg", "12.4 mm², 3 mm/s, 5 mmHg"),
        ("33.8 ± 1.1°", "33.8 ± 1.1°"),
        ("mm", "mm"),
    ],
)
def test_a_length_in_a_sentence_is_told_in_inches(mm, inches):
    assert shown(mm) == mm
    with lengths_in(IN):
        assert shown(mm) == inches
        assert told(told(mm)) == inches


def test_hardware_keeps_its_millimetres_beside():
    with lengths_in(BOTH):
        once = told("lower the saddle 5 mm: from 705 to 700 mm")
        assert once == "lower the saddle 5 mm (0.20 in): from 705 to 700 mm (27.76 to 27.56 in)"
        assert told(once) == once


@given(st.floats(0, 3000), st.integers(0, 2))
def test_what_is_told_is_within_half_of_its_last_digit(mm, decimals):
    """Against exact arithmetic with 1 in = 25.4 mm (international yard and pound agreement, 1959)."""
    text = f"{mm:.{decimals}f} mm"
    with lengths_in(IN):
        said = shown(text)
    last = Fraction(1, 100 if decimals == 0 else 1000)
    exact = Fraction(text[:-3]) / Fraction("25.4")
    assert abs(Fraction(said[:-3]) - exact) <= last / 2 + Fraction(1, 10**9)


@pytest.mark.parametrize(
    ("text", "mm"),
    [
        ("6 13/16 in", 173.0375), ('6 13/16"', 173.0375), ("6.8″", 172.72), ("6,8 in", 172.72),
        ("6.8 inches", 172.72),
        ("17.25 cm", 172.5), ("172,5", 172.5), ("109/16 in", 173.0375),
    ],
)  # fmt: skip
def test_inches_are_read_as_they_are_written(text, mm):
    assert read_number(CRANK, text) == pytest.approx(mm, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "mm"), [("5' 8\"", 1727.2), ("5 ft 8 1/2 in", 1739.9), ("6'", 1828.8), ("5′ 8″", 1727.2)]
)
def test_feet_too(text, mm):
    assert read_number(HEIGHT, text) == pytest.approx(mm, abs=1e-9)


@pytest.mark.parametrize("text", ["6 13/0 in", "13/16", "6 / in", "1/2/3 in", "' in", "in"])
def test_what_is_no_length_is_refused(text):
    with pytest.raises(InputError) as refused:
        read_number(CRANK, text)
    assert refused.value.field == "Crank length"


@pytest.fixture
def inch(client):
    client.post(reverse("lengths"), {"lengths": "in"})
    return client


def boxes(client, visit, station) -> dict[str, str]:
    """Every text box of the page, as a browser would send it."""
    text = client.get(reverse(station, args=[visit.pk])).content.decode()
    sent = dict(re.findall(r'<input id="in-[^"]*" name="([^"]+)" value="([^"]*)"', text))
    hows = re.findall(r'<select name="([^"]+)".*?<option value="([^"]+)" selected', text, re.DOTALL)
    return sent | dict(hows) | {"version": re.findall(r'name="version" value="(\d+)"', text)[-1]}


def test_a_box_takes_inches_and_the_record_is_in_mm(inch, visit):
    address = reverse("bike", args=[visit.pk])
    assert "15.75 to 39.37 in" in inch.get(address).content.decode()
    assert (
        inch.post(address, {"version": "1", "saddle_height_mm": "27 3/4", "crank_mm": "172.5 mm"}).status_code
        == 302
    )
    rows = {m.key: m.value for m in Measurement.objects.all()}
    assert rows == {"saddle_height_mm": pytest.approx(704.85), "crank_mm": 172.5}
    text = inch.get(address).content.decode()
    assert 'value="27.75"' in text
    assert 'value="6.791"' in text
    assert '<span class="unit">in</span>' in text


def test_a_page_that_was_only_looked_at_moves_nothing(inch, filled):
    for station in ("bike", "body"):
        before = Measurement.objects.count(), Edit.objects.count()
        sent = boxes(inch, filled, station)
        assert any("." in v for v in sent.values())
        assert inch.post(reverse(station, args=[filled.pk]), sent).status_code == 302
        assert (Measurement.objects.count(), Edit.objects.count()) == before


def test_plus_or_minus_is_in_inches_too(inch, visit):
    typed = {"version": "1", "q_factor_mm": "5.8", "q_factor_mm.how": "caliper", "q_factor_mm.u": "0.02"}
    assert inch.post(reverse("bike", args=[visit.pk]), typed).status_code == 302
    row = Measurement.objects.get()
    assert row.value == pytest.approx(147.32)
    assert 1.96 * row.u == pytest.approx(0.508, rel=1e-3)


def test_several_readings_each_are_inches(inch, visit):
    typed = {"version": "1", "foot_length_left_mm": "10 10.1 257 mm"}
    answer = inch.post(reverse("body", args=[visit.pk]), typed)
    assert answer.status_code == 302
    assert Measurement.objects.get().readings == pytest.approx([254.0, 256.54, 257.0])


def test_an_error_tells_the_range_in_inches_and_keeps_what_was_typed(inch, visit):
    answer = inch.post(reverse("bike", args=[visit.pk]), {"version": "1", "saddle_height_mm": "7"})
    assert answer.status_code == 422
    text = answer.content.decode()
    assert "Allowed: 15.75 to 39.37 in" in text
    assert 'value="7 in"' in text


def test_the_choice_is_this_browsers_and_leads_back(client, filled):
    page = reverse("visit", args=[filled.pk])
    assert client.post(reverse("lengths"), {"lengths": "in", "next": page}).url == page
    assert client.post(reverse("lengths"), {"lengths": "in", "next": "https://elsewhere.example/"}).url == "/"
    assert 'value="in" aria-current="true"' in client.get(page).content.decode()
    assert Visit.objects.get(pk=filled.pk).version == filled.version
    client.post(reverse("lengths"), {"lengths": "furlongs"})
    assert client.cookies["lengths"].value == "mm"


def test_a_wrong_length_to_a_wish_of_mm_is_unchanged(client, filled):
    sent = boxes(client, filled, "bike")
    assert sent["crank_mm"] == "172.5"


@pytest.mark.parametrize(
    ("said", "kept"),
    [
        ("Saddle height 705.0 ± 2.0 mm, measured", "Saddle height 705.0\u00a0±\u00a02.0 mm, measured"),
        ("34°, estimate ± 12°", "34°, estimate ±\u00a012°"),
        ("33.8° ± < 0.1°", "33.8°\u00a0±\u00a0< 0.1°"),
        ("each way gets ± 6 mm more", "each way gets ±\u00a06 mm more"),
    ],
)
def test_a_plus_minus_stays_on_the_line_of_its_numbers(said, kept):
    assert fit.told(said) == kept
    assert fit.told([said]) == [kept]
