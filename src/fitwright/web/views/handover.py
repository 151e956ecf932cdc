"""Handover: documents, the position as data, follow-up and remount."""

from __future__ import annotations

from typing import Any

from django.http import Http404, HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_safe

from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.studio import handover, plan
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.shell import show, the_visit


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the station; POST keeps the follow-up day, the notes or the final position."""
    return answering(request, pk, _page, _act)


@require_safe
def document(request: HttpRequest, pk: int, name: str) -> HttpResponse:
    """One document as PDF; `?paper=a4` or `us-letter`."""
    visit, paper = the_visit(pk), request.GET.get("paper", "a4")
    if name not in {d.name for d in handover.DOCUMENTS}:
        raise Http404("no such document")
    if paper not in handover.PAPERS:
        raise InputError("paper", "unknown", value=paper[:20], allowed=", ".join(handover.PAPERS))
    pdf = handover.document(visit, name, paper)  # type: ignore[arg-type]  # checked above
    response = HttpResponse(pdf, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}-{visit.pk}-{paper}.pdf"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


@require_safe
def position(request: HttpRequest, pk: int) -> JsonResponse:
    """The position as data."""
    record = handover.position_record(the_visit(pk))
    response = JsonResponse(record, json_dumps_params={"indent": 2, "ensure_ascii": False})
    response["Content-Disposition"] = f'attachment; filename="position-{pk}.json"'
    return response


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    context = {
        "page": handover.page(visit), "typed": {}, "papers": (("a4", "A4"), ("us-letter", "Letter")),
        "open_changes": [c for c in plan.changes_of(visit) if c.state == "planned"],
    }  # fmt: skip
    return show(request, visit, "handover", context | (extra or {}), status=status)


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action = typed.get("action")
    if action == "follow_up":
        handover.save_follow_up(visit, typed.get("follow_up", ""))
        handover.save_notes(visit, typed.get("notes", ""))
    elif action == "position":
        plan.keep_final_position(visit)
    else:
        raise unknown_action(typed)
    return redirect("handover", visit.pk)
