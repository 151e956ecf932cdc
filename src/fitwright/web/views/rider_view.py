"""The second screen, for the rider: one sentence at a time."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from fitwright.studio.rider_view import steps
from fitwright.web.views.boxes import key_of
from fitwright.web.views.shell import the_studio, the_visit


@require_safe
def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Step `?at=` (from 1) of what is shown."""
    visit = the_visit(pk)
    told = steps(visit)
    at = min(max(key_of(request.GET.get("at")), 1), max(len(told), 1))
    context = {
        "visit": visit, "studio": the_studio(), "step": told[at - 1] if told else None, "at": at, "count": len(told),
        "back": at - 1, "on": at + 1 if at < len(told) else 0,
    }  # fmt: skip
    return render(request, "rider_view/page.html", context)
