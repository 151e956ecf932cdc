"""What the pages' scripts say: read out of them, so that a new sentence needs no more than `worded("…")`."""

from __future__ import annotations

import json
import re
from functools import lru_cache
from pathlib import Path

from django.utils.translation import get_language, gettext

STATIC = Path(__file__).resolve().parent / "static"
CALL = re.compile(r'\bworded\(\s*"((?:[^"\\]|\\.)*)"')
ANSWERED = ("left", "right", "before", "now", "sure", "likely", "a guess")
"""What the studio answers a script with as a name; said as a word."""


@lru_cache(maxsize=1)
def script_words() -> tuple[str, ...]:
    """Every sentence of the scripts, in order."""
    said = {json.loads(f'"{m}"') for p in STATIC.glob("*.js") for m in CALL.findall(p.read_text("utf-8"))}
    return tuple(sorted(said | set(ANSWERED)))


@lru_cache(maxsize=8)
def _in(language: str) -> str:
    """Those that differ in the active language, as JSON; `language` is the cache's key."""
    told = {words: gettext(words) for words in script_words()}
    return json.dumps({a: b for a, b in told.items() if a != b}, ensure_ascii=False).replace("<", "\\u003c")


def script_words_json() -> str:
    """JSON of the page's language, English → other; empty in English."""
    language = get_language() or "en"
    return "" if language.startswith("en") else _in(language)
