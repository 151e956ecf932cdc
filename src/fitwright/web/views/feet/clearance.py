"""Clearance and stance: heel against crank arm and chainstay, toe against wheel, and how wide the feet stand."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from fitwright.foot.frame import to_bike
from fitwright.foot.heel import ARMS_FLARE, tightest_of
from fitwright.foot.stance import Stance
from fitwright.records.models import Visit
from fitwright.sheets.clearance_drawing import HeelFigure, heel_svg, stance_svg
from fitwright.sheets.sole_shapes import sole_outline
from fitwright.studio.entry import Saved, overlay, sentence
from fitwright.studio.feet import clearance, toe
from fitwright.studio.feet.envelope import float_words
from fitwright.studio.feet.soles import FEET, newest_reading
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.feet.benches import show_bench


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the page; POST acts."""
    return answering(request, pk, _page, _act)


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    said = extra or {}
    groups = overlay(clearance.groups(visit), said.get("typed", {}), said.get("saved", Saved()))
    both = clearance.stances(visit)
    problem = clearance.float_problem(visit)
    context = {
        "groups": groups, "wrong": [e for g in groups for e in g.entries if e.error],
        "feet": [_foot(visit, side, both.get(side)) for side in FEET],
        "stance_svg": stance_svg(both) if both else "", "stance_words": clearance.stance_words(visit),
        "float_problem": sentence(problem) if problem else "",
    }  # fmt: skip
    return show_bench(request, visit, "feet_clearance", context | said, status=status)


def _foot(visit: Visit, side: str, stance: Stance | None) -> dict[str, Any]:
    beside = clearance.beside_of(visit, side)
    return {
        "side": side, "beside": beside, "svg": _heel_drawing(visit, side, beside), "toe": toe.toe_of(visit, side),
        "stance": stance, "float_words": float_words(visit, side),
    }  # fmt: skip


def _heel_drawing(visit: Visit, side: str, beside: clearance.Beside) -> str:
    """The tightest place from above: shoe, arm and stay where they are at that crank angle."""
    room, out = tightest_of(beside.rooms), clearance.out_of(visit, side)
    if room is None or room.gap is None or out is None or beside.placed is None:
        return ""
    at, cleat, known = room.tightest, beside.placed.cleat, clearance.numbers(visit)
    turned = math.radians(at.crank_deg)
    axle = known["crank_mm"].value * math.sin(turned)
    lift = (
        math.cos(math.radians(float(beside.pitch.curve[round(at.crank_deg) % 360]))) if beside.pitch else 1.0
    )

    def above(points: Any) -> Any:
        placed = to_bike(np.asarray(points, dtype=np.float64), cleat.vector[:2], at.yaw_deg, out.value)
        return np.add(placed * [lift, 1.0], (axle, 0.0))

    reading = newest_reading(visit, side)
    outline = np.array(reading.outline_mm) if reading and len(reading.outline_mm) > 4 else sole_outline(
        reading.length_mm.value if reading else 280.0
    )  # fmt: skip
    half_q = known["q_factor_mm"].value / 2
    inner = (
        known["arms_at_axle_mm"].value / 2 if "arms_at_axle_mm" in known else half_q - ARMS_FLARE.value / 2
    )
    point = above([at.point_mm])[0]
    arm, tightest = np.array([[0.0, inner], [axle, half_q]]), (float(point[0]), float(point[1]))
    return heel_svg(HeelFigure(side, above(outline), arm, _stay(known), tightest, room.gap, room.part))


def _stay(known: dict[str, Any]) -> Any:
    names = ("stay_length_mm", "stay_front_mm", "stay_middle_mm", "stay_rear_mm")
    if not all(n in known for n in (*names, "stay_rise_mm")):
        return None
    length, *breadths = (known[n].value for n in names)
    return np.column_stack([[0.0, -length / 2, -length], [b / 2 for b in breadths]])


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    if typed.get("action") != "measures":
        raise unknown_action(typed)
    saved = clearance.save(visit, typed)
    if saved.errors:
        return _page(request, visit, {"typed": typed, "saved": saved}, 422)
    return redirect("feet_clearance", visit.pk)
