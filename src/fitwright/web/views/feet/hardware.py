"""Shoes and hardware: the pair on the bench, its cleats and pedals, by measures, and what its bolts allow."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.studio import hardware as catalogue
from fitwright.studio.entry import Field, plain, sentence
from fitwright.studio.feet import fitted, pairs, shoe_templates
from fitwright.studio.feet.envelope import envelope_of, float_words
from fitwright.studio.feet.hardware import system_of
from fitwright.studio.feet.soles import FEET
from fitwright.told import told
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.feet.benches import show_bench


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the page; POST acts."""
    return answering(request, pk, _page, _act)


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    said = extra or {}
    typed = said.get("typed", {}) if said.get("wrong_action") else {}
    shoes, catalogued = visit.shoes, catalogue.parts(retired=True)
    context = {
        "pairs": pairs.pairs(visit), "shoes": shoes, "system": system_of(visit),
        "stored": shoes.cleat_system if shoes else {}, "systems": _choices(catalogued, "cleat", _system_key(visit)),
        "pair_boxes": _pair_boxes(visit, typed, said),
        "measure_boxes": [_box(f, _own(visit, f), typed, said, "measures") for f in pairs.OWN_MEASURES],
        "pedals": _choices(catalogued, "pedal", fitted.chosen_pedal(visit)), "pedal_key": fitted.chosen_pedal(visit),
        "fitted": {
            name: _box(f.field, f.text, typed, said, "fitted") | {"offers": f.offers}
            for name, f in fitted.fitted(visit).items()
        },
        "feet": [_foot(visit, side) for side in FEET],
        "templates": shoe_templates.templates(), "filled": _filled(visit),
    }  # fmt: skip
    return show_bench(request, visit, "feet_hardware", context | said, status=status)


def _filled(visit: Visit) -> dict[str, Any]:
    """What a template filled in; the name of one that came with the program in the language of the page."""
    came = dict(shoe_templates.filled_from(visit) or {})
    return came | {"label": came["label"] if came["own"] else told(came["label"])} if came else {}


def _foot(visit: Visit, side: str) -> dict[str, Any]:
    return {
        "side": side, "envelope": envelope_of(visit, side), "effects": fitted.effects(visit, side),
        "float_words": float_words(visit, side),
    }  # fmt: skip


def _system_key(visit: Visit) -> str:
    return str(visit.shoes.cleat_system.get("key", "")) if visit.shoes else ""


def _choices(catalogued: Iterable[catalogue.Part], kind: str, now: str) -> list[catalogue.Part]:
    """What is offered, with the one that is carried now even when it was put away."""
    return [p for p in catalogued if p.kind == kind and (not p.retired or p.key == now)]


def _own(visit: Visit, field: Field) -> str:
    value = (visit.shoes.cleat_system if visit.shoes else {}).get(field.name)
    return "" if value is None else plain(float(value))


def _pair_boxes(visit: Visit, typed: dict[str, str], said: dict[str, Any]) -> list[dict[str, Any]]:
    shoes = visit.shoes
    size = plain(float(shoes.size_eu)) if shoes and shoes.size_eu is not None else ""
    known = ((pairs.NAME, shoes.name if shoes else ""), (pairs.SIZE, size))
    return [_box(f, text, typed, said, "pair") for f, text in known]


def _box(field: Field, text: str, typed: dict[str, str], said: dict[str, Any], action: str) -> dict[str, Any]:
    """A field with what stands in its box: what was typed and not taken, else what is on record."""
    own = said.get("wrong_action") == action
    error = said.get("errors", {}).get(field.name) if own else None
    return {
        "field": field, "text": typed.get(field.name, text) if own else text,
        "wrong": sentence(error) if error else "",
    }  # fmt: skip


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action = typed.get("action")
    errors: dict[str, InputError] = {}
    if action == "add":
        pairs.add_pair(visit, typed.get("name", ""), typed.get("size_eu", ""))
    elif action == "switch":
        pairs.switch_pair(visit, typed.get("letter", ""))
    elif action == "pair":
        pairs.save_pair(visit, typed)
    elif action == "measures":
        _, errors = pairs.save_measures(visit, typed)
    elif action in ("fill", "keep", "put_away"):
        messages.success(request, _template(visit, action, typed))
    elif action == "fitted":
        errors = fitted.save_fitted(visit, typed)
    else:
        raise unknown_action(typed)
    if errors:
        return _wrong(request, visit, typed, errors)
    return redirect("feet_hardware", visit.pk)


def _template(visit: Visit, action: str, typed: dict[str, str]) -> str:
    """What was done with a template of shoes, in words."""
    if action == "keep":
        return f"Kept as the template “{shoe_templates.keep(visit, typed.get('template_name', '')).label}”."
    if action == "put_away":
        return f"“{shoe_templates.put_away(typed.get('template', '')).label}” is offered no more."
    chosen, filled = shoe_templates.fill(visit, typed.get("template", ""))
    return f"Filled in from “{chosen.label}”, as told and not measured: {', '.join(filled)}."


def _wrong(
    request: HttpRequest, visit: Visit, typed: dict[str, str], errors: dict[str, InputError]
) -> HttpResponse:
    """The page again: what could be read is saved, what could not stands in its box beside what is wrong."""
    extra = {"wrong_action": typed.get("action", ""), "typed": typed, "errors": errors}
    return _page(request, visit, extra, 422)
