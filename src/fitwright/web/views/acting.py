"""The shell of every page with forms: show it; on POST do what was asked, or show it again with what is wrong."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, Protocol

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views.decorators.http import require_safe

from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.studio.entry import sentence
from fitwright.told import told as told_words
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.shell import the_visit

SPOKEN = ("problem", "said", "notes", "how", "error")
Act = Callable[[HttpRequest, Visit, dict[str, str]], HttpResponse]


class Show(Protocol):
    """Renders a page, with what went wrong in `extra` (problem, wrong_action, typed)."""

    def __call__(
        self, request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
    ) -> HttpResponse:
        """The page."""


def answering(request: HttpRequest, pk: int, show: Show, act: Act) -> HttpResponse:
    """`acted` for a page of a visit."""
    visit = the_visit(pk)
    return acted(
        request, lambda asked, *more: show(asked, visit, *more), lambda asked, typed: act(asked, visit, typed)
    )


def acted(
    request: HttpRequest,
    show: Callable[..., HttpResponse],
    act: Callable[[HttpRequest, dict[str, str]], HttpResponse],
) -> HttpResponse:
    """GET shows; POST acts, and an InputError shows the page again with everything that was typed.

    show: takes the request, what went wrong (problem, wrong_action, typed) and the status.
    """
    if request.method != "POST":
        return show(request)
    typed = typed_of(request.POST)
    try:
        return act(request, typed)
    except InputError as error:
        wrong = {"problem": sentence(error), "wrong_action": typed.get("action", ""), "typed": typed}
        return show(request, wrong, 422)


def unknown_action(typed: dict[str, str]) -> InputError:
    """For an action that no form of the page sends."""
    return InputError("action", "is not one of this page", value=typed.get("action", "")[:40])


def told(view: Callable[..., dict[str, Any]]) -> Callable[..., HttpResponse]:
    """A view that answers with JSON; what is wrong with the input is a problem in words."""

    @require_safe
    @wraps(view)
    def answer(request: HttpRequest, pk: int, medium_pk: int) -> HttpResponse:
        try:
            return JsonResponse(spoken(view(request, pk, medium_pk)))
        except InputError as error:
            return JsonResponse(spoken({"problem": sentence(error)}), status=422)

    return answer


def spoken(said: Any, key: str = "") -> Any:
    """An answer to a script, what is said in it (`SPOKEN`) in the language of the page."""
    if isinstance(said, dict):
        return {k: spoken(v, k) for k, v in said.items()}
    if isinstance(said, list | tuple):
        return [spoken(v, key) for v in said]
    return told_words(said) if key in SPOKEN and isinstance(said, str) else said
