"""The studio's landmark network: which file is used, adding one, saying that it is the one that is meant."""

from __future__ import annotations

from typing import Any, BinaryIO, cast

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from fitwright.errors import InputError
from fitwright.studio import landmark_file
from fitwright.vision.landmark_net import TAKEN
from fitwright.web.views.acting import acted, unknown_action
from fitwright.web.views.shell import the_studio


def page(request: HttpRequest) -> HttpResponse:
    """Shown by GET; POST adds a file, agrees to it, or takes it away."""
    return acted(request, _page, _act)


def _act(request: HttpRequest, typed: dict[str, str]) -> HttpResponse:
    action = typed.get("action")
    if action == "add":
        file = request.FILES.get("network")
        if file is None or isinstance(file, list):
            raise InputError("network", "no file was chosen", allowed=TAKEN)
        landmark_file.add(cast(BinaryIO, file), str(file.name))
    elif action == "agree":
        landmark_file.agree(typed.get("sha256", ""), typed.get("licence", ""))
    elif action == "take_away":
        landmark_file.take_away()
    else:
        raise unknown_action(typed)
    return redirect("landmarks")


def _page(request: HttpRequest, extra: dict[str, Any] | None = None, status: int = 200) -> HttpResponse:
    context = {"studio": the_studio(), "given": landmark_file.given()}
    return render(request, "landmarks/page.html", context | (extra or {}), status=status)
