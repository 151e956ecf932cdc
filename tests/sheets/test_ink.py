"""Palette, pen and numbers."""

import re
import xml.etree.ElementTree as ET

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.quantity import Measured
from fitwright.sheets.ink import Pen, ink, nice_ticks, num, safe_href, shorten
from fitwright.sheets.words import number, signed, value_words


def test_page_colours_follow_the_page_and_paper_colours_are_fixed():
    page, paper = ink("page"), ink("paper")
    for field in ("ink", "soft", "hair", "paper", "band", "wash", "left", "right", "left_wash", "right_wash"):
        assert re.fullmatch(r"var\(--[a-z-]+, #[0-9a-fA-F]{6}\)", getattr(page, field))
        assert re.fullmatch(r"#[0-9a-fA-F]{6}", getattr(paper, field))
    assert (paper.left, paper.right) == ("#0072B2", "#D55E00")


def test_shape_tells_the_side_and_fill_tells_the_state():
    pen = Pen(100, 100, "t", "d", "paper")
    pen.mark((10, 10), "left", "now")
    pen.mark((30, 10), "right", "before")
    pen.mark((50, 10), "right", "predicted")
    left, before, predicted = list(pen.root)[2:]
    assert left.tag == "circle"
    assert left.get("fill") == "#0072B2"
    assert before.tag == "path"
    assert before.get("fill") == "#ffffff"
    assert before.get("stroke") == "#D55E00"
    assert before.get("stroke-dasharray") is None
    assert predicted.get("stroke-dasharray")


@given(st.text(max_size=60))
def test_any_text_stays_well_formed(words):
    pen = Pen(10, 10, words or "t", words, "page", ident="a")
    pen.text((1, 1), words)
    with pen.group(words, "/" + words):
        pen.circle((1, 1), 1)
    root = ET.fromstring(pen.svg())
    assert root.get("aria-labelledby") == "a-t a-d"


@pytest.mark.parametrize("bad", ["javascript:alert(1)", " JavaScript:x", "data:text/html,x", "vbscript:x"])
def test_a_link_cannot_carry_a_script(bad):
    assert safe_href(bad) == "#"


@pytest.mark.parametrize("good", ["/visits/3/ride?at=knee:min", "#knee", "https://localhost/x", "ride/knee"])
def test_plain_links_stay(good):
    assert safe_href(good) == good


@given(st.floats(-1e6, 1e6), st.floats(0.01, 1e5))
def test_ticks_are_inside_and_evenly_spaced(low, span):
    ticks = nice_ticks(low, low + span)
    assert 1 <= len(ticks) <= 10
    assert all(low - 1e-6 * span - 1e-6 <= t <= low + span + 1e-6 * span + 1e-6 for t in ticks)


def test_numbers_as_people_write_them():
    assert (num(-0.001), num(2.5), num(3.0)) == ("0", "2.5", "3")
    assert (number(705, "mm"), number(-6.04, "deg"), number(-0.01, "mm")) == ("705 mm", "−6°", "0 mm")
    assert (signed(5, "mm"), signed(-2, "mm"), signed(0.0, "mm")) == ("+5 mm", "−2 mm", "0 mm")
    assert value_words(Measured(705, 0, "mm")) == "705 mm"
    assert value_words(Measured(33.8, 0.55, "deg")) == "33.8 ± 1.1°"
    assert shorten("a\nb  c", 10) == "a b c"
    assert shorten("x" * 20, 10) == "x" * 9 + "…"
