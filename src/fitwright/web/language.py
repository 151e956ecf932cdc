"""The language of a request, found once by Django's `LocaleMiddleware`, for every word that is told in it."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.utils.translation import get_language

from fitwright.told import speaking


class Spoken:
    """Middleware: stands after `LocaleMiddleware`."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with speaking(get_language() or ""):
            return self.get_response(request)
