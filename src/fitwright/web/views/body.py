"""Body: the station's page."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse

from fitwright.studio import body as station
from fitwright.web.views.boxes import station as typed_station
from fitwright.web.views.shell import the_visit


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and save."""
    return typed_station(request, the_visit(pk), "body", station.save_body, station.page)
