"""Whom to meet again: the list, crossing out, and the same as a calendar file."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.views.decorators.http import require_safe

from fitwright.records.models import Visit
from fitwright.studio import followups
from fitwright.web.views.boxes import key_of
from fitwright.web.views.shell import the_studio


def page(request: HttpRequest) -> HttpResponse:
    """Shown by GET; POST crosses one out."""
    if request.method == "POST":
        followups.cross_out(get_object_or_404(Visit, pk=key_of(request.POST.get("visit"))))
        return redirect("follow_ups")
    told = followups.due_list(key_of(request.GET.get("after")))
    return render(
        request, "front/follow_ups.html", {"studio": the_studio(), "page": told, "shows": followups.SHOWS}
    )


@require_safe
def calendar(request: HttpRequest) -> HttpResponse:
    """The open follow-ups as text/calendar; `?shows=nobody`, `initials` or `name` says what an entry tells."""
    file = followups.calendar(request.GET.get("shows", "nobody"))
    response = HttpResponse(file, content_type="text/calendar; charset=utf-8")
    response["Content-Disposition"] = 'attachment; filename="follow-ups.ics"'
    response["Cache-Control"] = "no-store"
    return response
