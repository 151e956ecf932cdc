"""The German catalogue is whole, of today's texts, and compiled as it stands."""

from __future__ import annotations

import re

import pytest
from tools.words import LANGUAGES, LOCALE, catalogue, compiled, left, written

from fitwright.told import messages_of

PLACES = re.compile(r"%\(\w+\)s|%%|\{\w*\}")


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_text_has_its_translation_and_none_is_left_over(language):
    """`make words` was run after the last text was written (then translate what `--left` names)."""
    now, kept = written(language), catalogue(language)
    assert left(now) == []
    assert {str(m.id) for m in now if m.id} == {str(m.id) for m in kept if m.id}
    assert not [m.id for m in kept if m.fuzzy and m.id]


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_place_of_a_text_is_in_its_translation(language):
    """English plural endings ("change{1}") may fall away; nothing else may, and nothing may be added."""
    for m in catalogue(language):
        if not m.id:
            continue
        english = m.id if isinstance(m.id, tuple) else (m.id,)
        other = m.string if isinstance(m.string, tuple) else (m.string,)
        wanted = {p for text in english for p in PLACES.findall(text) if p != "%%"}
        endings = {p for text in english for p in re.findall(r"(?<=\w)\{\d+\}", text)}
        for text in other:
            given = {p for p in PLACES.findall(text) if p != "%%"}
            assert given <= wanted, m.id
            assert wanted - given <= endings or len(english) > 1, m.id


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_is_read_is_what_is_written(language):
    mo = (LOCALE / language / "LC_MESSAGES" / "django.mo").read_bytes()
    assert mo == compiled(catalogue(language))
    assert messages_of(mo)["Saddle height"] == {"de": "Sattelhöhe"}[language]
