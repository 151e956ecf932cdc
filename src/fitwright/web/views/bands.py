"""The studio's bands: what counts as inside, for which use, on whose word; change, add, put away, take again."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.plan.targets import QUANTITIES, Clash
from fitwright.plan.types import USES
from fitwright.sheets.strip import Strip, strip_svg
from fitwright.studio import bands
from fitwright.studio.entry import Field, sentence
from fitwright.studio.intake import USE_WORDS
from fitwright.web.views.acting import unknown_action
from fitwright.web.views.boxes import key_of, typed_of
from fitwright.web.views.shell import the_studio

WIDE = ("source", "why")


def page(request: HttpRequest) -> HttpResponse:
    """`?use=` narrows the list; `&band=` opens one with its history, `&new=` a blank form; POST writes."""
    if request.method == "POST":
        return _write(request, typed_of(request.POST))
    ident, new = request.GET.get("band", ""), request.GET.get("new", "")
    if ident:
        known = bands.band(ident)
        return _show(request, _form(known.target.key, known.texts, ident=ident))
    if new:
        quantity = new if new in QUANTITIES else ""
        blank = {"state": "dynamic", "dimension": "2-D", "role": "target", "strength": "practice"}
        return _show(request, _form(quantity, blank))
    return _show(request)


def _write(request: HttpRequest, typed: dict[str, str]) -> HttpResponse:
    action, ident = typed.get("action", ""), typed.get("band", "")
    if action == "save":
        saved, errors = bands.save_band(typed, ident)
        if saved is None:
            quantity = bands.band(ident).target.key if ident else typed.get("quantity", "")
            wrong = {name: sentence(error) for name, error in errors.items()}
            return _show(request, _form(quantity if quantity in QUANTITIES else "", typed, wrong, ident), 422)
        return redirect(f"{reverse('bands')}?{urlencode({'band': saved.ident})}#history")
    why, who = typed.get("why", ""), typed.get("who", "")
    try:
        if action == "retire":
            bands.put_away(ident, why, who)
        elif action == "use":
            bands.use_again(ident, why, who)
        elif action == "restore":
            bands.restore(ident, key_of(typed.get("row")), why, who)
        else:
            raise unknown_action(typed)
    except InputError as error:
        known = bands.band(ident)
        again = {"words": sentence(error), "why": why, "who": who}
        return _show(request, _form(known.target.key, known.texts, ident=ident) | {"again": again}, 422)
    return redirect(f"{reverse('bands')}?{urlencode({'band': ident})}#history")


def _show(request: HttpRequest, form: dict[str, Any] | None = None, status: int = 200) -> HttpResponse:
    use = request.GET.get("use", "")
    use = use if use in USES else ""
    rows = bands.bands(use, retired=True)
    context = {
        "studio": the_studio(), "use": use, "uses": USE_WORDS, "form": form,
        "rows": [_row(b) for b in rows if not b.retired], "away": [b for b in rows if b.retired],
        "clashes": [_clash(c) for c in bands.clashes_now()], "quantities": QUANTITIES,
    }  # fmt: skip
    return render(request, "bands/page.html", context, status=status)


def _row(b: bands.StudioBand) -> dict[str, Any]:
    about, t = QUANTITIES[b.target.key], b.target
    strip = Strip(t.label, (), (t.low, t.high), t.unit, (about.low, about.high), t.source)
    return {
        "band": b, "words": bands.in_words(t), "svg": strip_svg(strip, width=240.0, ident=f"band-{t.ident}"),
    }  # fmt: skip


def _clash(c: Clash) -> str:
    return f"{', '.join(USE_WORDS[u] for u in c.uses)}: {c.words}"


def _form(
    quantity: str, texts: Mapping[str, str], wrong: Mapping[str, str] | None = None, ident: str = ""
) -> dict[str, Any]:
    """The boxes of one band; before a quantity is chosen only that."""
    wrong = wrong or {}
    shown = bands.fields(quantity) if quantity else ()
    ticks = [
        {"name": f"use.{u}", "words": w, "on": texts.get(f"use.{u}") == "yes"} for u, w in USE_WORDS.items()
    ]
    return {
        "ident": ident, "quantity": quantity, "label": QUANTITIES[quantity].label if quantity else "",
        "wrong": wrong, "boxes": [_box(f, texts, wrong) for f in shown],
        "uses": ticks,
        "history": bands.history(ident) if ident else (), "band": bands.band(ident) if ident else None,
    }  # fmt: skip


def _box(field: Field, texts: Mapping[str, str], wrong: Mapping[str, str]) -> dict[str, Any]:
    return {
        "field": field, "text": texts.get(field.name, ""), "wrong": wrong.get(field.name, ""),
        "wide": field.name in WIDE,
    }  # fmt: skip
