"""Ride: films, marking points once, following them, and what the ride shows."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import quote

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.views.decorators.http import require_POST

from fitwright.errors import InputError
from fitwright.plan.outcome import SEM_NEW_STICKERS
from fitwright.quantity import Z95
from fitwright.records.models import Medium, Visit
from fitwright.studio import (
    drawings,
    film_page,
    film_proposals,
    film_start,
    jobs,
    landmark_file,
    mend,
    picks,
    ride,
    ride_rows,
    rider_box,
    still_rides,
    surroundings,
)
from fitwright.studio.entry import plain, read_number, sentence
from fitwright.studio.film_weak import LABELS
from fitwright.studio.point_origins import grouped, origins_of
from fitwright.studio.proxies import proxy_of
from fitwright.studio.ride import CAMERA, VIEW_WORDS, WHEN_WORDS
from fitwright.studio.stills import check_film, frame_time
from fitwright.studio.visits import analysis
from fitwright.web import examples
from fitwright.web.views import still
from fitwright.web.views.acting import answering, spoken, told, unknown_action
from fitwright.web.views.boxes import key_of, typed_of
from fitwright.web.views.media import MOMENT
from fitwright.web.views.ride_files import take_recording
from fitwright.web.views.shell import show, the_visit
from fitwright.web.views.uploads import take

CHANGE_WHY = (
    "Change is now less before. With the same stickers kept on, where they sit is common to both films and drops out "
    "of the difference, so that a change is surer than either value. If stickers were set again in between, only an "
    f"angle's change beyond {Z95 * 2**0.5 * SEM_NEW_STICKERS['deg']:.0f}° can be told."
)


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the station; POST takes a film or a marker file, or starts following."""
    return answering(request, pk, _page, _act)


def mark(request: HttpRequest, pk: int, medium_pk: int) -> HttpResponse:
    """The loupe on one frame of a film."""
    visit, medium = the_visit(pk), get_object_or_404(Medium, pk=medium_pk, kind="film")
    given = request.POST if request.method == "POST" else request.GET
    view, when = str(given.get("view", "")), str(given.get("when", ""))
    ride.check_place(view, when)
    on_record: Mapping[str, Any] = ride.marks_in(visit, view, when, medium.sha256) or {}
    at_s, problem = _shown_time(medium, str(given.get("t") or on_record.get("time_s") or 0))
    expected = picks.FRONT_FILM if view == "front" else picks.SIDE_FILM
    on_record = mend.confirmed(on_record, analysis(visit, "ride", f"{view} {when}"))
    same = abs(float(on_record.get("time_s", -1)) - at_s) < 0.002
    points = picks.filled(expected, on_record.get("points", {}) if same else {}, origins_of(on_record))
    around = surroundings.entries(view, on_record.get("around", {}))
    typed: dict[str, str] | None = None
    if request.method == "POST":
        typed = typed_of(request.POST)
        read, points = picks.read_picks(expected, typed)
        around = surroundings.entries(view, {}, typed)
        problem = problem or next((p.error for p in points if p.error), "")
        if not problem:
            try:
                lengths = surroundings.read(view, typed)
                marks = {"time_s": at_s, "points": {k: list(v) for k, v in read.items()}, "around": lengths}
                marks |= picks.told_guesses(points, typed.get("guesses") == "yes")
                marks["origin"] = {n: o.to_json() for n, o in picks.film_origins(points).items()}
                ride.check_marks(medium, view, marks)
                if view != "front" and "box.left" in typed:
                    rider_box.save(visit, medium, view, when, typed)
                ride.save_marks(visit, view, when, marks, medium)
                jobs.start_film(visit, view, when)
                return redirect("ride", visit.pk)
            except InputError as error:
                problem, points = picks.in_words(points, error), picks.beside(points, error)
    context = {
        "medium": medium, "view_words": VIEW_WORDS[view], "when_words": WHEN_WORDS[when], "points": points,
        "groups": () if view == "front" else picks.parts(points, picks.FILM_RARE),
        "problem": problem, "picture_url": f"{reverse('still', args=[medium.sha256])}?t={at_s:.6f}",
        "hidden": (("view", view), ("when", when), ("t", f"{at_s:.6f}")), "view": view, "when": when,
        "t": plain(at_s), "back": reverse("ride", args=[visit.pk]), "save_words": "Save and follow the points",
        "diagram": "ride/diagram.html",
        "proposals_url": f"{reverse('ride_found', args=[visit.pk, medium.pk])}"
        f"?view={quote(view)}&when={when}&t={at_s:.6f}",
        "around": around, "more": "ride/around.html",
        "taken": surroundings.taken(visit, ride.VIEWS[view][1]),
        "around_open": any(e.text or e.error for e in around),
        **_guessing(visit, medium, view, when, at_s, points, typed),
    }  # fmt: skip
    return show(request, visit, "ride", context, template="ride/mark.html", status=422 if problem else 200)


def _guessing(
    visit: Visit, medium: Medium, view: str, when: str, at_s: float, points: Iterable[picks.Expected],
    typed: Mapping[str, str] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """What the page needs where a network guesses, or has guessed, and the box in which it begins."""
    given = landmark_file.given()
    use = view != "front" and given is not None and given.agreed
    url = reverse("ride_guessed", args=[visit.pk, medium.pk])
    count = len(picks.guesses(points)[0])
    box = rider_box.box_of(visit, view, when, medium.sha256) if view != "front" else None
    return {
        "box": rider_box.edges(box, typed) if view != "front" else (), "box_drawn": box is not None, "box_ready": use,
        "box_given": given is not None, "box_url": reverse("ride_box", args=[visit.pk, medium.pk]),
        "guesses_url": f"{url}?view={quote(view)}&when={when}&t={at_s:.6f}" if use else "",
        "guesses_shown": use or count > 0, "guesses_open": count,
    }  # fmt: skip


@told
def guessed(request: HttpRequest, pk: int, medium_pk: int) -> dict[str, Any]:
    """What the studio's network sees in the frame at `?t=`."""
    visit, medium = the_visit(pk), get_object_or_404(Medium, pk=medium_pk, kind="film")
    at_s = read_number(MOMENT, request.GET.get("t") or "0")
    return film_proposals.guesses_at(
        visit, medium, request.GET.get("view", ""), request.GET.get("when", ""), at_s
    )


@require_POST
def box(request: HttpRequest, pk: int, medium_pk: int) -> JsonResponse:
    """Keep where the rider is in the film's picture."""
    visit, medium = the_visit(pk), get_object_or_404(Medium, pk=medium_pk, kind="film")
    typed = typed_of(request.POST)
    try:
        kept = rider_box.save(visit, medium, typed.get("view", ""), typed.get("when", ""), typed)
    except InputError as error:
        return JsonResponse(spoken({"problem": sentence(error)}), status=422)
    said = "The box is kept." if kept else "No box: the whole picture is looked at."
    return JsonResponse(spoken({"box_px": kept, "said": said}))


@told
def found(request: HttpRequest, pk: int, medium_pk: int) -> dict[str, Any]:
    """What was found in the frame at `?t=` as the points of `?view=`; with `?when=` what an earlier film had, too."""
    visit = the_visit(pk)
    medium = get_object_or_404(Medium, pk=medium_pk, kind="film")
    at_s = read_number(MOMENT, request.GET.get("t") or "0")
    view, when = request.GET.get("view", ""), request.GET.get("when", "")
    told_here = film_proposals.proposals_at(medium, view, at_s)
    return film_start.with_start(visit, medium, view, when, at_s, told_here) if when else told_here


def _shown_time(medium: Medium, asked: str) -> tuple[float, str]:
    """True time of the frame that is shown for this moment, so that points are kept with the frame they were picked
    in; when there is none, the time as it is (0 when it is no time) and what is wrong with it."""
    asked_s = 0.0
    try:
        asked_s = read_number(MOMENT, asked)
        return frame_time(medium, asked_s), ""
    except InputError as error:
        return asked_s, sentence(error)


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    known = drawings.rides(visit)
    front = any("knee_path" in curves for r in known.values() for curves in r.curves.values())
    clips, static = ride.clips(visit), still_rides.rows(visit)
    context = {
        "example_svg": examples.ride_example(),
        "failed": jobs.follow_problems(visit),
        "weak": {c.label: film_page.advice(c) for c in clips},
        "origins": {c.label: grouped(film_page.origins(c), LABELS) for c in clips},
        "missing": film_page.missing(clips),
        "copies": {c.label: reverse("film_copy", args=[c.medium.sha256]) for c in clips if proxy_of(c.medium)},
        "twice": any(when == "after" for _, when in known), "change_why": CHANGE_WHY,
        "clips": clips, "markers": known.get((ride.MARKERS, "before")), "rows": ride_rows.rows(visit),
        "turns": ride_rows.turns(visit), "events": [words for _, words in ride_rows.EVENTS],
        "curves": drawings.curve_drawings(drawings.charts(visit), width=340.0),
        "more_curves": drawings.curve_drawings(ride_rows.charts(visit), width=340.0, ident="more"),
        "front_svg": drawings.front_drawing(visit, width=560, height=520) if front else "",
        "side_svg": drawings.side_drawing(visit) if known else "",
        "narrow": drawings.narrow_drawings(visit, front) if known else (), "views": VIEW_WORDS.items(),
        "whens": WHEN_WORDS.items(), "view_words": VIEW_WORDS, "when_words": WHEN_WORDS,
        "camera_allowed": CAMERA.allowed, "stills": still_rides.pictures(visit), "static_rows": static,
        "static_twice": any(r.before for r in static), "still_shows": still.SHOWS,
    }  # fmt: skip
    return show(request, visit, "ride", context | (extra or {}), status=status)


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action = typed.get("action")
    if action == "film":
        view, when = typed.get("view", ""), typed.get("when", "")
        medium = _film_of(request, visit, typed)
        text = typed.get("camera_mm", "").strip()
        camera = read_number(CAMERA, text) if text else None
        ride.save_film(visit, medium, view, when, camera)
        return redirect(f"{reverse('ride_mark', args=[visit.pk, medium.pk])}?view={view}&when={when}")
    if action == "follow":
        ride.film_and_marks(visit, typed.get("view", ""), typed.get("when", ""))
        jobs.start_film(visit, typed["view"], typed["when"])
    elif action == "markers":
        return take_recording(request, visit)
    elif action == "still":
        return still.add_picture(request, visit, typed)
    elif action in ("still_aside", "still_back", "still_away"):
        still.put(visit, typed)
    else:
        raise unknown_action(typed)
    return redirect("ride", visit.pk)


def _film_of(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> Medium:
    """The uploaded film, or the one that was sent with this form before: a film does not have to be sent again when
    something else of the form was wrong."""
    kept = Medium.objects.filter(pk=key_of(typed.get("kept")), kind="film").first()
    if kept is None or request.FILES.get("film"):
        kept = take(request, visit, "film", "film")
        check_film(kept)
    typed |= {"kept": str(kept.pk), "kept_name": kept.name}
    return kept
