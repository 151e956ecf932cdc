"""Bike: the station's page."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse

from fitwright.studio import bike as station
from fitwright.web.views.boxes import station as typed_station
from fitwright.web.views.shell import the_visit


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and save."""
    return typed_station(request, the_visit(pk), "bike", station.save_bike, station.page)
