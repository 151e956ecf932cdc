"""The cautions on pages and papers: the built-in ones to read, and the studio's own to write."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from fitwright import __version__
from fitwright.plan import red_flags
from fitwright.sheets import cautions
from fitwright.studio import care
from fitwright.web.views.acting import acted, unknown_action
from fitwright.web.views.shell import the_studio


def page(request: HttpRequest) -> HttpResponse:
    """Shown by GET; POST adds a sentence, says one anew, or puts one away."""
    return acted(request, _page, _act)


def _act(request: HttpRequest, typed: dict[str, str]) -> HttpResponse:
    action, key = typed.get("action"), typed.get("key", "")
    if action == "save":
        care.save(typed.get("text", ""), key)
    elif action == "retire":
        care.put_away(key)
    else:
        raise unknown_action(typed)
    return redirect("care")


def _page(request: HttpRequest, extra: dict[str, Any] | None = None, status: int = 200) -> HttpResponse:
    mine = care.own()
    wrong_key = (extra or {}).get("typed", {}).get("key", "")
    context = {
        "studio": the_studio(), "built_in": cautions.ALL, "questions": red_flags.QUESTIONS, "program": __version__,
        "own": [o for o in mine if not o.retired], "away": [o for o in mine if o.retired],
        "most": care.MOST, "longest": care.LONGEST, "typed": {},
        "at": wrong_key if any(o.key == wrong_key for o in mine) else "",
    }  # fmt: skip
    return render(request, "house/care.html", context | (extra or {}), status=status)
