"""A finished English sentence is found again by its pattern; what people typed in it is left alone."""

from __future__ import annotations

from datetime import date

import pytest

from fitwright.foot.hardware import CATALOGUE
from fitwright.foot.reach import trade_offs
from fitwright.told import book, book_of, day_of_record

BOOK = book_of(
    {
        "left": "links", "before": "vorher", "after": "nachher", "and": "und", "Saddle height": "Sattelhöhe",
        "{0} sole measured": "Sohle {0} gemessen", "{0} to {1}": "{0} bis {1}", "towards the heel": "zur Ferse",
        "lower the saddle {0}: from {1} to {2}": "den Sattel {0} senken: von {1} auf {2}",
        "{0} after": "{0} nachher", ", shown only": ", nur gezeigt", "Ride": "Fahrt", "goal: “{0}”": "Ziel: „{0}“",
        "{0} is not of this visit": "{0} gehört nicht zu diesem Termin",
    }
)  # fmt: skip


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("lower the saddle 5 mm: from 710 to 705", "den Sattel 5 mm senken: von 710 auf 705"),
        ("Lower the saddle 5 mm: from 710 to 705.", "Den Sattel 5 mm senken: von 710 auf 705."),
        ("saddle height 718.0 ± 2.0 mm", "Sattelhöhe 718.0 ± 2.0 mm"),
        ("Left sole measured, before and after", "Sohle links gemessen, vorher und nachher"),
        ("8.2 mm towards the heel", "8.2 mm zur Ferse"),
        ("−10 to 40 mm", "−10 bis 40 mm"),
        ("left, shown only", "links, nur gezeigt"),
    ],
)
def test_a_sentence_is_told(english: str, german: str) -> None:
    assert BOOK.told(english) == german


@pytest.mark.parametrize(
    "typed",
    ["Anna and Bob", "Ride 200 km in June", "What came after", "Édith Left-Wing", "705", "", "שרה", "3 mm"],
)
def test_what_is_not_known_as_a_whole_stays(typed: str) -> None:
    assert BOOK.told(typed) == typed


def test_what_somebody_typed_stays_within_a_known_sentence() -> None:
    assert BOOK.told("goal: “Ride 200 km, before and after”") == "Ziel: „Ride 200 km, before and after“"
    assert BOOK.told("Anna’s film is not of this visit") == "Anna’s film gehört nicht zu diesem Termin"


def test_a_day_is_written_as_the_language_writes_it() -> None:
    german = book("de")
    assert german.told("pair B, 3 March 2026") == "Paar B, 3. März 2026"
    assert german.told(f"on {day_of_record(date(2025, 12, 1))}, pair A") == "am 1. Dezember 2025, Paar A"
    assert german.told("31 February 2026") == "31 February 2026"


def test_a_name_of_two_words_stays_one_beside_its_number() -> None:
    assert book("de").told("pedal offset 53.0 ± 0.5 mm") == "Pedalversatz 53.0 ± 0.5 mm"


def test_what_bolts_leave_short_of_a_wish_is_one_german_sentence() -> None:
    way = trade_offs(CATALOGUE[0], (205, 0), (190, -15, 5), (201, 3))[-1]
    told = book("de").told(way.words)
    assert told.startswith("erhalten bleibt die Drehung, dann der nächste Ort: ")
    assert "zu wenig zur Ferse, " in told
    assert not {"keeps", "short", "the"} & set(told.split())


def test_how_it_felt_is_german_beside_two_visits() -> None:
    german = book("de")
    assert german.told("Pain: knee, left") == "Schmerz: Knie, links"
    assert german.told("no change") == "keine Änderung"
