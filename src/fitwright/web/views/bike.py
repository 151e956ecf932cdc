"""Bike: the station's page, and templates of bikes."""

from __future__ import annotations

from collections.abc import Mapping

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.studio import bike as station
from fitwright.studio import bike_templates, drawings
from fitwright.studio.entry import sentence
from fitwright.web.views.boxes import Typed, exchange, typed_of, version_of
from fitwright.web.views.shell import show, the_visit

STATION = Typed(
    "bike", station.save_bike, station.page, drawings.bike_drawing,
    lambda: {"templates": bike_templates.templates()},
    drawings.narrow_bike,
)  # fmt: skip


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and save; fill in from a template, keep this bike as one, put one away."""
    visit = the_visit(pk)
    typed = typed_of(request.POST)
    action = typed.get("action", "")
    if action not in ("fill", "keep", "put_away"):
        return exchange(request, visit, STATION)
    try:
        messages.success(request, _act(visit, action, typed, version_of(request.POST.get("version"))))
    except InputError as error:
        wrong = {"problem": sentence(error), "wrong_action": action, "typed": typed}
        return show(request, visit, "bike", STATION.shown(visit) | wrong, status=422)
    return redirect(request.path)


def _act(visit: Visit, action: str, typed: Mapping[str, str], version: int | None) -> str:
    if action == "keep":
        kept = bike_templates.keep(visit, typed.get("name", ""))
        return f"Kept as the template “{kept.label}”."
    if action == "put_away":
        return f"“{bike_templates.put_away(typed.get('template', '')).label}” is offered no more."
    chosen, filled = bike_templates.fill(visit, typed.get("template", ""), version)
    return f"Filled in from “{chosen.label}”, as told and not measured: {', '.join(filled)}."
