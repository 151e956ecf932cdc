"""Fitting aid: what the hand does, from where the cleat is to where it shall be."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from fitwright.errors import InputError
from fitwright.studio.feet import aid
from fitwright.studio.feet.soles import FEET
from fitwright.studio.papers import PAPERS
from fitwright.web import examples
from fitwright.web.views.feet.benches import show_bench
from fitwright.web.views.shell import the_visit

PAPER_WORDS = {"a4": "A4", "us-letter": "Letter"}


@require_safe
def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the page; `?paper=us-letter` previews the other paper."""
    visit, paper = the_visit(pk), request.GET.get("paper", "a4")
    if paper not in PAPERS:
        raise InputError("paper", "unknown", value=paper[:20], allowed=", ".join(PAPERS))
    feet = [aid.foot_aid(visit, side) for side in FEET]
    known = any(f.target for f in feet)
    context: dict[str, Any] = {
        "feet": feet, "paper": paper, "papers": PAPER_WORDS,
        "preview": aid.preview(visit, paper) if known else (),
        "example_svg": "" if known else examples.aid_example(),
    }  # fmt: skip
    return show_bench(request, visit, "feet_aid", context)
