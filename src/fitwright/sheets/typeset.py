"""Typesetting: a template of this package and plain data become a PDF, or the same pages as pictures.

User text is handed over as JSON and shown as text; it is never part of the template's source, so no character in
a name or a note has a meaning for the typesetter. A PDF says that it keeps to PDF/A-3a and PDF/UA-1 (fonts embedded,
text that can be read out, no date but the day it was made), and may carry the data it was made from as a file inside.
"""

from __future__ import annotations

import io
import json
import logging
import re
import threading
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from importlib.resources import files
from typing import Any, Literal

import segno
import typst
from django.utils.translation import get_language

from fitwright.errors import InputError
from fitwright.sheets.faces import faces, needs_machine, replaced, strange, without_face
from fitwright.sheets.ink import printable
from fitwright.told import told

Paper = Literal["a4", "us-letter"]
PAPER_MM: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}
STANDARDS = ["a-3a", "ua-1"]
ATTACHED = "attached"
"""Key of the files that go with a paper, as they are: [{"name", "text", "mime", "about"}]."""
# What a document is called stands last, since everything below such a line depends on it: a changed title above the
# text had every part of it laid out again.
AT_THE_END = """
#set document(title: d.title, author: d.at("studio", default: ""), date: auto)
#for a in d.at("attached", default: ()) {
  pdf.attach(a.name, bytes(a.text), relationship: "data", mime-type: a.mime, description: a.about)
}
"""
DATA = "data.json"
"""What the house style reads the data of a paper from."""
MISSING = (
    "{letters}: no typeface on this computer has this; □ stands for it. Install a font for it, print again."
)
WORDS = re.compile(r'\bw\("([^"]+)"\)')
_here = threading.local()


@dataclass(frozen=True)
class Laid:
    """A paper before it is set: its template, what fills it, its size. As PDF and as pictures it is the same."""

    template: str
    data: Mapping[str, Any]
    paper: str = "a4"

    def pdf(self) -> bytes:
        """One PDF."""
        return typeset(self.template, self.data, self.paper)

    def pictures(self, ppi: float = 110.0) -> tuple[bytes, ...]:
        """Its pages as PNG."""
        return pictures(self.template, self.data, self.paper, ppi)

    def with_file(self, name: str, text: str, mime: str, about: str) -> Laid:
        """The same paper with a file inside."""
        more = {"name": name, "text": text, "mime": mime, "about": about}
        return replace(self, data={**self.data, ATTACHED: [*self.data.get(ATTACHED, ()), more]})


def paper_mm(paper: str) -> tuple[float, float]:
    """Width and height of a paper, mm; InputError for an unknown one."""
    if paper not in PAPER_MM:
        raise InputError("paper", "unknown size", value=paper, allowed=" or ".join(PAPER_MM))
    return PAPER_MM[paper]


@lru_cache(maxsize=16)
def template(name: str) -> bytes:
    """The source of a template, the house style before it."""
    folder = files("fitwright.sheets") / "templates"
    parts = [(folder / n).read_text(encoding="utf-8") for n in ("house.typ", f"{name}.typ")]
    return "\n".join([*parts, AT_THE_END]).encode()


@lru_cache(maxsize=16)
def fixed_words(name: str) -> tuple[str, ...]:
    """The words that stand in a template itself, each written there as `w("…")`."""
    return tuple(dict.fromkeys(WORDS.findall(template(name).decode())))


def typeset(name: str, data: Mapping[str, Any], paper: str = "a4") -> bytes:
    """The PDF of template `name` filled with `data` (plain values; SVG as strings).

    A letter that no typeface here can print becomes □ and is named at the foot of each page. A template that asks for
    one page (`one_page` in its data) is set plainly first, and again with its parts shrunk when that gave two.
    """
    handed, machine = _handed(name, data, paper)
    pdf = _compiled(name, handed, machine, "pdf")[0]
    if data.get("one_page") and pages_of(pdf) > 1:
        pdf = _compiled(name, handed | {"shrink": True}, machine, "pdf")[0]
    return pdf


def pictures(name: str, data: Mapping[str, Any], paper: str = "a4", ppi: float = 120.0) -> tuple[bytes, ...]:
    """The same pages as PNG, for a screen."""
    handed, machine = _handed(name, data, paper)
    pages = _compiled(name, handed, machine, "png", ppi)
    if data.get("one_page") and len(pages) > 1:
        pages = _compiled(name, handed | {"shrink": True}, machine, "png", ppi)
    return tuple(pages)


def pages_of(pdf: bytes) -> int:
    """How many pages a PDF made here has."""
    found = re.search(rb"/Type\s*/Pages\b[^>]*?/Count\s+(\d+)", pdf)
    return int(found[1]) if found else 1


def _handed(name: str, data: Mapping[str, Any], paper: str) -> tuple[dict[str, Any], bool]:
    """What the template reads, and whether letters in it need the typefaces of this computer."""
    paper_mm(paper)
    attached = data.get(ATTACHED, ())
    handed = clean({k: v for k, v in data.items() if k != ATTACHED})
    odd: set[str] = set()
    for words in _strings(handed):
        odd |= strange(words)
    missing = ""
    machine = bool(odd) and needs_machine(odd)
    if machine:
        missing = without_face("".join(sorted(odd)))
        handed = _replaced(handed, missing) if missing else handed
    said = MISSING.format(letters=f"U+{', U+'.join(f'{ord(c):04X}' for c in missing[:6])}") if missing else ""
    more = {
        "paper": paper,
        "missing": told(said),
        "lang": (get_language() or "en").split("-")[0],
        "words": {words: told(words) for words in fixed_words(name)},
        ATTACHED: list(attached),
    }
    return handed | more, machine


def _compiled(
    name: str, handed: Mapping[str, Any], machine: bool, form: str, ppi: float = 0.0
) -> list[bytes]:
    """Every page of a picture, or the one PDF; a typesetter is kept for each thread: it knows what it laid out."""
    kept: dict[bool, Any] = _here.__dict__.setdefault("kept", {})
    if machine not in kept:
        kept[machine] = typst.Compiler(font_paths=faces(of_machine=machine))
    today = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    # A file, not an input: inputs belong to the library that all of a page depends on, so that one changed letter in
    # them would have every table laid out anew; of a file only what is made from the changed words is.
    data = json.dumps(handed, ensure_ascii=False).encode()
    given: dict[str, Any] = {
        "input": {"main.typ": template(name), DATA: data}, "format": form, "timestamp": today,
    }  # fmt: skip
    if form == "png":
        made = kept[machine].compile(**given, ppi=ppi)
    else:
        try:
            made = kept[machine].compile(**given, pdf_standards=STANDARDS)
        except typst.TypstError as error:
            # A paper that does not keep to the standard is better than none; the tests hold that ours do.
            logging.getLogger(__name__).warning("%s does not keep to %s: %s", name, STANDARDS, error)
            made = kept[machine].compile(**given)
    return list(made) if isinstance(made, list) else [made]


def _strings(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    inner = value.values() if isinstance(value, Mapping) else value if isinstance(value, list) else ()
    return [s for v in inner for s in _strings(v)]


def _replaced(value: Any, missing: str) -> Any:
    if isinstance(value, str):
        return replaced(value, missing)
    if isinstance(value, Mapping):
        return {k: _replaced(v, missing) for k, v in value.items()}
    return [_replaced(v, missing) for v in value] if isinstance(value, list) else value


def clean(value: Any) -> Any:
    """The value with printable, composed, breakable strings, as deep as it goes."""
    if isinstance(value, str):
        return (
            value if value.startswith("<svg") else breakable(unicodedata.normalize("NFC", printable(value)))
        )
    if isinstance(value, Mapping):
        return {k: clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [clean(v) for v in value]
    return value


def breakable(words: str) -> str:
    """The words with a permitted break inside every run of more than 28 characters without a space."""
    return re.sub(r"\S{28}(?=\S)", lambda m: m.group() + "\u200b", words)


@lru_cache(maxsize=64)
def qr_svg(text: str) -> str:
    """The text as a QR symbol, SVG; "" for no text or for more than a symbol holds."""
    if not text.strip():
        return ""
    try:
        symbol = segno.make(text, error="m", micro=False)
    except segno.DataOverflowError:
        return ""
    out = io.BytesIO()
    symbol.save(out, kind="svg", xmldecl=False, border=0, omitsize=True, dark="#23272b", nl=False)
    return out.getvalue().decode()
