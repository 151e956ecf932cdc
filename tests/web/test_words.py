"""No page says a word that another language cannot: every text of a template is marked, and has its German."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from django.urls import reverse
from django.utils.translation import override

from fitwright.records.models import STATIONS
from fitwright.told import LOCALE, messages_of
from fitwright.web.script_words import STATIC, script_words, script_words_json

TEMPLATES = STATIC.parent / "templates"
MARKED = re.compile(r"{%\s*blocktranslate\b.*?{%\s*endblocktranslate\s*%}|{%.*?%}|{{.*?}}|{#.*?#}", re.DOTALL)
SPOKEN = ("aria-label", "title", "placeholder", "alt", "data-of")
SAME_EVERYWHERE = {"fitwright", "mm", "ms", "eu", "km", "px", "sha", "sem", "mdc", "esc", "in"}
"""Names, units and signs that are written alike in every language."""
NO_WORDS = re.compile(r"fitwright [a-z]+ |aria-")
"""Commands, and a template that is a piece of a tag."""
LETTERS = re.compile(r"[^\W\d_]{2,}")


class Texts(HTMLParser):
    """What is read on a page, or out loud: texts and spoken attributes, with their line."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[int, str]] = []
        self.feed(html)

    def handle_data(self, data: str) -> None:
        self.found.append((self.getpos()[0], data))

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.extend((self.getpos()[0], value or "") for name, value in attrs if name in SPOKEN)


def unmarked(html: str) -> list[str]:
    """Words that stand in a template without a mark."""
    bare = MARKED.sub(lambda m: "\n" * m[0].count("\n"), html)
    said = ((line, " ".join(text.split()).strip(" ·,:;.")) for line, text in Texts(bare).found)
    return [
        f"line {line}: {text}"
        for line, text in said
        if {w.lower() for w in LETTERS.findall(text)} - SAME_EVERYWHERE and not NO_WORDS.match(text)
    ]


@pytest.mark.parametrize(
    "path", sorted(TEMPLATES.rglob("*.html")), ids=lambda p: str(p.relative_to(TEMPLATES))
)
def test_every_word_of_a_template_is_marked(path: Path) -> None:
    assert unmarked(path.read_text("utf-8")) == []


def test_a_word_that_is_not_marked_is_found() -> None:
    html = '<p title="{% translate "a" %}">{% translate "One" %} <b>two words</b></p><img alt="A shoe">'
    assert unmarked(html) == ["line 1: two words", "line 1: A shoe"]


def test_every_sentence_of_the_scripts_has_its_german() -> None:
    catalogue = messages_of((LOCALE / "de" / "LC_MESSAGES" / "django.mo").read_bytes())
    assert [words for words in script_words() if words not in catalogue] == []
    with override("en"):
        assert script_words_json() == ""
    with override("de"):
        assert "Das Studio hat nicht geantwortet." in script_words_json()


@pytest.mark.parametrize("name", ["visit", *STATIONS])
def test_a_station_in_german_keeps_what_people_typed(client, filled, name) -> None:
    filled.rider.name = "Left, before and after"
    filled.rider.save(update_fields=["name"])
    page = client.get(reverse(name, args=[filled.pk]), headers={"accept-language": "de"})
    text = page.content.decode()
    assert '<html lang="de">' in text
    assert "Left, before and after" in text
    assert "<span>Aufnahme</span>" in text
    assert "Intake" not in text
