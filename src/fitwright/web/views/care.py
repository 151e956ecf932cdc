"""The cautions on pages and papers: the built-in ones to read, and the studio's own to write."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from fitwright import __version__
from fitwright.errors import InputError
from fitwright.plan import red_flags
from fitwright.sheets import cautions
from fitwright.studio import care
from fitwright.studio.entry import sentence
from fitwright.web.views.acting import unknown_action
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.shell import the_studio


def page(request: HttpRequest) -> HttpResponse:
    """Shown by GET; POST adds a sentence, says one anew, or puts one away."""
    if request.method != "POST":
        return _page(request)
    typed = typed_of(request.POST)
    try:
        _act(typed)
    except InputError as error:
        at = typed.get("key", "") if any(o.key == typed.get("key") for o in care.own()) else ""
        return _page(request, {"problem": sentence(error), "typed": typed, "at": at}, 422)
    return redirect("care")


def _act(typed: dict[str, str]) -> None:
    action, key = typed.get("action"), typed.get("key", "")
    if action == "save":
        care.save(typed.get("text", ""), key)
    elif action == "retire":
        care.put_away(key)
    else:
        raise unknown_action(typed)


def _page(request: HttpRequest, extra: dict[str, Any] | None = None, status: int = 200) -> HttpResponse:
    mine = care.own()
    context = {
        "studio": the_studio(), "built_in": cautions.ALL, "questions": red_flags.QUESTIONS, "program": __version__,
        "own": [o for o in mine if not o.retired], "away": [o for o in mine if o.retired],
        "most": care.MOST, "longest": care.LONGEST, "typed": {},
    }  # fmt: skip
    return render(request, "house/care.html", context | (extra or {}), status=status)
