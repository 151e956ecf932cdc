"""Inches at the edge: the choice of a browser, the boxes of the typed stations, and back to millimetres.

Below this file everything is in millimetres. A box that was left as it stood gives back exactly what is on record.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST

from fitwright import inches
from fitwright.inches import BOTH, IN, IN_MM, MM, lengths_in
from fitwright.studio.entry import Entry, Field, Group, plain

COOKIE = "lengths"
FOR_YEARS = 5 * 365 * 24 * 3600
BESIDE = ("plan", "bolt", "bolt_room", "feet", "document", "preview")
"""Pages of hardware, whose steps are metric, and papers for whoever holds a tape of either kind: inches stand beside
the millimetres."""
METRIC = ("printers", "printer_check", "scale_card", "camera", "cameras", "catalogue")
"""What is laid beside a ruler: millimetres alone."""
DIGIT_LAST = re.compile(r"\d\s*$")
JOINED = re.compile(r"(?<=\d)\s+(?=(?:mm|cm|m|in)\b)")
PARTED = re.compile(r"(,\s+|[\s;]+)")


class Lengths:
    """Middleware: what a page tells has its lengths as this browser wishes."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with lengths_in(IN if request.COOKIES.get(COOKIE) == IN else MM):
            return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., HttpResponse], args: Any, kwargs: Mapping[str, Any]
    ) -> None:
        """Inches stand beside millimetres, or not at all, where the page is about metric parts."""
        name = (request.resolver_match.url_name if request.resolver_match else "") or ""
        if inches.style() == IN and name in METRIC:
            inches.tell_in(MM)
        elif inches.style() == IN and name.startswith(BESIDE):
            inches.tell_in(BOTH)


@require_POST
def choose(request: HttpRequest) -> HttpResponse:
    """This browser's lengths are in mm, or in inches, from now on; back to where one was."""
    back = request.POST.get("next", "")
    safe = url_has_allowed_host_and_scheme(back, {request.get_host()}, request.is_secure())
    response = redirect(back if safe and back.startswith("/") else "front")
    wanted = IN if request.POST.get("lengths") == IN else MM
    response.set_cookie(COOKIE, wanted, max_age=FOR_YEARS, httponly=True, samesite="Lax")
    return response


def wished(request: HttpRequest) -> dict[str, str]:
    """Context processor: `lengths`, "mm" or "in", as this browser wishes them."""
    return {"lengths": IN if request.COOKIES.get(COOKIE) == IN else MM}


def dressed(groups: Iterable[Group]) -> tuple[Group, ...]:
    """The boxes as they are wished: lengths in inches, or as they are."""
    if inches.style() != IN:
        return tuple(groups)
    return tuple(replace(g, entries=tuple(_dressed(e) for e in g.entries)) for g in groups)


def in_mm(groups: Iterable[Group], typed: Mapping[str, str]) -> dict[str, str]:
    """What was typed, for the stations: a length without a unit is in inches where inches are wished; a box that
    still holds what it was shown with says what is on record. `groups`: as they are on record, in millimetres."""
    if inches.style() != IN:
        return dict(typed)
    entries = {e.field.name: e for g in groups for e in g.entries if _is_length(e.field)}
    read = dict(typed)
    for name, entry in entries.items():
        for key, stood in ((name, entry.text), (f"{name}.u", entry.u_text)):
            if key in typed and typed[key].strip():
                same = bool(stood) and typed[key].strip() == _box(stood)
                read[key] = stood if same else _with_unit(entry.field, typed[key])
    return read


def _is_length(field: Field) -> bool:
    return field.unit == "mm" and field.kind in ("number", "readings")


def _with_unit(field: Field, text: str) -> str:
    if field.kind == "readings":
        parts = PARTED.split(JOINED.sub("", text.strip()))
        return "".join(p if i % 2 else _one_with_unit(p) for i, p in enumerate(parts))
    return _one_with_unit(text)


def _one_with_unit(text: str) -> str:
    return f"{text.rstrip()} in" if DIGIT_LAST.search(text) else text


def _box(text: str) -> str:
    """`172.5` or `7 8` (mm) as their box shows them in inches, to 0.001 in (0.03 mm)."""
    return " ".join(plain(float(part) / IN_MM) for part in text.split())


def _dressed(entry: Entry) -> Entry:
    field = entry.field
    if not _is_length(field):
        return entry
    inch = replace(
        field, unit="in", low=math.ceil(100 * field.low / IN_MM) / 100,
        high=math.floor(100 * field.high / IN_MM) / 100,
        methods=tuple(replace(m, u=m.u / IN_MM) for m in field.methods),
    )  # fmt: skip
    return replace(entry, field=inch, text=_box(entry.text), u_text=_box(entry.u_text))
