"""Each word once, each drawing used, and the signs as nomenclature has them."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from fitwright.sheets.glossary_drawing import DRAWN, word_svg
from fitwright.studio.glossary import CHAPTERS

WORDS = [w for c in CHAPTERS for w in c.words]


def test_each_word_stands_once_and_each_drawing_is_used():
    names = [w.name for w in WORDS]
    assert len(names) == len(set(names))
    assert set(DRAWN) <= set(names)


@pytest.mark.parametrize("name", sorted(DRAWN))
def test_a_drawing_stays_on_its_sheet(name):
    root = ET.fromstring(word_svg(name, "A word"))
    width, height = map(float, root.get("viewBox").split()[2:])
    for text in root.iter("{http://www.w3.org/2000/svg}text"):
        x, y = float(text.get("x")), float(text.get("y"))
        long = 6.6 * len(text.text)
        left = x - {"start": 0, "middle": long / 2, "end": long}[text.get("text-anchor", "start")]
        assert left >= -1, text.text
        assert left + long <= width + 1, text.text
        assert 8 <= y <= height, text.text


@pytest.mark.django_db
def test_the_page_shows_all(client):
    page = client.get("/words").content.decode()
    for word in WORDS:
        assert f'id="{word.name}"' in page
        assert word.word in page
