"""Fitting aid: what the hand does: from where the cleat is to where it shall be."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse

from fitwright.records.models import Visit
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.feet.benches import show_bench


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the page; POST acts."""
    return answering(request, pk, _page, _act)


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    context: dict[str, Any] = {}
    return show_bench(request, visit, "feet_aid", context | (extra or {}), status=status)


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    raise unknown_action(typed)
