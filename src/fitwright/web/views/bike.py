"""Bike: the station's page."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse

from fitwright.studio import bike as station
from fitwright.studio import drawings
from fitwright.web.views.boxes import Typed, exchange
from fitwright.web.views.shell import the_visit

STATION = Typed("bike", station.save_bike, station.page, drawings.bike_drawing)


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show and save."""
    return exchange(request, the_visit(pk), STATION)
