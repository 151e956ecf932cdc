"""Template filters: numbers with their uncertainty, side marks, drawings."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from django import template
from django.utils.html import format_html
from django.utils.safestring import SafeString, mark_safe
from django.utils.translation import get_language

from fitwright.quantity import Z95, Measured
from fitwright.sheets.words import value_words
from fitwright.studio.backup import megabytes
from fitwright.studio.edits import words as saved_words
from fitwright.studio.entry import Entry, lowered, plain
from fitwright.studio.point_origins import signs_json
from fitwright.told import told as told_words
from fitwright.web.script_words import script_words_json

register = template.Library()

SIGN = '<svg class="side {0}" viewBox="0 0 12 12" role="img" aria-label="{{}}">{1}</svg>'
AT_PM = re.compile(r"(?<=[\d°%m]) (?=± )|(?<=±) (?=[\d<])")
LEFT = SIGN.format("left", '<circle cx="6" cy="6" r="4.6"/>')
RIGHT = SIGN.format("right", '<path d="M6 1 11.2 10.6H.8z"/>')


@register.filter
def told(value: Any) -> Any:
    """Words that the program made, in the language of the page; numbers, markup and typed names as they are.

    A ± stays on the line of its numbers.
    """
    if isinstance(value, list | tuple):
        return [told(v) for v in value]
    plain_words = isinstance(value, str) and not isinstance(value, SafeString)
    return AT_PM.sub("\u00a0", told_words(value)) if plain_words else value


@register.simple_tag
def script_words() -> SafeString:
    """What the scripts of the page say, as data that no browser runs; nothing in English."""
    words = script_words_json()
    return (
        format_html('<script type="application/json" id="script-words">{}</script>', mark_safe(words))
        if words
        else SafeString()
    )


@register.simple_tag
def origin_signs() -> str:
    """Sign and words of every way in which a picked point can come about, as JSON for the loupe."""
    return signs_json(told_words)


@register.filter
def pm(value: Measured | Mapping[str, Any] | None) -> SafeString:
    """`33.8 ± 1.1°` in tabular figures, with the method as a hover text; an en dash for nothing."""
    if value is None or value == "":
        return mark_safe('<span class="none">–</span>')
    m = value if isinstance(value, Measured) else Measured.from_json(value)
    return format_html(
        '<span class="num" title="{}">{}</span>', told_words(m.method), told_words(value_words(m))
    )


@register.filter
def signed_pm(value: Measured) -> SafeString:
    """`+4.2 ± 2.8°`, a change."""
    words = told_words(value_words(value))
    return format_html('<span class="num">{}</span>', words if value.value <= 0 else f"+{words}")


@register.filter
def mm(value: float) -> str:
    """`−18.9 mm`, one decimal."""
    return told_words(f"{value:.1f} mm".replace("-", "−"))


@register.filter
def side_mark(side: str) -> SafeString:
    """The sign of a side: blue circle for left, vermilion triangle for right."""
    sign = {"left": LEFT, "right": RIGHT}.get(str(side), "")
    return mark_safe(sign.format(told_words(str(side))) if sign else "")


@register.filter
def room(size_bytes: float) -> str:
    """`12.4 MB`, as a disk counts it."""
    return megabytes(size_bytes)


@register.filter
def drawing(svg: str | None) -> SafeString:
    """SVG written by `sheets` (well-formed and escaped by construction); never anything a user uploaded."""
    return mark_safe(svg or "")


@register.filter
def say(name: str) -> str:
    """Id of the line under a field; letters, digits, hyphen and underscore only, so that CSS can name it."""
    return "say-" + re.sub(r"[^A-Za-z0-9_-]", "-", name)


@register.filter
def usual(entry: Entry) -> str:
    """The usual ± (95 %) of the chosen method, for the empty box."""
    methods = entry.field.methods
    chosen = next((m for m in methods if m.name == entry.how), methods[0])
    return plain(round(Z95 * chosen.u, 2 if entry.field.unit == "in" else 1))


@register.filter
def get(mapping: Mapping[str, Any] | None, key: str) -> Any:
    """An item of a mapping, None when it is not there."""
    return (mapping or {}).get(key)


@register.filter
def slugged(view: str) -> str:
    """`side-right`, as addresses say it."""
    return view.replace(" ", "-")


@register.filter("json")
def json_text(value: Any) -> str:
    """JSON, for an attribute that a script reads."""
    return json.dumps(value, separators=(",", ":"))


@register.filter
def percentile(value: float) -> str:
    """`62nd`, elsewhere `62.`; the far ends as "below the 1st" and "above the 99th"."""
    n = round(value)
    if n < 1:
        return told_words("below the 1st")
    if n > 99:
        return told_words("above the 99th")
    if not (get_language() or "en").startswith("en"):
        return f"{n}."
    ending = "th" if n % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


register.filter("lowered", lowered)
register.filter("saved_words", saved_words)


@register.filter
def dot(name: str) -> str:
    """`datum_1` as `dot 1`."""
    number = str(name).removeprefix("datum_")
    return told_words(f"dot {number}") if number != name else str(name)
