"""Picking points in a sole photograph: the loupe's page, what the finder proposes there, and snapping a pick."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.quantity import Floats
from fitwright.records.models import Medium, Visit
from fitwright.studio import picks
from fitwright.studio.entry import Field, read_number
from fitwright.studio.feet import check, proposals, soles
from fitwright.studio.feet.photo import picture_of
from fitwright.studio.point_origins import Origin
from fitwright.studio.visits import analysis
from fitwright.vision.pick import snap_at
from fitwright.web.views.acting import told
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.shell import show, the_visit
from fitwright.web.views.uploads import take


def page(request: HttpRequest, pk: int, medium_pk: int) -> HttpResponse:
    """The loupe on one photograph."""
    visit, medium = the_visit(pk), _photo(medium_pk)
    given = typed_of(request.POST if request.method == "POST" else request.GET)
    side, when = given.get("foot", "left"), given.get("when", "before")
    soles.check_place(side, when)
    if request.method == "POST":
        read, points = picks.read_picks(picks.SOLE, given)
        problem = next((p.error for p in points if p.error), "")
        if not problem:
            try:
                edge = _edge(visit, medium, side, given)
                check.save_sole(visit, medium, side, when, read, picks.origins(points), edge)
                return redirect(_goes_back(when), visit.pk)
            except InputError as error:
                problem, points = picks.in_words(points, error), picks.beside(points, error)
        kept = "outline" in given
    else:
        row = analysis(visit, "sole", soles.label(visit, f"{side} {when}"))
        on_record = row.inputs if row and row.medium_id == medium.pk else {}  # type: ignore[attr-defined]
        origins = {k: Origin.from_json(o) for k, o in on_record.get("origins", {}).items()}
        points = picks.filled(picks.SOLE, on_record.get("points", {}), origins)
        problem, kept = "", bool(on_record.get("outline"))
    context = {
        "medium": medium, "foot": side, "when": when, "when_words": soles.MOMENT_WORDS, "feet": soles.FEET,
        "points": points, "groups": picks.parts(points, picks.SOLE_RARE), "problem": problem,
        "outline_kept": kept, "picture_url": reverse("medium", args=[medium.sha256]),
        "proposals_url": f"{reverse('feet_proposals', args=[visit.pk, medium.pk])}?foot={side}",
        "snap_url": reverse("feet_snap", args=[visit.pk, medium.pk]),
        "back": reverse(_goes_back(when), args=[visit.pk]),
        "save_words": "Measure this sole", "diagram": "feet/diagram.html",
    }  # fmt: skip
    return show(request, visit, "feet", context, template="feet/pick.html", status=422 if problem else 200)


def add_photo(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    """Lay the sole photograph that was sent at its place, and go on to its points."""
    side, when = typed.get("foot", ""), typed.get("when", "")
    soles.check_place(side, when)
    medium = take(request, visit, "photo", "photo")
    soles.save_photo(visit, medium, side, when)
    return redirect(f"{reverse('feet_pick', args=[visit.pk, medium.pk])}?foot={side}&when={when}")


def _goes_back(when: str) -> str:
    """The page that asked for this photograph: a cleat that was set or put back is checked on a page of its own."""
    return "feet" if when == "before" else "feet_check"


@told
def proposed(request: HttpRequest, pk: int, medium_pk: int) -> dict[str, Any]:
    """What was found in the photograph as the sole of `?foot=`."""
    found = proposals.proposals_of(the_visit(pk), _photo(medium_pk), request.GET.get("foot", ""))
    return found.to_json()


@told
def snapped(request: HttpRequest, pk: int, medium_pk: int) -> dict[str, Any]:
    """The pick `?u=&v=` moved to the nearest dot, edge or corner, `?kind=`."""
    the_visit(pk)
    medium = _photo(medium_pk)
    u, v = (read_number(Field(n, n, unit="px", low=0, high=20000), request.GET.get(n, "")) for n in "uv")
    found = snap_at(picture_of(medium), (u, v), request.GET.get("kind", ""))
    return found.to_json() | {"said": f"Snapped to: {found.to}."}


def _photo(pk: int) -> Medium:
    medium: Medium = get_object_or_404(Medium, pk=pk, kind="photo")
    return medium


def _edge(visit: Visit, medium: Medium, side: str, given: Mapping[str, str]) -> Floats | None:
    """The sole's edge as it was found, when it was accepted."""
    found = proposals.kept(visit, medium, side) if "outline" in given else None
    return found.outline_px if found is not None and len(found.outline_px) else None
