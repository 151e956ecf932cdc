"""Typefaces of the papers, the same on every machine, and which letters none of them has.

DejaVu Sans comes with matplotlib (Latin, Greek, Cyrillic, Arabic, Hebrew, Armenian, Georgian …), Noto Sans CJK with
its own package (Chinese, Japanese, Korean); their licences lie beside them there. What this machine has besides is
looked at only for letters that neither of them has. A letter without any typeface is told, never left out silently.
"""

from __future__ import annotations

import atexit
import re
import shutil
import tempfile
import unicodedata
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import typst

from fitwright.errors import FitwrightError

FILES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSans-Oblique.ttf")
CJK = "noto_cjk_sans_otc"
USUAL = re.compile(
    "[\t\n\r\x20-\x7e\xa0-\u017f\u0386\u0388-\u03a1\u03a3-\u03ce\u0400-\u045f\u200b\u2010-\u2015\u2018-\u201e"
    "\u2026\u2190-\u2193\u2212\u2264\u2265\u25a1]*"
)
"""Letters that DejaVu Sans has for certain: for these nothing is opened."""
UNKNOWN = "\u25a1"


@lru_cache(maxsize=2)
def faces(*, of_machine: bool = False) -> Any:
    """The typefaces for the typesetter; with `of_machine` also those installed on this computer."""
    folders = [str(_dejavu()), *([str(p.parent)] if (p := _cjk()) else [])]
    return typst.Fonts(include_system_fonts=of_machine, include_embedded_fonts=False, font_paths=folders)


def strange(words: str) -> set[str]:
    """The letters of a text for which the shipped typefaces must be asked; empty for nearly every text."""
    if USUAL.fullmatch(words):
        return set()
    # Joiners, direction marks and variation selectors are not printed: no typeface need have them.
    return {c for c in words if not USUAL.fullmatch(c) and not _silent(c)}


def needs_machine(letters: set[str]) -> bool:
    """Whether the shipped typefaces lack any of these letters (see `strange`)."""
    return not letters <= _shipped()


def without_face(words: str) -> str:
    """The letters, each once and in order, that no typeface here can print."""
    odd = strange(words)
    letters = odd - _shipped() if odd else set()  # to open the typefaces takes most of a second
    for path, number in _of_machine() if letters else ():
        letters -= _letters(path, number)
        if not letters:
            break
    return "".join(dict.fromkeys(c for c in words if c in letters))


def replaced(words: str, missing: str) -> str:
    """The words with a hollow square for each letter that no typeface has."""
    return words.translate(dict.fromkeys(map(ord, missing), UNKNOWN))


def _silent(c: str) -> bool:
    return unicodedata.category(c) in ("Cf", "Cc") or "\ufe00" <= c <= "\ufe0f"


@lru_cache(maxsize=1)
def _shipped() -> frozenset[str]:
    cjk = _cjk()
    return _letters(_dejavu() / FILES[0], 0) | (_letters(cjk, 0) if cjk else frozenset())


@lru_cache(maxsize=1)
def _of_machine() -> tuple[tuple[Path, int], ...]:
    found = {(Path(f.path), f.index) for f in faces(of_machine=True).fonts() if f.path}
    return tuple(sorted(found))


@lru_cache(maxsize=64)
def _letters(path: Path, number: int) -> frozenset[str]:
    """Every letter of one face; none for a file that cannot be read."""
    from fontTools.ttLib import TTFont, TTLibError

    try:
        with TTFont(path, fontNumber=number, lazy=True) as font:
            return frozenset(map(chr, font.getBestCmap() or {}))
    except (OSError, TTLibError, KeyError):
        return frozenset()


@lru_cache(maxsize=1)
def _dejavu() -> Path:
    """A folder with those faces of DejaVu that are used: what a folder holds is all read."""
    folder = Path(tempfile.mkdtemp(prefix="fitwright-faces-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    home = _package("matplotlib")  # found, not imported: that would take longer than the typesetting
    if home is None:
        raise FitwrightError("matplotlib, whose typeface the documents use, is not installed")
    for name in FILES:
        shutil.copyfile(home / "mpl-data" / "fonts" / "ttf" / name, folder / name)
    return folder


@lru_cache(maxsize=1)
def _cjk() -> Path | None:
    """The collection for Chinese, Japanese and Korean; None where its package was left out."""
    home = _package(CJK)
    return next(iter(sorted(home.glob("*.ttc"))), None) if home else None


def _package(name: str) -> Path | None:
    spec = find_spec(name)
    return Path(spec.origin).parent if spec and spec.origin else None
