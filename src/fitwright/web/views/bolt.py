"""Before the bolt turns: try settings, see what they would do; nothing is recorded."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fitwright.errors import InputError
from fitwright.studio import bolt, intake
from fitwright.studio.entry import sentence
from fitwright.web.strips import prediction_row, trial_row
from fitwright.web.views.shell import frame, show, the_visit


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Everything by GET, so that a setting has an address and the browser's back button undoes a step."""
    visit = the_visit(pk)
    if stopped := intake.referral(visit):
        return show(request, visit, "plan", {"stopped": stopped}, "plan/bolt.html")
    typed = {k: v for k, v in request.GET.items() if k != "nudge"}
    try:
        found = bolt.tried(visit, typed, request.GET.get("nudge", ""))
    except InputError as error:
        return show(request, visit, "plan", {"missing": sentence(error)}, "plan/bolt.html")
    rows = [prediction_row(p.to_json()) for p in found.predictions]
    context = {
        "tried": found, "refused": sentence(found.refused) if found.refused else "",
        "moved": [r for r in rows if r.moved], "still": [r for r in rows if not r.moved],
        "places": [trial_row(r) for r in found.places],
    }  # fmt: skip
    answer = show(request, visit, "plan", context, "plan/bolt.html")
    if request.headers.get("HX-Current-URL", "").endswith(request.get_full_path()):
        answer["HX-Push-Url"] = (
            "false"  # Enter both changes and submits: one step, one press of the back button
        )
    return answer


def room(request: HttpRequest, pk: int) -> HttpResponse:
    """The slower part: heel and toe."""
    visit = the_visit(pk)
    stopped = intake.referral(visit)
    rows = [] if stopped else [trial_row(r) for r in bolt.room(visit, dict(request.GET.items()))]
    return render(request, "plan/bolt_room.html", frame(visit, "plan") | {"rows": rows})
