"""The shell of every station page: show it; on POST do what was asked, or show it again with what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Protocol

from django.http import HttpRequest, HttpResponse

from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.studio.entry import sentence
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.shell import the_visit

Act = Callable[[HttpRequest, Visit, dict[str, str]], HttpResponse]


class Show(Protocol):
    """Renders a page, with what went wrong in `extra` (problem, wrong_action, typed)."""

    def __call__(
        self, request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
    ) -> HttpResponse:
        """The page."""


def answering(request: HttpRequest, pk: int, show: Show, act: Act) -> HttpResponse:
    """GET shows; POST acts, and an InputError shows the page again with everything that was typed."""
    visit = the_visit(pk)
    if request.method != "POST":
        return show(request, visit)
    typed = typed_of(request.POST)
    try:
        return act(request, visit, typed)
    except InputError as error:
        wrong = {"problem": sentence(error), "wrong_action": typed.get("action", ""), "typed": typed}
        return show(request, visit, wrong, 422)


def unknown_action(typed: dict[str, str]) -> InputError:
    """For an action that no form of the page sends."""
    return InputError("action", "is not one of this page", value=typed.get("action", "")[:40])
