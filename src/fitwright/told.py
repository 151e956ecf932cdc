"""Words that the program made, told in the language of the page or paper.

The rooms below the screens speak plain English sentences, and many of them are kept in records. They are not marked
one by one: `tools/words.py` reads their patterns out of the source ("lower the saddle {0}: from {1} to {2}") into the
catalogue of each language, and here a finished sentence is found again by its pattern, what stood in the places is
told in turn, and all of it is put into the other language's pattern. English costs nothing: it is handed back.

What is not in the catalogue stays as it is, so that names, numbers and units need no exception.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cached_property, lru_cache
from pathlib import Path

from django.utils.formats import date_format
from django.utils.translation import get_language, gettext, override

from fitwright import inches

LOCALE = Path(__file__).resolve().parent / "locale"
SOURCE = "en"
PLACE = re.compile(r"\{(\d+)\}")
QUOTED = re.compile(r"“\{(\d+)\}”")
WORD = re.compile(r"[^\W\d_]{3,}")
SPLITS = tuple(
    re.compile(f"({s})")
    for s in (
        r"\n+|(?<=[.?!]) ",
        r" · | – ",
        r"; ",
        r": ",
        r" \(|\)|“|”",
        r", (?:and |or )?| \+ | and | or | / ",
    )
)
"""Where a text unknown as a whole is taken apart: at its strongest joints first, so that known halves are found."""
NUMBER = re.compile(
    r"((?<=[\d°%]) to (?=[-−+]?\d)| (?=[−+]?\d)|(?<=\d mm) |(?<=\d°) |(?<=\d %) |(?<=\d) (?=[a-z]{4}))"
)
JOINTS = ("and", "or")
ENDS = " ,;:"
RANGE, RANGE_MESSAGE = re.compile(r"(?<=[\d°%]) to (?=[-−+]?\d)"), "{0} to {1}"
SENTENCE = re.compile(r"[.?!] (?=[A-Z])")  # an unknown place holds no end of a sentence
SURE = 10  # letters of a pattern's own that make it believed whatever stands in its places
PLAIN = re.compile(r"[\W\d_]*|[^\W\d_]|(?=.*\d)[\W\d_]*[^\W\d_]{1,4}[\W\d_]*")  # a figure, a letter
MOST_KEPT = 20_000
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October", "November",
    "December",
)  # fmt: skip
DAY = re.compile(rf"(\d{{1,2}}) ({'|'.join(MONTHS)}) (\d{{4}})")
"""A day as sentences that are kept in records write it (`day_of_record`)."""
_SPOKEN: ContextVar[str] = ContextVar("language of a request", default="")


@dataclass(frozen=True)
class Pattern:
    """An English sentence with places, and the same in the other language; `own`: its letters beside the places."""

    english: str
    words: frozenset[str]
    own: int
    other: str
    quoted: frozenset[int]

    @cached_property
    def matches(self) -> tuple[re.Pattern[str], re.Pattern[str]]:
        """The first places as short as they can be, and as long as they can be.

        Compiled when a text has the sentence's words: few of a book's sentences are ever asked for in one run.
        """
        pieces = [re.escape(p) for p in PLACE.split(self.english)[::2]]
        short, long = (
            re.compile(place.join(pieces), re.DOTALL | re.IGNORECASE) for place in ("(.*?)", "(.*)")
        )
        return short, long


@dataclass(frozen=True)
class Book:
    """The messages of one language, found by sentence."""

    whole: Mapping[str, tuple[str, str]]
    by_word: Mapping[str, tuple[Pattern, ...]]
    range_joint: str = " to "
    language: str = ""
    _kept: dict[str, tuple[str, bool]] = field(default_factory=dict, compare=False, repr=False)

    def told(self, text: str) -> str:
        """The text in this language, as far as it is known."""
        return self._found(text)[0]

    def _found(self, text: str) -> tuple[str, bool]:
        """The text in this language, and whether all of it is known."""
        found = self._kept.get(text)
        if found is None:
            if len(self._kept) > MOST_KEPT:
                self._kept.clear()
            found = self._kept[text] = self._tell(text)
        return found

    def _tell(self, text: str) -> tuple[str, bool]:
        core = text.strip()
        if not WORD.search(core) and core.lower() not in self.whole:
            return RANGE.sub(self.range_joint, text), all(map(PLAIN.fullmatch, RANGE.split(core)))
        told = self._day(core) or self._known(core)
        if told is None and core[-1:] in ".:…":
            told = self._known(core[:-1])
            told = None if told is None else told.rstrip(".") + core[-1]
        told, known = self._by_parts(core) if told is None else (told, True)
        lead = text[: len(text) - len(text.lstrip())]
        return f"{lead}{told}{text[len(lead) + len(core) :]}", known

    def _day(self, core: str) -> str | None:
        """A day as this language writes it; None for what is none."""
        if not self.language or (found := DAY.fullmatch(core)) is None:
            return None
        try:
            day = date(int(found[3]), 1 + MONTHS.index(found[2]), int(found[1]))
        except ValueError:
            return None
        with override(self.language):
            return date_format(day, gettext("j F Y"))

    def _known(self, core: str) -> str | None:
        """The sentence as a whole or by its pattern; None where neither is known."""
        if core.lower() in self.whole:
            english, other = self.whole[core.lower()]
            return _headed(core, english, other)
        best: tuple[tuple[int, int, int], str] | None = None
        have = {w.lower() for w in WORD.findall(core)}
        for pattern in {id(p): p for w in have for p in self.by_word.get(w, ())}.values():
            if (best is not None and pattern.own < best[0][0]) or not pattern.words <= have:
                continue
            for match in (m for m in (p.fullmatch(core) for p in pattern.matches) if m):
                places = match.groups()
                rank = (pattern.own, -sum(map(len, places)))
                known = sum(i in pattern.quoted or self._is_known(p) for i, p in enumerate(places))
                if known < len(places) and (pattern.own < SURE or any(map(SENTENCE.search, places))):
                    continue
                if best is None or (*rank, known) > best[0]:
                    best = (*rank, known), _headed(core, pattern.english, self._filled(pattern, places))
        named = self._named_number(core, 0 if best is None else best[0][0])
        return named or (None if best is None else best[1])

    def _named_number(self, core: str, own: int) -> str | None:
        """`saddle height 705 mm`: a known name with a number, unless a pattern has as many letters of its own."""
        name, *rest = NUMBER.split(core, maxsplit=1)
        if name.lower() not in self.whole or not rest or rest[0] != " " or not PLAIN.fullmatch(rest[1]):
            return None
        if sum(map(len, WORD.findall(name))) <= own:
            return None
        return f"{_headed(name, *self.whole[name.lower()])} {rest[1]}"

    def _is_known(self, part: str) -> bool:
        return PLAIN.fullmatch(part) is not None or self._found(part)[1]

    def _filled(self, pattern: Pattern, places: tuple[str, ...]) -> str:
        """The other sentence; a place that began the English one loses the capital that it had from there."""
        first = places[0][:1].lower() + places[0][1:]
        if pattern.english.startswith("{0}") and self._is_known(first):
            places = (first, *places[1:])
        told = tuple(self._whole(p) if i in pattern.quoted else self.told(p) for i, p in enumerate(places))
        return PLACE.sub(lambda m: told[int(m[1])] if int(m[1]) < len(told) else m[0], pattern.other)

    def _whole(self, text: str) -> str:
        """What stands in quotation marks: mostly typed by somebody, else a label as a whole."""
        return _headed(text, *self.whole[text.lower()]) if text.lower() in self.whole else text

    def _by_parts(self, core: str) -> tuple[str, bool]:
        """Unknown as a whole: what stands between commas, brackets and "and" is told by itself."""
        best: tuple[str, bool] | None = None
        for parts in (self._merged(p) for s in SPLITS if len(p := s.split(core)) > 1):
            found = self._joined(parts)
            if found[1]:
                return found
            best = best or found
        if best is not None:
            return best
        parts = NUMBER.split(core)
        if len(parts) == 1 or not all(map(self._is_known, parts[::2])):
            return RANGE.sub(self.range_joint, core), False
        parts[1::2] = [self.range_joint if p == " to " else p for p in parts[1::2]]
        return self._joined(parts)

    def _merged(self, parts: list[str]) -> list[str]:
        """Neighbours that are one message together ("three bolts, no float") are one part."""
        out, i = [], 0
        while i < len(parts):
            ends = (j for j in (i + 5, i + 3) if j <= len(parts))
            end = next((j for j in ends if "".join(parts[i:j]).strip().lower() in self.whole), i + 1)
            out += ["".join(parts[i:end]), *parts[end : end + 1]]
            i = end + 1
        return out

    def _joined(self, parts: list[str]) -> tuple[str, bool]:
        """Parts, with what joins them between, each told; and whether all of them are known."""
        found = [self._found(p) if i % 2 == 0 else (p, True) for i, p in enumerate(parts)]
        told = [text for text, _ in found]
        for i in range(1, len(parts), 2):
            joint = next((j for j in JOINTS if f"{j} " in parts[i]), "")
            if joint and joint in self.whole and found[i - 1][1]:
                told[i] = parts[i].replace(joint, self.whole[joint][1])
        return "".join(told), all(known for _, known in found)


def told(text: str) -> str:
    """A finished English text in the language that is spoken now (Django's active one)."""
    language = _SPOKEN.get() or get_language() or SOURCE
    return inches.shown(text if language.startswith(SOURCE) else book(language).told(text))


@contextmanager
def speaking(language: str) -> Iterator[None]:
    """Inside, this language is told without asking Django for it, which costs more than telling a word."""
    token = _SPOKEN.set(language)
    try:
        yield
    finally:
        _SPOKEN.reset(token)


@lru_cache(maxsize=8)
def book(language: str) -> Book:
    """The book of a language; an empty one where there is none."""
    path = LOCALE / language.split("-")[0] / "LC_MESSAGES" / "django.mo"
    return replace(book_of(messages_of(path.read_bytes()) if path.is_file() else {}), language=language)


def day_of_record(day: date) -> str:
    """`26 November 2026`: a day in a sentence that may be kept, told in each language as that writes it."""
    return f"{day.day} {MONTHS[day.month - 1]} {day.year}"


def book_of(messages: Mapping[str, str]) -> Book:
    """From English → other, patterns with `{0}`, `{1}` for their places."""
    whole = {m.lower(): (m, t) for m, t in messages.items() if not PLACE.search(m)}
    # A message that is a beginning or an end (", shown only") also stands by itself.
    for m, t in list(whole.values()):
        whole.setdefault(m.lower().strip(ENDS), (m.strip(ENDS), t.strip(ENDS)))
    placed = {m: t for m, t in messages.items() if PLACE.search(m) and m != t}
    placed = {m.strip(ENDS): t.strip(ENDS) for m, t in placed.items()} | placed
    patterns = [_pattern(m, t) for m, t in placed.items()]
    often: dict[str, int] = {}
    for word in (w for p in patterns for w in p.words):
        often[word] = often.get(word, 0) + 1
    by_word: dict[str, list[Pattern]] = {}
    for pattern in (p for p in patterns if p.words):
        by_word.setdefault(min(pattern.words, key=lambda w: (often[w], w)), []).append(pattern)
    joint = "".join(PLACE.split(messages.get(RANGE_MESSAGE, ""))[2:3]) or " to "
    return Book(whole, {w: tuple(found) for w, found in by_word.items()}, joint)


def _pattern(english: str, other: str) -> Pattern:
    # Words that touch a place may go on in it ("{0}s"): only those that stand free can be looked up.
    free = frozenset(w.lower() for w in re.findall(r"\w+", PLACE.sub("_", english)) if WORD.fullmatch(w))
    own = sum(len(w) for w in WORD.findall(" ".join(PLACE.split(english)[::2])))
    quoted = frozenset(map(int, QUOTED.findall(english)))
    return Pattern(english, free, own, other, quoted)


def _headed(core: str, english: str, other: str) -> str:
    """The other text begins with a capital where the English one was given one that it has not by itself."""
    return other[:1].upper() + other[1:] if core[:1].isupper() and not english[:1].isupper() else other


def messages_of(mo: bytes) -> dict[str, str]:
    """The messages of a compiled catalogue (GNU gettext manual, "The Format of GNU MO Files"), without plurals and
    contexts, which are Django's alone."""
    order = "<" if struct.unpack("<I", mo[:4])[0] == 0x950412DE else ">"
    count, ids, texts = struct.unpack(f"{order}3I", mo[8:20])

    def at(table: int, i: int) -> str:
        length, offset = struct.unpack(f"{order}2I", mo[table + 8 * i : table + 8 * i + 8])
        return mo[offset : offset + length].decode("utf-8")

    found = ((at(ids, i), at(texts, i)) for i in range(count))
    return {m: t for m, t in found if m and t and "\0" not in m and "\4" not in m}
