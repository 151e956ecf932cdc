"""The visit's overview, and long work under way."""

from __future__ import annotations

from dataclasses import replace

from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.views.decorators.http import require_POST, require_safe

from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.sheets.front_drawing import front_svg
from fitwright.studio import bike, drawings, overview, undo, value_page
from fitwright.web.views.boxes import key_of
from fitwright.web.views.shell import show, the_visit, work_context


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """The drawing as a map, and what each station knows and misses."""
    visit = the_visit(pk)
    known = drawings.rides(visit)
    anything = bool(known) or bike.contact_points(visit) is not None
    front = any("knee_path" in curves for r in known.values() for curves in r.curves.values())
    numbers = drawings.map_callouts(visit) if anything else ()
    pictures = {
        "side_svg": drawings.map_drawing(visit, numbers) if anything else "",
        "narrow": drawings.narrow_drawings(visit, False) if anything else (),
        "numbers": numbers,
        "front_svg": _front(visit) if front else "",
        "soles_svg": drawings.soles_drawing(visit),
    }
    return show(request, visit, "", {"page": overview.page(visit)} | pictures, template="visit/page.html")


@require_safe
def value(request: HttpRequest, pk: int, name: str) -> HttpResponse:
    """One number of the visit: each time it was taken, its picture, the same over the visits."""
    visit = the_visit(pk)
    try:
        told = value_page.page(visit, name)
    except InputError as error:
        raise Http404(error.problem) from None
    return show(request, visit, "", {"page": told}, template="visit/value.html")


def _front(visit: Visit) -> str:
    """The knee paths with few words, so that the drawing stays large beside the others."""
    figure = drawings.front_figure(visit)
    few = tuple(replace(c, label="out at the top") for c in figure.callouts if c.at.startswith("knee_top"))
    return front_svg(replace(figure, callouts=few), width=430, height=470)


def work(request: HttpRequest, pk: int) -> HttpResponse:
    """The htmx partial that is polled; says so to the page when work has ended, and nothing when nothing happened."""
    visit = the_visit(pk)
    was, since = _numbers(request.GET.get("was", "")), _numbers(request.GET.get("since", ""))
    context = work_context(visit, was, since[0] if since else 0)
    if not (was or context["running"] or context["ended"]):
        return HttpResponse(status=204)
    response = render(request, "visit/work.html", {"visit": visit} | context)
    if context["ended"]:
        response["HX-Trigger"] = "work-ended"
    return response


def _numbers(text: str) -> tuple[int, ...]:
    return tuple(int(x) for x in text[:200].split(",") if x.isascii() and x.isdigit())


@require_POST
def again(request: HttpRequest, pk: int) -> HttpResponse:
    """Undo the last save of typed fields, or redo what was undone; then back to where one was."""
    visit = the_visit(pk)
    way = undo.redo if "redo" in request.POST else undo.undo
    try:
        messages.success(request, way(visit, key_of(request.POST.get("redo") or request.POST.get("undo"))))
    except InputError as error:
        messages.warning(
            request, f"{error.problem[0].upper()}{error.problem[1:]}. {error.hint or ''}".strip()
        )
    back = request.POST.get("next", "")
    here = back.startswith(f"/visits/{visit.pk}/") and url_has_allowed_host_and_scheme(back, None)
    return redirect(back if here else reverse("visit", args=[visit.pk]))


@require_POST
def stop(request: HttpRequest, pk: int, work_pk: int) -> HttpResponse:
    """Ask a piece of work to stop."""
    visit = the_visit(pk)
    overview.stop_work(visit, work_pk)
    if not getattr(request, "htmx", False):
        return redirect("visit", visit.pk)
    return render(request, "visit/work.html", {"visit": visit} | work_context(visit, (work_pk,), 2**62))
