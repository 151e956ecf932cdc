"""Feet: both soles with what is known of them, the steps of the work, and photographs that come in."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_safe

from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.models import Visit
from fitwright.sheets.card_pdf import scale_card_pdf
from fitwright.studio import drawings
from fitwright.studio.feet import soles
from fitwright.studio.feet.foot import Foot, foot_of
from fitwright.studio.feet.steps import steps
from fitwright.studio.papers import PAPERS
from fitwright.web import examples
from fitwright.web.views import printers
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.feet.benches import BENCHES, show_bench
from fitwright.web.views.feet.pick import add_photo
from fitwright.web.views.uploads import TAKEN


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the station; POST takes a photograph."""
    return answering(request, pk, _page, _act)


@require_safe
def scale_card(request: HttpRequest) -> HttpResponse:
    """The scale card to print, `?paper=a4` or `us-letter`."""
    paper = request.GET.get("paper", "a4")
    if paper not in PAPERS:
        raise InputError("paper", "unknown", value=paper[:20], allowed=", ".join(PAPERS))
    printer = printers.chosen(request, paper)
    pdf = scale_card_pdf(paper=paper, scale=printer.scale if printer else None)  # type: ignore[arg-type]
    response = HttpResponse(pdf, content_type="application/pdf")
    response["Content-Disposition"] = f'inline; filename="scale-card-{paper}.pdf"'
    return response


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    labels = {b.url: b.label for b in BENCHES}
    context = {
        "example_svg": examples.sole_example(), "soles_svg": drawings.soles_drawing(visit),
        "feet": [vars(f) | {"cleats": _cleats(f)} for f in (foot_of(visit, side) for side in soles.FEET)],
        "steps": [(labels.get(s.name, "Photographs and points"), s) for s in steps(visit)],
        "when_words": soles.MOMENT_WORDS, "accepted": ",".join(TAKEN["photo"]),
    }  # fmt: skip
    return show_bench(request, visit, "feet", context | (extra or {}), "feet/page.html", status)


def _cleats(one: Foot) -> list[tuple[str, dict[str, Measured]]]:
    """The cleat at each moment and the first setting, in the order in which they came about."""
    found = {w: r.cleat.measured() for w, r in one.readings.items() if r.cleat is not None}
    rows = [(words, found[w]) for w, words in soles.MOMENT_WORDS.items() if w in found]
    if one.start is not None:
        rows.insert(1 if "before" in found else 0, ("first setting", one.start.cleat.measured()))
    return rows


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    if typed.get("action") != "photo":
        raise unknown_action(typed)
    return add_photo(request, visit, typed)
