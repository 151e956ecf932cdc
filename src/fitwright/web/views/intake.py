"""Intake: the station's page."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse

from fitwright.studio import intake as station
from fitwright.web.views.boxes import Typed, exchange
from fitwright.web.views.shell import the_visit

STATION = Typed("intake", station.save_intake, station.page)


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and save."""
    return exchange(request, the_visit(pk), STATION)
