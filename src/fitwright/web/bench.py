"""Which person's window a request comes from: a signed cookie, asked for again at every write."""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import quote, unquote

from django.http import HttpRequest, HttpResponse

from fitwright.records.bench import at_the_bench, working_as
from fitwright.records.models import Person
from fitwright.studio import people

COOKIE = "bench"
FOR_YEARS = 5 * 365 * 24 * 3600


class AtTheBench:
    """Middleware: what is written by a request is the chosen person's."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        pk, _, written = str(request.get_signed_cookie(COOKIE, "", max_age=FOR_YEARS)).partition(":")
        name = unquote(written)
        if name and request.method == "POST":  # who left since writes no more under that name
            person = people.named(int(pk))
            name = person.name if person else ""
        with working_as(name):
            return self.get_response(request)


def remember(response: HttpResponse, person: Person | None) -> None:
    """This browser's windows are that person's from now on; of nobody in particular for None."""
    if person is None:
        response.delete_cookie(COOKIE)
    else:
        response.set_signed_cookie(
            COOKIE, f"{person.pk}:{quote(person.name)}", max_age=FOR_YEARS, httponly=True, samesite="Lax"
        )


def person_here(request: HttpRequest) -> dict[str, str]:
    """Context processor: `at_bench`, the name in the head of each page."""
    return {"at_bench": at_the_bench()}
