"""Feet: sole photographs, picking points, hardware and the wish."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_safe

from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.models import Medium, Visit
from fitwright.sheets.card_pdf import scale_card_pdf
from fitwright.studio import drawings, picks
from fitwright.studio.entry import Field, read_number, sentence
from fitwright.studio.feet import check, foot, hardware, setting, soles
from fitwright.studio.handover import PAPERS
from fitwright.studio.visits import analysis
from fitwright.web import examples
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.feet.benches import show_bench
from fitwright.web.views.shell import show, the_visit
from fitwright.web.views.uploads import take

WHEN_WORDS = {"before": "as it came", "after": "after fitting", "remount": "put back later"}
SYSTEM = {
    "float_in_deg": "Float, toes in from its middle", "float_out_deg": "Float, toes out from its middle",
    "stack_mm": "Pedal axle to sole",
}  # fmt: skip


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the station; POST takes a photograph, a wish or the cleat system."""
    return answering(request, pk, _page, _act)


def pick(request: HttpRequest, pk: int, medium_pk: int) -> HttpResponse:
    """The loupe on one photograph."""
    visit, medium = the_visit(pk), get_object_or_404(Medium, pk=medium_pk, kind="photo")
    given = request.POST if request.method == "POST" else request.GET
    side, when = str(given.get("foot", "left")), str(given.get("when", "before"))
    row = analysis(visit, "sole", soles.label(visit, f"{side} {when}"))
    same = row is not None and row.medium_id == medium.pk
    points = picks.filled(picks.SOLE, row.inputs.get("points", {}) if row and same else {})
    problem = ""
    if request.method == "POST":
        read, points = picks.read_picks(picks.SOLE, typed_of(request.POST))
        problem = next((p.error for p in points if p.error), "")
        if not problem:
            try:
                check.save_sole(visit, medium, side, when, read)
                return redirect("feet", visit.pk)
            except InputError as error:
                problem = sentence(error)
    context = {
        "medium": medium, "foot": side, "when": when, "when_words": WHEN_WORDS.get(when, when),
        "points": points, "problem": problem, "picture_url": reverse("medium", args=[medium.sha256]),
        "hidden": (("foot", side), ("when", when)), "back": reverse("feet", args=[visit.pk]),
        "save_words": "Measure this sole", "diagram": "feet/diagram.html",
    }  # fmt: skip
    return show(request, visit, "feet", context, template="feet/pick.html", status=422 if problem else 200)


@require_safe
def scale_card(request: HttpRequest) -> HttpResponse:
    """The scale card to print, `?paper=a4` or `us-letter`."""
    paper = request.GET.get("paper", "a4")
    if paper not in PAPERS:
        raise InputError("paper", "unknown", value=paper[:20], allowed=", ".join(PAPERS))
    response = HttpResponse(scale_card_pdf(paper=paper), content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="scale-card-{paper}.pdf"'
    return response


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    content = foot.page(visit)
    system = [
        (name, label, *hardware.SYSTEM_LIMITS[name], content.system.get(name, ""))
        for name, label in SYSTEM.items()
    ]
    context = {
        "example_svg": examples.sole_example(), "page": content,
        "feet": [vars(f) | {"cleats": _cleats(f)} for f in content.feet],
        "soles_svg": drawings.soles_drawing(visit), "when_words": WHEN_WORDS, "system": system,
    }  # fmt: skip
    return show_bench(request, visit, "feet", context | (extra or {}), "feet/page.html", status)


def _cleats(one: foot.Foot) -> list[tuple[str, dict[str, Measured]]]:
    """The cleat at each moment and the first setting, in the order in which they came about."""
    found = {w: r.cleat.measured() for w, r in one.readings.items() if r.cleat is not None}
    rows = [(WHEN_WORDS[w], found[w]) for w in WHEN_WORDS if w in found]
    if one.start is not None:
        rows.insert(1 if "before" in found else 0, ("first setting", one.start.cleat.measured()))
    return rows


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action = typed.get("action")
    if action == "photo":
        side, when = typed.get("foot", ""), typed.get("when", "")
        medium = take(request, visit, "photo", "photo")
        soles.save_photo(visit, medium, side, when)
        return redirect(f"{reverse('feet_pick', args=[visit.pk, medium.pk])}?foot={side}&when={when}")
    if action == "wish":
        wished = Field("wanted_lambda", "Axle under the foot", unit="1", low=0, high=1)
        setting.save_wish(visit, typed.get("foot", ""), read_number(wished, typed.get("wanted_lambda", "")))
    elif action == "system":
        hardware.save_system(visit, typed.get("name", "")[:120] or "shoes", None, _system(visit, typed))
    else:
        raise unknown_action(typed)
    return redirect("feet", visit.pk)


def _system(visit: Visit, typed: dict[str, str]) -> dict[str, Any]:
    """The cleat system as typed; what is left empty keeps what is on record."""
    system: dict[str, Any] = dict(visit.shoes.cleat_system) if visit.shoes else {}
    for name, label in SYSTEM.items():
        low, high, unit = hardware.SYSTEM_LIMITS[name]
        if typed.get(name, "").strip():
            system[name] = read_number(Field(name, label, unit=unit, low=low, high=high), typed[name])
    if typed.get("bolts") in ("three-bolt", "two-bolt"):
        system["bolts"] = typed["bolts"]
    return system
