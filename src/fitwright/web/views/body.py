"""Body: the station's page, and the loupe on a photograph of a hanging foot."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fitwright.body.hanging_photo import SIDES
from fitwright.errors import InputError
from fitwright.records.models import Medium, Visit
from fitwright.studio import body as station
from fitwright.studio import hanging, picks
from fitwright.studio.entry import sentence
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.boxes import Typed, exchange, key_of, typed_of
from fitwright.web.views.shell import show, the_visit
from fitwright.web.views.uploads import take

STATION = Typed("body", station.save_body, station.page)
CARD_WORDS = {
    "level": "level, at any height", "sole": "level with the sole", "none": "not in the picture",
}  # fmt: skip
SHOWS = (
    ("side", "Foot", (("left", "left"), ("right", "right"))),
    ("line", "Foot’s line", (("shoe", "middle of the shoe’s sole"), ("bare", "bare, heel to second toe"))),
    ("knee", "Straight ahead", (("thigh", "middle of the thigh"), ("edge", "straight edge along it"))),
    ("card", "Scale card", tuple(CARD_WORDS.items())),
)  # fmt: skip


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and save; with an `action`, take a photograph or set its reading aside."""
    if request.POST.get("action", "take_over") != "take_over":
        return answering(request, pk, _page, _act)
    return exchange(request, the_visit(pk), STATION)


def pick(request: HttpRequest, pk: int, medium_pk: int) -> HttpResponse:
    """The loupe on one photograph of a hanging foot, `?side=left` or `right`."""
    visit, medium = the_visit(pk), get_object_or_404(Medium, pk=medium_pk, kind="photo")
    given = typed_of(request.POST if request.method == "POST" else request.GET)
    known = hanging.photo_of(visit, medium, given.get("side", ""))
    about = hanging.about_of({**(known.about if known else {}), **given}, visit)
    expected = hanging.expected(about["line"], about["knee"])
    points = picks.filled(expected, known.points, known.origins) if known else expected
    problem = ""
    if request.method == "POST":
        read, points = picks.read_picks(expected, given)
        problem = next((p.error for p in points if p.error), "")
        if not problem:
            try:
                hanging.save_picks(visit, medium, about, read, picks.origins(points))
                return redirect("body", visit.pk)
            except InputError as error:
                problem, points = sentence(error), picks.beside(points, error)
    context: dict[str, Any] = {
        "medium": medium, "side": about["side"], "points": points, "problem": problem,
        "picture_url": reverse("medium", args=[medium.sha256]),
        "snap_url": reverse("feet_snap", args=[visit.pk, medium.pk]), "back": reverse("body", args=[visit.pk]),
        "save_words": "Read this foot", "diagram": "body/diagram.html",
        "shows": [(*row, about[row[0]]) for row in SHOWS],
    }  # fmt: skip
    return show(request, visit, "body", context, template="body/pick.html", status=422 if problem else 200)


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    return show(request, visit, "body", STATION.shown(visit) | (extra or {}), status=status)


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action, side = typed["action"], typed.get("side", "")
    if action == "photo":
        if side not in SIDES:
            raise InputError("foot", "unknown", value=side[:20], allowed="left, right")
        medium = take(request, visit, "photo", "photo")
        hanging.save_photo(visit, medium, {"side": side})
        return redirect(f"{reverse('body_hang', args=[visit.pk, medium.pk])}?side={side}")
    if action in ("aside", "back"):
        hanging.set_aside(visit, typed.get("label", ""), action == "aside")
    elif action == "away":
        hanging.take_away(visit, key_of(typed.get("medium")), side)
    else:
        raise unknown_action(typed)
    return redirect("body", visit.pk)
