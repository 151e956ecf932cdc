"""A language for tests alone: English with a sign before every word: one without it was never translated."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from unittest.mock import patch

from babel.messages.catalog import Catalog
from django.test import override_settings
from django.utils.translation import override, trans_real
from tools.words import catalogue, compiled

from fitwright import told
from fitwright.sheets import drawn
from fitwright.web import script_words

SIGN = "¤"
WORD = re.compile(r"(?<![\w¤])[^\W\d_]{3,}")
"""A word of three letters or more before which no sign stands."""
PLACED = re.compile(r"(%\(\w+\)[sd]|%%|\{\w*\}|<[^>]*>|&\w+;)")
NAMED = re.compile(
    r"\b\d{1,2}\.? [^\W\d_]{3,9}\.?(?= \d{2,4}\b|, \d{1,2}:)|\b[\w-]+\.(?:mp4|trc|c3d|csv|json|jpg|pdf)\b"
)
SPOKEN = ("alt", "title", "aria-label", "placeholder", "data-of")
SILENT = ("script", "style", "bdi", "textarea")
"""What no one reads, and what people typed: a typed name stands in `bdi` on every page."""


def signed(message: str) -> str:
    """The message with the sign before each of its words; places and tags stay."""
    parts = PLACED.split(message)
    parts[::2] = [WORD.sub(lambda m: SIGN + m[0], part) for part in parts[::2]]
    return "".join(parts)


@contextmanager
def pseudo_language(folder: Path) -> Iterator[None]:
    """Inside, "de" is the signed language, for templates, scripts and what Python told; all caches are its own."""
    book = Catalog(locale="de")
    for m in catalogue("de"):
        if m.id:
            many = (signed(m.id[0]), signed(m.id[1])) if isinstance(m.id, tuple) else signed(m.id)
            book.add(m.id, many)
    path = folder / "de" / "LC_MESSAGES" / "django.mo"
    path.parent.mkdir(parents=True)
    path.write_bytes(compiled(book))
    with patch.object(told, "LOCALE", folder), override_settings(LOCALE_PATHS=[folder]):
        _forget()
        try:
            with override("de"):
                yield
        finally:
            _forget()
    _forget()


def _forget() -> None:
    told.book.cache_clear()
    drawn._kept.clear()
    script_words._in.cache_clear()
    trans_real._translations.clear()


class Read(HTMLParser):
    """What is read on a page or in a drawing, or out loud."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[str] = []
        self.silent: list[str] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in SILENT:
            self.silent.append(tag)
        self.found.extend(v for name, v in attrs if name in SPOKEN and v)

    def handle_endtag(self, tag: str) -> None:
        if self.silent and tag == self.silent[-1]:
            self.silent.pop()

    def handle_data(self, data: str) -> None:
        if not self.silent:
            self.found.append(data)


def unsigned(html: str, allowed: Iterable[str]) -> list[str]:
    """Texts with a word that has no sign and is none of `allowed`, each once."""
    return unsigned_texts(Read(html).found, allowed)


def unsigned_texts(texts: Iterable[str], allowed: Iterable[str]) -> list[str]:
    """The same of texts that were read already; days, whose months Django names, and files count as signed."""
    known = sorted(allowed, key=len, reverse=True)
    found = []
    for text in dict.fromkeys(" ".join(t.split()) for t in texts):
        bare = NAMED.sub(" ", text)
        for name in known:
            bare = bare.replace(name, " ")
        if WORD.search(bare):
            found.append(text)
    return found
