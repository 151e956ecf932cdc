"""Handover: documents and their preview, the records as data, follow-up and remount."""

from __future__ import annotations

import base64
from typing import Any

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.views.decorators.http import require_safe

from fitwright.errors import InputError
from fitwright.records.models import Visit
from fitwright.sheets.print_scale import PrintScale
from fitwright.sheets.typeset import Paper
from fitwright.studio import handover, papers, plan, takeaway
from fitwright.studio.entry import sentence
from fitwright.web.views import printers
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.shell import show, the_visit

PAPER_WORDS = (("a4", "A4"), ("us-letter", "Letter"))
DATA = {
    "position.json": ("application/json", lambda v: takeaway.as_json(takeaway.position_record(v))),
    "measures.json": ("application/json", lambda v: takeaway.as_json(takeaway.measures_record(v))),
    "measures.csv": ("text/csv; charset=utf-8", takeaway.as_csv),
}


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the station; POST keeps the follow-up day, the notes or the final position."""
    return answering(request, pk, _page, _act)


@require_safe
def document(request: HttpRequest, pk: int, name: str) -> HttpResponse:
    """One document as PDF; `?paper=a4` or `us-letter`, `?printer=` another than this browser's own."""
    visit, paper, scale = _asked(request, pk, name)
    response = HttpResponse(papers.document(visit, name, paper, scale), content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="{name}-{visit.pk}-{paper}.pdf"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


@require_safe
def preview(request: HttpRequest, pk: int, name: str) -> HttpResponse:
    """The pages of the document as they will be printed, with the way to print them."""
    visit, paper, scale = _asked(request, pk, name)
    about = next(d for d in papers.DOCUMENTS if d.name == name)
    context: dict[str, Any] = {
        "document": about, "paper": paper, "papers": PAPER_WORDS, "scale": scale, "pages": (), "problem": "",
    }  # fmt: skip
    try:
        pages = papers.pictures(visit, name, paper, scale)
        context["pages"] = [base64.b64encode(p).decode() for p in pages]
    except InputError as error:
        context["problem"] = sentence(error)
    status = 422 if context["problem"] else 200
    return show(request, visit, "handover", context, template="handover/preview.html", status=status)


@require_safe
def data(request: HttpRequest, pk: int, name: str) -> HttpResponse:
    """The position, or every measure of the visit, as a file."""
    if name not in DATA:
        raise Http404("no such file")
    kind, write = DATA[name]
    response = HttpResponse(write(the_visit(pk)), content_type=kind)
    stem, _, suffix = name.rpartition(".")
    response["Content-Disposition"] = f'attachment; filename="{stem}-{pk}.{suffix}"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


def _asked(request: HttpRequest, pk: int, name: str) -> tuple[Visit, Paper, PrintScale | None]:
    """Visit, paper and the printer's scale; 404 for an unknown document, InputError for an unknown paper."""
    visit, asked = the_visit(pk), request.GET.get("paper", "a4")
    known = {d.name: d for d in papers.DOCUMENTS}
    if name not in known:
        raise Http404("no such document")
    paper = next((p for p in papers.PAPERS if p == asked), None)
    if paper is None:
        raise InputError("paper", "unknown", value=asked[:20], allowed=", ".join(papers.PAPERS))
    printer = printers.chosen(request, paper) if known[name].exact else None
    return visit, paper, printer.scale if printer else None


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    context = {
        "page": handover.page(visit), "typed": {}, "papers": PAPER_WORDS, "printer": printers.chosen(request),
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
