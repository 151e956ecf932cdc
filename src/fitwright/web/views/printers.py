"""Printers: the list with what the ruler read, the check page, and which one this browser prints on."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.views.decorators.http import require_http_methods, require_safe

from fitwright.errors import InputError
from fitwright.sheets.printer_check import printer_check
from fitwright.studio import printers
from fitwright.studio.entry import sentence
from fitwright.studio.papers import PAPERS
from fitwright.web.views.acting import unknown_action
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.shell import the_studio

COOKIE = "printer"
YEAR_S = 365 * 24 * 3600


def chosen(request: HttpRequest, paper: str = "") -> printers.Printer | None:
    """The printer that this browser prints on (`?printer=` of the address before the remembered one).

    With a paper: the same printer loaded with it, None where that was never checked.
    """
    one = printers.printer(request.GET.get("printer", request.COOKIES.get(COOKIE, ""))[:40])
    if one is None or not paper or one.paper == paper:
        return one
    same = (p for p in printers.printers() if p.scale.printer == one.scale.printer and p.paper == paper)
    return next(same, None)


@require_http_methods(["GET", "HEAD", "POST"])
def page(request: HttpRequest) -> HttpResponse:
    """Show the printers; POST keeps a check, takes one off the list, or remembers one for this browser."""
    if request.method != "POST":
        return _page(request)
    typed = typed_of(request.POST)
    action = typed.get("action", "")
    try:
        if action == "check":
            key, errors = printers.save_check(typed)
            if errors:
                return _page(
                    request, {"typed": typed, "errors": {k: sentence(e) for k, e in errors.items()}}, 422
                )
            return _remember(key)
        if action == "choose":
            key = typed.get("printer", "")
            if key and printers.printer(key) is None:
                raise InputError("printer", "is none of this studio", value=key[:40])
            return _remember(key)
        if action == "retire":
            printers.retire(typed.get("printer", ""))
            return redirect("printers")
        raise unknown_action(typed)
    except InputError as error:
        return _page(request, {"typed": typed, "problem": sentence(error)}, 422)


@require_safe
def check_page(request: HttpRequest) -> HttpResponse:
    """The page with both bars as PDF; `?paper=a4` or `us-letter`."""
    paper = request.GET.get("paper", "a4")
    if paper not in PAPERS:
        raise InputError("paper", "unknown", value=paper[:20], allowed=", ".join(PAPERS))
    pdf = printer_check(the_studio().name, paper).pdf()  # type: ignore[arg-type]  # checked above
    response = HttpResponse(pdf, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="printer-check-{paper}.pdf"'
    response["X-Content-Type-Options"] = "nosniff"
    return response


def _remember(key: str) -> HttpResponse:
    response = redirect("printers")
    if key:
        response.set_cookie(COOKIE, key, max_age=YEAR_S, httponly=True, samesite="Lax")
    else:
        response.delete_cookie(COOKIE)
    return response


def _page(request: HttpRequest, extra: dict[str, Any] | None = None, status: int = 200) -> HttpResponse:
    context = {
        "studio": the_studio(), "printers": printers.printers(), "chosen": chosen(request),
        "papers": printers.PAPER_WORDS, "readings": printers.READINGS, "errors": {}, "typed": {},
    }  # fmt: skip
    return render(request, "printers/page.html", context | (extra or {}), status=status)
