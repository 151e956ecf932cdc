"""What every page of a visit shares: the studio, the rider, the walk along the stations, work under way."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render

from fitwright.records.models import Studio, Visit, Work
from fitwright.sheets import cautions
from fitwright.studio import care, edits, intake, overview
from fitwright.studio.time_left import words_left
from fitwright.studio.visits import hold
from fitwright.studio.work import time_left_s


def the_studio() -> Studio:
    """The one studio; an unsaved one before `open_studio` has run."""
    return Studio.objects.first() or Studio(name="My studio")


def the_visit(pk: int) -> Visit:
    """The visit with its rider, held for the page (each row is read once), or 404."""
    visit = get_object_or_404(Visit.objects.select_related("rider", "bike", "shoes"), pk=pk)
    hold(visit)
    return visit


def frame(visit: Visit, here: str) -> dict[str, Any]:
    """Context for `visit/shell.html`."""
    return {
        "studio": the_studio(), "visit": visit, "here": here, "walk": overview.stations(visit),
        "use_words": intake.USE_WORDS.get(visit.use, visit.use), "edits": edits.tops(visit),
        "referral": intake.referral(visit), "cautions": cautions.ALL,
        "own_cautions": care.own_sentences,  # asked for by the pages that show them
    } | work_context(visit)  # fmt: skip


def work_context(visit: Visit, was: tuple[int, ...] = (), since: int | None = None) -> dict[str, Any]:
    """Work under way, with time left in words; what ended of the pieces that were running, or began after `since`."""
    running = overview.work_of(visit)
    for work in running:
        work.left_words = left_words(work)  # type: ignore[attr-defined]
    ended = () if since is None else overview.ended(visit, was, since)
    return {"running": running, "ended": ended, "newest": overview.newest_work(visit)}


def left_words(work: Work) -> str:
    """`about 40 s left`, empty before one can tell."""
    return words_left(time_left_s(work))


def show(
    request: HttpRequest, visit: Visit, here: str, extra: Mapping[str, Any], template: str = "",
    status: int = 200,
) -> HttpResponse:  # fmt: skip
    """Render a station's page."""
    return render(request, template or f"{here}/page.html", frame(visit, here) | dict(extra), status=status)
