"""Millimetres told in inches where that is wished; on record and in every computation they stay millimetres.

A finished text ("705 ± 2 mm", "from 705 to 700 mm") is told anew at the last moment, as `fitwright.told` does with
languages. 1 in = 25.4 mm exactly (international yard and pound agreement of 1959).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

IN_MM = 25.4
MM, IN, BOTH = "mm", "in", "mm and in"
STYLES = (MM, IN, BOTH)
_STYLE: ContextVar[str] = ContextVar("style of lengths", default=MM)

_NUMBER = r"\d+(?:[.,]\d+)?"
_SIGNED = rf"[+\-−–]?{_NUMBER}"
_JOINT = r"(?: ± (?:< )?| to | bis | auf | and | und | or | oder | / |–)"
# `1, 2 or 3 mm` is a list; a comma alone may part two things that are not both lengths.
_LIST = rf"(?:{_SIGNED}, )+{_SIGNED},? (?:and|und|or|oder) {_SIGNED}"
_TOLD = r"(?! \([^()]* in\)| = [^()=]* in\b)"  # its inches stand beside it already
LENGTHS = re.compile(rf"(?<![\w.,])(?:{_LIST}|{_SIGNED}(?:{_JOINT}{_SIGNED})*)[ \u00a0]mm(?![\w²³/·]){_TOLD}")
_EACH = re.compile(_NUMBER)


def style() -> str:
    """How lengths are told now: "mm", "in" or "mm and in"."""
    return _STYLE.get()


def tell_in(wanted: str) -> None:
    """From here on lengths are told so, until the surrounding `lengths_in` ends."""
    _STYLE.set(wanted)


@contextmanager
def lengths_in(wanted: str) -> Iterator[None]:
    """Everything told inside has its lengths so."""
    token = _STYLE.set(wanted)
    try:
        yield
    finally:
        _STYLE.reset(token)


def shown(text: str) -> str:
    """The text with its lengths as they are wished."""
    wanted = _STYLE.get()
    if wanted == MM or "mm" not in text:
        return text
    return LENGTHS.sub(lambda m: _again(m, keep=wanted == BOTH), text)


def in_both(told: str) -> tuple[str, str]:
    """(`705 ± 2 mm`, `27.76 ± 0.08 in`) of a value told in both; the second is empty for one told in millimetres."""
    mm, bracket, inch = told.partition(" (")
    return (mm, inch[:-1]) if bracket and told.endswith(" in)") else (told, "")


def _again(match: re.Match[str], *, keep: bool) -> str:
    """All numbers of one find with the same decimals: as fine as the finest of them, whole mm to 0.01 in.

    Kept beside the millimetres they stand in brackets; inside brackets after an equals sign, `(−8 mm = −0.31 in)`.
    """
    found, before = match[0], match.string[: match.start()]
    numbers = found[:-3]
    finest = max(len(n.replace(",", ".").partition(".")[2]) for n in _EACH.findall(numbers))
    decimals = 2 if finest == 0 else 3
    mark = "," if "," in "".join(_EACH.findall(numbers)) else "."
    told = _EACH.sub(
        lambda n: f"{float(n[0].replace(',', '.')) / IN_MM:.{decimals}f}".replace(".", mark), numbers
    )
    if not keep:
        return f"{told} in"
    return f"{found} = {told} in" if before.count("(") > before.count(")") else f"{found} ({told} in)"
