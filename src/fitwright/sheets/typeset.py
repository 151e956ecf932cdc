"""Typesetting: a template of this package and plain data become a PDF.

User text is handed over as JSON and shown as text; it is never part of the template's source, so no character in
a name or a note has a meaning for the typesetter.
"""

from __future__ import annotations

import atexit
import io
import json
import re
import shutil
import tempfile
from collections.abc import Mapping
from functools import lru_cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

import segno
import typst

from fitwright.errors import FitwrightError, InputError
from fitwright.sheets.ink import printable

Paper = Literal["a4", "us-letter"]
PAPER_MM: dict[str, tuple[float, float]] = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}
FACES = ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf", "DejaVuSans-Oblique.ttf")


def paper_mm(paper: str) -> tuple[float, float]:
    """Width and height of a paper, mm; InputError for an unknown one."""
    if paper not in PAPER_MM:
        raise InputError("paper", "unknown size", value=paper, allowed=" or ".join(PAPER_MM))
    return PAPER_MM[paper]


@lru_cache(maxsize=1)
def faces() -> Any:
    """The typefaces: DejaVu Sans as it comes with matplotlib (the same on every machine; Latin, Greek, Cyrillic),
    then whatever the system has, for other scripts only."""
    folder = Path(tempfile.mkdtemp(prefix="fitwright-faces-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    spec = find_spec("matplotlib")  # found, not imported: that would take longer than the typesetting
    if spec is None or spec.origin is None:
        raise FitwrightError("matplotlib, whose typeface the documents use, is not installed")
    source = Path(spec.origin).parent / "mpl-data" / "fonts" / "ttf"
    for name in FACES:
        shutil.copyfile(source / name, folder / name)
    return typst.Fonts(include_system_fonts=True, include_embedded_fonts=False, font_paths=[str(folder)])


def template(name: str) -> str:
    """The source of a template, the house style before it."""
    folder = files("fitwright.sheets") / "templates"
    return "\n".join((folder / n).read_text(encoding="utf-8") for n in ("house.typ", f"{name}.typ"))


def typeset(name: str, data: Mapping[str, Any], paper: str = "a4") -> bytes:
    """The PDF of template `name` filled with `data` (plain values; SVG as strings)."""
    paper_mm(paper)
    handed = json.dumps(clean(data) | {"paper": paper}, ensure_ascii=False)
    compiler = typst.Compiler(template(name).encode(), font_paths=faces(), sys_inputs={"data": handed})
    pdf = compiler.compile(format="pdf")
    assert isinstance(pdf, bytes)  # one PDF whatever the number of pages
    return pdf


def clean(value: Any) -> Any:
    """The value with printable, breakable strings, as deep as it goes."""
    if isinstance(value, str):
        return value if value.startswith("<svg") else breakable(printable(value))
    if isinstance(value, Mapping):
        return {k: clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [clean(v) for v in value]
    return value


def breakable(words: str) -> str:
    """The words with a permitted break inside every run of more than 28 characters without a space."""
    return re.sub(r"\S{28}(?=\S)", lambda m: m.group() + "\u200b", words)


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
