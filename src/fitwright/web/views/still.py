"""Ride: static angles from a still picture: a photograph, or a frame of a film in which the rider holds still."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlencode

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.records.models import Medium, Visit
from fitwright.studio import film_proposals, picks, still_rides
from fitwright.studio.entry import Entry, plain, read_number, sentence
from fitwright.studio.ride import CAMERA, WHEN_WORDS
from fitwright.studio.stills import frame_time
from fitwright.vision.still_ride import EVENTS
from fitwright.web.views.acting import told
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.media import MOMENT
from fitwright.web.views.shell import show, the_visit
from fitwright.web.views.uploads import take

SHOWS = (
    ("side", "Seen from", (("right", "the right"), ("left", "the left"))),
    ("when", "Position", tuple(WHEN_WORDS.items())),
    ("at", "Crank", tuple(EVENTS.items())),
)


def page(request: HttpRequest, pk: int, medium_pk: int) -> HttpResponse:
    """The loupe on one photograph, or on the frame at `?t=` of a film."""
    visit, medium = the_visit(pk), get_object_or_404(Medium, pk=medium_pk, kind__in=("photo", "film"))
    given = typed_of(request.POST if request.method == "POST" else request.GET)
    at_s, problem = _moment(medium, given.get("t") or "0")
    known = still_rides.picture_at(visit, medium, at_s)
    about = still_rides.about_of({**(known.about if known else {}), **given})
    camera = _camera(given if request.method == "POST" else known.about if known else {})
    points = (
        picks.filled(still_rides.EXPECTED, known.points, known.origins) if known else still_rides.EXPECTED
    )
    if request.method == "POST":
        read, points = picks.read_picks(still_rides.EXPECTED, given)
        problem = problem or next((p.error for p in points if p.error), camera.complaint)
        if not problem:
            far = read_number(CAMERA, camera.text) if camera.text else None
            try:
                still_rides.read_picks(visit, medium, about, read, picks.origins(points), at_s, far)
                return redirect(f"{reverse('ride', args=[visit.pk])}#static")
            except InputError as error:
                problem, points = picks.in_words(points, error), picks.beside(points, error)
    context = _context(visit, medium, at_s, about) | {
        "points": points, "groups": picks.parts(points), "problem": problem, "around": (camera,),
    }  # fmt: skip
    return show(request, visit, "ride", context, template="ride/still.html", status=422 if problem else 200)


@told
def found(request: HttpRequest, pk: int, medium_pk: int) -> dict[str, Any]:
    """What was found in the photograph as the points of `?side=`."""
    the_visit(pk)
    medium = get_object_or_404(Medium, pk=medium_pk, kind="photo")
    return film_proposals.proposals_in(medium, request.GET.get("side", ""))


def add_picture(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    """Lay the photograph that was sent, and go on to its points."""
    about = still_rides.about_of(typed)
    medium = take(request, visit, "photo", "photo")
    still_rides.check_picture(medium)
    still_rides.lay(visit, medium, about)
    return redirect(f"{reverse('ride_still', args=[visit.pk, medium.pk])}?{urlencode(about)}")


def put(visit: Visit, typed: Mapping[str, str]) -> None:
    """Set a reading aside, put it back, or take a picture without points away, as `action` says."""
    action = typed["action"]
    if action == "still_away":
        still_rides.take_away(visit, typed.get("ident", ""))
    else:
        still_rides.set_aside(visit, typed.get("label", ""), action == "still_aside")


def _moment(medium: Medium, text: str) -> tuple[float, str]:
    """True time of the frame that is shown, and what is wrong with the one that was asked for; 0 of a photograph."""
    if medium.kind == "photo":
        return 0.0, ""
    try:
        return frame_time(medium, read_number(MOMENT, text)), ""
    except InputError as error:
        return frame_time(medium, 0.0), sentence(error)


def _camera(said: Mapping[str, Any]) -> Entry:
    """The tape's distance to the camera, as typed or on record."""
    value = said.get(CAMERA.name)
    text = plain(value) if isinstance(value, float) else str(value or "").strip()
    try:
        if text:
            read_number(CAMERA, text)
    except InputError as error:
        return Entry(CAMERA, text, error=error)
    return Entry(CAMERA, text)


def _context(visit: Visit, medium: Medium, at_s: float, about: Mapping[str, Any]) -> dict[str, Any]:
    film = medium.kind == "film"
    here = f"t={at_s:.6f}"
    if film:
        view = urlencode({"view": f"side {about['side']}"})
        finds = f"{reverse('ride_found', args=[visit.pk, medium.pk])}?{view}&{here}"
        shown = {"picture_url": f"{reverse('still', args=[medium.sha256])}?{here}"}
    else:
        finds = f"{reverse('ride_still_found', args=[visit.pk, medium.pk])}?side={about['side']}"
        shown = {
            "picture_url": reverse("medium", args=[medium.sha256]),
            "snap_url": reverse("feet_snap", args=[visit.pk, medium.pk]),
        }
    return shown | {
        "medium": medium, "film": film, "t": plain(at_s), "about": about, "view": f"side {about['side']}",
        "hidden": (("t", f"{at_s:.6f}"),) if film else (), "shows": [(*row, about[row[0]]) for row in SHOWS],
        "proposals_url": finds, "diagram": "ride/diagram.html", "more": "ride/still_around.html",
        "taken": still_rides.taken(visit, about["side"]), "back": reverse("ride", args=[visit.pk]),
        "save_words": "Read this picture",
    }  # fmt: skip
