"""The studio's catalogue of parts by measures: look, add, correct, put away, offer again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.sheets.hardware_drawing import measure_svg
from fitwright.studio import hardware
from fitwright.studio.entry import Field, sentence
from fitwright.studio.hardware_fields import FIELDS, KINDS, LABEL, THREE, TWO
from fitwright.web.views.acting import unknown_action
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.shell import the_studio

TITLES = {
    "cleat": "Cleat systems", "pedal": "Pedals", "spacer": "Pedal spacers", "shim": "Shims", "wedge": "Wedges",
}  # fmt: skip
PATTERNS = {THREE: "three bolts", TWO: "two bolts"}


def page(request: HttpRequest) -> HttpResponse:
    """`?kind=` chooses the list, `&key=` opens a part for correction, `&new=` a blank form; POST writes."""
    if request.method == "POST":
        return _write(request, typed_of(request.POST))
    kind = _kind(request.GET.get("kind", "cleat"))
    key, new = request.GET.get("key", ""), request.GET.get("new", "")
    if key:
        return _show(request, kind, _form(kind, hardware.part(kind, key).texts, key=key))
    blank = {"bolt_pattern": TWO if new == "two" else THREE} if kind == "cleat" else {}
    return _show(request, kind, _form(kind, blank) if new else None)


def _write(request: HttpRequest, typed: dict[str, str]) -> HttpResponse:
    kind, key = _kind(typed.get("kind", "")), typed.get("key", "")
    action = typed.get("action", "")
    if action == "save":
        part, errors = hardware.save_part(kind, typed, key)
        if part is None:
            wrong = {name: sentence(error) for name, error in errors.items()}
            return _show(request, kind, _form(kind, typed, wrong, key), 422)
    elif action in ("retire", "restore"):
        part = (hardware.retire if action == "retire" else hardware.restore)(kind, key)
    else:
        raise unknown_action(typed)
    return redirect(f"{reverse('catalogue')}?{urlencode({'kind': kind})}#part-{part.key}")


def _kind(text: str) -> str:
    if text not in KINDS:
        raise InputError("kind", "is not one of the catalogue", value=text[:20], allowed=", ".join(KINDS))
    return text


def _show(
    request: HttpRequest, kind: str, form: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    everything = hardware.parts(kind, retired=True)
    context = {
        "studio": the_studio(), "kind": kind, "titles": TITLES, "title": TITLES[kind], "form": form,
        "kind_words": KINDS[kind], "parts": [p for p in everything if not p.retired],
        "away": [p for p in everything if p.retired],
    }  # fmt: skip
    return render(request, "hardware/page.html", context, status=status)


def _form(
    kind: str, texts: Mapping[str, str], wrong: Mapping[str, str] | None = None, key: str = ""
) -> dict[str, Any]:
    """The boxes of one part, each with its drawing; a two-bolt cleat has no front bolt."""
    pattern = texts.get("bolt_pattern", "")
    shown = [
        f for f in (LABEL, *FIELDS[kind])
        if f.kind != "choice" and not (f.name == "front_bolt_mm" and pattern != THREE)
    ]  # fmt: skip
    wrong = wrong or {}
    return {
        "key": key, "pattern": pattern, "pattern_words": PATTERNS.get(pattern, ""), "wrong": wrong,
        "boxes": [_box(f, texts.get(f.name, ""), wrong.get(f.name, ""), pattern == TWO) for f in shown],
    }  # fmt: skip


def _box(field: Field, text: str, wrong: str, two_bolts: bool) -> dict[str, Any]:
    return {
        "field": field, "text": text, "wrong": wrong,
        "svg": measure_svg(field.name, f"{field.label}: {field.hint}", two_bolts),
    }  # fmt: skip
