"""Who is at the bench: choose, add, put aside."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.http import url_has_allowed_host_and_scheme

from fitwright.errors import InputError
from fitwright.records.models import Person
from fitwright.studio import people
from fitwright.studio.entry import sentence
from fitwright.web.bench import remember
from fitwright.web.views.acting import unknown_action
from fitwright.web.views.boxes import key_of, typed_of
from fitwright.web.views.shell import the_studio


def page(request: HttpRequest) -> HttpResponse:
    """Shown by GET; POST chooses who is at the bench, adds a person, or puts one aside."""
    if request.method != "POST":
        return _page(request)
    typed = typed_of(request.POST)
    try:
        chosen = _act(typed)
    except InputError as error:
        return _page(request, {"problem": sentence(error), "typed": typed}, 422)
    response = redirect(_back(request, typed))
    if typed.get("action") in ("choose", "add", "nobody"):
        remember(response, chosen)
    return response


def _act(typed: dict[str, str]) -> Person | None:
    action, pk = typed.get("action"), key_of(typed.get("person"))
    if action == "add":
        return people.add(typed.get("name", ""))
    if action == "choose":
        if (person := people.named(pk)) is None:
            raise InputError("Person", "does not work here now", hint="Reload the page")
        return person
    if action == "leave":
        return people.leave(pk)
    if action == "back":
        return people.back(pk)
    if action != "nobody":
        raise unknown_action(typed)
    return None


def _back(request: HttpRequest, typed: dict[str, str]) -> str:
    """Where the person came from, when that is a page of ours."""
    wanted = typed.get("next", "")
    safe = url_has_allowed_host_and_scheme(wanted, {request.get_host()}, request.is_secure())
    safe = safe and wanted.startswith("/")  # else it would be taken for the name of a page
    return wanted if safe and typed.get("action") in ("choose", "add", "nobody") else "people"


def _page(request: HttpRequest, extra: dict[str, Any] | None = None, status: int = 200) -> HttpResponse:
    context = {
        "studio": the_studio(), "people": people.people(), "gone": people.people(here=False),
        "next": request.POST.get("next") or request.GET.get("next", ""),
    }  # fmt: skip
    return render(request, "house/people.html", context | (extra or {}), status=status)
