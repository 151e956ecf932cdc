"""M1 and M5: where the balls of the big and the little toe lie in the shoe, from every way they were measured."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.models import Medium, Visit
from fitwright.sheets.ink import State, span_of
from fitwright.sheets.strip import Reading, Strip, strip_svg
from fitwright.studio import picks
from fitwright.studio.entry import Field, read_number, sentence
from fitwright.studio.feet import marks_entry, marks_page, side_photo
from fitwright.studio.feet.marks import KIND
from fitwright.studio.feet.marks_page import COLUMNS, FootMarks
from fitwright.studio.feet.soles import FEET, label
from fitwright.studio.visits import analysis
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.boxes import typed_of
from fitwright.web.views.feet.benches import show_bench
from fitwright.web.views.shell import show, the_visit
from fitwright.web.views.uploads import take

EDGE_WORDS = {"inner": "inner side, M1", "outer": "outer side, M5"}
AHEAD = Field("ahead_mm", "Farther from the heel by", unit="mm", low=-20, high=20)
STRIP_PX = 168.0


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the page; POST acts."""
    return answering(request, pk, _page, _act)


def pick(request: HttpRequest, pk: int, medium_pk: int) -> HttpResponse:
    """The loupe on a photograph of a shoe's side, `?foot=left&edge=inner`."""
    visit, medium = the_visit(pk), get_object_or_404(Medium, pk=medium_pk, kind="photo")
    given = typed_of(request.POST if request.method == "POST" else request.GET)
    foot, edge = given.get("foot", "left"), given.get("edge", "inner")
    side_photo.check_edge(foot, edge)
    row = analysis(visit, KIND, label(visit, f"{foot} {edge}"))
    same = row is not None and row.medium_id == medium.pk
    points = picks.filled(side_photo.POINTS, row.inputs.get("points", {}) if row and same else {})
    problem = ""
    if request.method == "POST":
        read, points = picks.read_picks(side_photo.POINTS, given)
        problem = next((p.error for p in points if p.error), "")
        if not problem:
            try:
                marks_entry.save_side(visit, medium, foot, edge, read)
                return redirect("feet_marks", visit.pk)
            except InputError as error:
                problem = sentence(error)
    context = {
        "medium": medium, "foot": foot, "edge": edge, "mark": side_photo.EDGES[edge].upper(), "points": points,
        "problem": problem, "picture_url": reverse("medium", args=[medium.sha256]),
        "hidden": (("foot", foot), ("edge", edge)), "back": reverse("feet_marks", args=[visit.pk]),
        "save_words": "Measure this side", "diagram": "feet/edge_diagram.html",
    }  # fmt: skip
    return show(request, visit, "feet", context, "feet/marks_pick.html", 422 if problem else 200)


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    extra = extra or {}
    feet = marks_page.page(visit)
    context: dict[str, Any] = {
        "feet": [
            vars(f) | {"table": _table(f), "boxes": _boxes(f, extra), "chance": _chance(f.found.p_value)}
            for f in feet
        ],
        "columns": COLUMNS, "edges": EDGE_WORDS, "ahead": AHEAD,
        "anything": any(f.measured for f in feet), "placed": any(_said_at(f, extra) for f in feet),
    }  # fmt: skip
    return show_bench(request, visit, "feet_marks", context | extra, status=status)


def _table(foot: FootMarks) -> list[dict[str, Any]]:
    """Lines of the table with a strip in each cell, all strips of a column on one axis; the last has its ticks.

    Measured is hollow, together solid, and what is guessed dashed.
    """
    guessed = foot.found.guessed
    rows: list[dict[str, Any]] = []
    for line in foot.lines:
        shown = {n: m for n, m in line.values.items() if not line.guess or n in guessed}
        if shown:
            rows.append({"line": line, "cells": _cells(foot, shown, "before")})
    if rows:
        rows.append({"line": None, "cells": _cells(foot, foot.values, "now", ticks=True)})
    return rows


def _cells(
    foot: FootMarks, values: Mapping[str, Measured], state: State, *, ticks: bool = False
) -> list[tuple[str, Measured | None, str]]:
    def strip(name: str, m: Measured) -> str:
        reading = Reading(foot.side, m, "predicted" if name in foot.found.guessed else state)
        drawn = Strip(COLUMNS[name], (reading,), unit="mm", span=_span(foot, name))
        return strip_svg(drawn, width=STRIP_PX, ticks=ticks)

    cells = [(name, words, values.get(name)) for name, words in COLUMNS.items()]
    return [(words, m, strip(name, m) if m else "") for name, words, m in cells]


def _span(foot: FootMarks, name: str) -> tuple[float, float]:
    """An axis for everything that is shown of one coordinate."""
    measured = [line.values[name] for line in foot.lines if name in line.values and not line.guess]
    together = [foot.values[name]] if name in foot.values else []
    return span_of([end for m in (*measured, *together) for end in m.interval95], pad=0.1)


def _said_at(foot: FootMarks, extra: dict[str, Any]) -> bool:
    """Whether this foot's section is where the problem stands beside its form."""
    action, mine = extra.get("wrong_action"), extra.get("typed", {}).get("foot") == foot.side
    return mine and (action in ("photo", "aside", "back") or (action == "carry" and bool(foot.pairs)))


def _chance(p: float) -> str:
    """How often honest readings would scatter so far."""
    if p < 0.001:
        return "less than once in 1000"
    return f"in {100 * p:.0f} of 100 cases" if p > 0.01 else f"in {1000 * p:.0f} of 1000 cases"


def _boxes(foot: FootMarks, extra: dict[str, Any]) -> list[dict[str, Any]]:
    """The ruler's boxes: what was typed just now, else what is on record, with what is wrong beside it."""
    mine = extra.get("wrong_action") == "ruler" and extra["typed"].get("foot") == foot.side
    wrong = extra.get("wrong", {}) if mine else {}
    text = extra["typed"] if mine else foot.typed
    return [
        {"field": f, "text": text.get(f.name, ""), "wrong": wrong.get(f.name, "")} for f in marks_entry.RULER_FIELDS
    ]  # fmt: skip


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action, foot = typed.get("action", ""), typed.get("foot", "")
    if foot not in FEET:
        raise InputError("foot", "unknown", value=foot[:20], allowed=", ".join(FEET))
    if action == "photo":
        edge = typed.get("edge", "")
        side_photo.check_edge(foot, edge)
        medium = take(request, visit, "photo", "photo")
        marks_entry.save_side_photo(visit, medium, foot, edge)
        return redirect(f"{reverse('feet_marks_pick', args=[visit.pk, medium.pk])}?foot={foot}&edge={edge}")
    if action == "ruler":
        errors = marks_entry.save_ruler(visit, foot, typed)
        if errors:
            wrong = {name: sentence(error) for name, error in errors.items()}
            return _page(request, visit, {"wrong": wrong, "wrong_action": "ruler", "typed": typed}, 422)
    elif action in ("aside", "back"):
        key = typed.get("key", "")
        marks_entry.set_aside(
            visit, foot, int(key) if key.isascii() and key.isdigit() else 0, action == "aside"
        )
    elif action == "carry":
        ahead = read_number(AHEAD, typed["ahead_mm"]) if typed.get("ahead_mm", "").strip() else 0.0
        marks_entry.carry_over(visit, foot, typed.get("pair", ""), ahead)
    else:
        raise unknown_action(typed)
    return redirect(f"{reverse('feet_marks', args=[visit.pk])}#{foot}")
