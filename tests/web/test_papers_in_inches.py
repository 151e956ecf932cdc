"""Papers of a studio that works in inches: both units side by side; what a ruler is laid on, and data, are in mm."""

from __future__ import annotations

import json
import re

import pytest

from fitwright.inches import BOTH, MM, lengths_in, shown
from fitwright.records.models import Visit
from fitwright.sheets.cleat_card import care, draw_rows
from fitwright.sheets.exact import check_bar
from fitwright.sheets.ink import Pen
from fitwright.sheets.typeset import ATTACHED
from fitwright.studio import papers
from ridden_visit import typed_visit


@pytest.fixture
def ridden(studio) -> Visit:
    return typed_visit()


@pytest.mark.parametrize("paper", papers.PAPERS)
def test_the_position_sheet_tells_both(ridden, paper):
    with lengths_in(BOTH):
        laid = papers.laid(ridden, "position-sheet", paper)
        assert laid.pictures(40)
    rows = {r["label"]: r["value"] for r in laid.data["contact"]}
    assert rows["crank length"].startswith("172.5 ± 0.4 mm (6.791 ± 0.016 in")  # 172.5 / 25.4, 0.4 / 25.4
    assert " in)" not in laid.data["side_svg"]
    data = json.loads(laid.data[ATTACHED][0]["text"])
    assert data["units"]["length"] == "mm"
    assert " in)" not in laid.data[ATTACHED][0]["text"]


def test_the_tape_list_tells_both_and_its_page_is_one(ridden):
    with lengths_in(BOTH):
        laid = papers.laid(ridden, "tape-list")
        assert len(laid.pictures(40)) == 1
    values = [r["value"] for g in laid.data["groups"] for r in g["rows"]]
    assert any(v.startswith("705.0 ± 2.0 mm (27.756 ± 0.079 in") for v in values)


def test_a_browser_in_inches_gets_such_papers_and_one_in_millimetres_does_not(client, ridden, monkeypatch):
    handed = []
    made = papers.laid
    monkeypatch.setattr(papers, "laid", lambda *a: handed.append(made(*a)) or handed[-1])
    for lengths in ("in", "mm"):
        client.cookies["lengths"] = lengths
        assert client.get(f"/visits/{ridden.pk}/documents/tape-list.pdf").status_code == 200
    told = [json.dumps(laid.data["groups"]) for laid in handed]
    assert [" in)" in words for words in told] == [True, False]


def test_the_rows_of_a_card_have_inches_below_and_the_bar_none():
    with lengths_in(BOTH):
        pen = Pen(100, 200, "x", "y", "paper")
        below = draw_rows(pen, (0, 10), 63, [("from heel", "185.0 ± 1.4 mm"), ("turned", "9.6°")])
        check_bar(pen, (0, 60))
        svg = pen.svg()
    assert ">185.0 ± 1.4 mm<" in svg
    assert ">7.283 ± 0.055 in<" in svg
    assert ">100 mm<" in svg
    with lengths_in(MM):
        assert draw_rows(Pen(100, 200, "x", "y"), (0, 10), 63, [("a", "185.0 mm"), ("b", "9.6°")]) < below


def test_the_cautions_of_a_full_card_stand_below_its_words_and_on_the_page():
    at_y = 297 - 5.5 - 15  # room for the smaller letters alone
    pen = Pen(210, 297, "x", "y", "paper")
    care(pen, (140, at_y), 63)
    heights = [float(y) for y in re.findall(r'<text[^>]* y="([\d.]+)"', pen.svg())]
    assert min(heights) >= at_y
    assert max(heights) <= 297 - 5


def test_inside_brackets_inches_need_none_of_their_own():
    with lengths_in(BOTH):
        assert shown("712 mm → 705 mm: −7 mm") == "712 mm (28.03 in) → 705 mm (27.76 in): −7 mm (−0.28 in)"
        once = shown("lower it (−7 mm), 3 mm at a time")
        assert once == "lower it (−7 mm = −0.28 in), 3 mm (0.12 in) at a time"
        assert shown(once) == once
