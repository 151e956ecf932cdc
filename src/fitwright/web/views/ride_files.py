"""Ride: marker recordings in, tables by a map of their columns; rides out; how the points were smoothed."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.motion.space import CLUSTER, NEEDED
from fitwright.records.media import path_of
from fitwright.records.models import Medium, Visit
from fitwright.sheets.residual_drawing import residual_svg
from fitwright.studio import columns as mapping
from fitwright.studio import film_weak, jobs, motion_export, recording, ride
from fitwright.studio.entry import sentence
from fitwright.studio.markers import LANDMARK_NAMES
from fitwright.vision.csv_motion import AXES, DECIMALS, SEPARATORS, WAYS, TableLayout, look_at
from fitwright.vision.motion_files import has_parquet
from fitwright.web.views.boxes import key_of, typed_of
from fitwright.web.views.shell import show, the_visit
from fitwright.web.views.uploads import take

TABLES = (".csv", ".txt", ".tsv")
TYPES = {
    "csv": "text/csv; charset=utf-8", "c3d": "application/octet-stream", "parquet": "application/vnd.apache.parquet",
}  # fmt: skip
WAY_WORDS = {way: way.upper().replace("+", "").replace("-", "−") for way in WAYS}
DIRECTIONS = (("forward", "Forward"), ("up", "Up"), ("right", "To the rider's right"))
NO_Z = "not recorded"
LABELS = {"asis": "ASIS"}
BOXES = {"mm_per_px": "Millimetres of one pixel", "rate_hz": "Pictures per second", "unit": "Positions in",
         "time": "Column of time", "time_unit": "Unit of time"}  # fmt: skip


def take_recording(request: HttpRequest, visit: Visit) -> HttpResponse:
    """Keep an uploaded recording; a table goes on to its mapping page, the rest to the worker."""
    medium = take(request, visit, "markers", "markers")
    static = take(request, visit, "static", "markers") if request.FILES.get("static") else None
    if medium.name.lower().endswith(TABLES):
        look_at(path_of(medium))
        tail = f"?static={static.pk}" if static else ""
        return redirect(reverse("ride_map", args=[visit.pk, medium.pk]) + tail)
    recording.check_recording(medium)
    if static is not None:
        recording.check_recording(static)
    recording.save_recording(visit, medium, static)
    jobs.start_recording(visit)
    return redirect("ride", visit.pk)


def columns(request: HttpRequest, pk: int, medium_pk: int) -> HttpResponse:
    """Which column of a table is what; POST keeps it, or reads the table another way."""
    visit, medium = the_visit(pk), get_object_or_404(Medium, pk=medium_pk, kind="markers")
    given = typed_of(request.POST if request.method == "POST" else request.GET)
    named = Medium.objects.filter(pk=key_of(given.get("static")), kind="markers").first()
    static = named or recording.static_of(visit, medium)
    layout, wrong = _layout(medium, given)
    first, remembered = mapping.first_map(layout)
    typed = mapping.typed_of_map(first)
    if request.method == "POST":
        typed, remembered = mapping.laid_again(given, first, layout), False
        if given.get("action") != "read":
            typed = given
            chosen, faults = mapping.read_map(typed, layout)
            if not faults:
                recording.save_recording(visit, medium, static, chosen, layout.key)
                jobs.start_recording(visit)
                return redirect("ride", visit.pk)
            wrong |= {name: _said(fault) for name, fault in faults.items()}
    boxed = _fields()
    context = _map_context(layout, typed, wrong) | {
        "medium": medium, "static": static, "remembered": remembered, "wrong": wrong,
        "elsewhere": [words for name, words in wrong.items() if name not in boxed],
        "beside": {name: words for name, words in wrong.items() if name in boxed},
    }  # fmt: skip
    return show(request, visit, "ride", context, template="ride/mapping.html", status=422 if wrong else 200)


def _layout(medium: Medium, given: Mapping[str, str]) -> tuple[TableLayout, dict[str, str]]:
    """How the table is written, as was asked where that can be, and what is wrong with what was asked."""
    separator, decimal = given.get("separator", ""), given.get("decimal", "")
    if separator not in SEPARATORS or decimal not in DECIMALS or separator == decimal:
        separator = decimal = ""
    try:
        return look_at(path_of(medium), separator, decimal), {}
    except InputError as error:
        return look_at(path_of(medium)), {"separator": sentence(error)}


def export(request: HttpRequest, pk: int) -> HttpResponse:
    """Choose a ride and a format; with `format` in the address, the file itself."""
    visit = the_visit(pk)
    known = motion_export.labels(visit)
    chosen = {k: str(request.GET.get(k, "")) for k in ("ride", "format", "by", "points")}
    problem = ""
    if chosen["format"]:
        kind, by = chosen["format"], chosen["by"] or "time"
        try:
            data = motion_export.export_visit(visit, chosen["ride"], kind, by, chosen["points"] != "raw")
            name = motion_export.file_name(visit.pk, chosen["ride"], kind, by)
            response = HttpResponse(data, content_type=TYPES[kind])
            response["Content-Disposition"] = f'attachment; filename="{name}"'
            response["X-Content-Type-Options"] = "nosniff"
            return response
        except InputError as error:
            problem = sentence(error)
    context = {
        "known": known, "formats": motion_export.FORMATS.items(), "chosen": chosen, "problem": problem,
        "parquet": has_parquet(), "back": reverse("ride", args=[visit.pk]),
    }  # fmt: skip
    return show(request, visit, "ride", context, template="ride/export.html", status=422 if problem else 200)


def smoothing(request: HttpRequest, pk: int) -> HttpResponse:
    """How each point was smoothed: cut-off, residual curve and the noise under it."""
    visit = the_visit(pk)
    points = {label: one.quality.get("points") for label, one in ride.rides_by_label(visit).items()}
    shown = [{"label": label, "rows": _smoothed(label, told)} for label, told in points.items() if told]
    return show(request, visit, "ride", {"rides": shown}, template="ride/smoothing.html")


def _smoothed(label: str, points: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Rows of one ride: a film's points as its own page calls them, those of a recording by landmark and side."""
    flat = {}
    for name, facts in points.items():
        if "cutoff_hz" in facts:
            flat[name] = facts
        else:
            flat |= {f"{n}, {name}": f for n, f in facts.items()}
    ident = label.replace(" ", "-")
    words = {n: re.sub(r",? (left|right)$", r", \1", n.replace("_", " ")) for n in flat}
    if label != ride.MARKERS:
        words |= {n: film_weak.LABELS[n] for n in flat if n in film_weak.LABELS}
    return [
        {"name": words[name], "facts": facts, "gaps": facts["missing"] - facts["bridged"],
         "svg": residual_svg(words[name], facts, ident=f"{ident}-{i}") if facts.get("residual") else ""}
        for i, (name, facts) in enumerate(flat.items())
    ]  # fmt: skip


def _said(error: InputError) -> str:
    """The error with its box in words: `heel right x`."""
    words = BOXES.get(error.field) or error.field.replace("_", " ").replace(".", " ")
    return sentence(InputError(words, error.problem.replace("_", " "), value=error.value, allowed=error.allowed,
                               hint=error.hint))  # fmt: skip


def _fields() -> set[str]:
    """Inputs of the mapping page that can say beside themselves what is wrong."""
    points = {f"{p}.{a}" for p in mapping.offered() for a in AXES}
    return points | {*mapping.CHOSEN, mapping.RATE.name, mapping.PIXEL.name, "separator"}


def _map_context(layout: TableLayout, typed: Mapping[str, str], wrong: Mapping[str, str]) -> dict[str, Any]:
    needed = {*NEEDED, *CLUSTER}
    sides: list[dict[str, Any]] = []
    for side in mapping.SIDES:
        rows: list[dict[str, Any]] = [
            {"label": LABELS.get(n, n.replace("_", " ").capitalize()), "needed": n in needed,
             "boxes": _boxes(f"{n}_{side}", typed, wrong)}
            for n in LANDMARK_NAMES
        ]  # fmt: skip
        told = any(b["value"] or b["wrong"] for r in rows for b in r["boxes"])
        sides.append({"side": side, "rows": rows, "open": told})
    if not any(s["open"] for s in sides):
        sides[0]["open"] = True
    right = [("", NO_Z), *WAY_WORDS.items()]
    return {
        "layout": layout, "typed": typed, "sides": sides,
        "separators": SEPARATORS.items(), "decimals": ((".", "point, 1.5"), (",", "comma, 1,5")),
        "ways": [(n, w, list(WAY_WORDS.items()) if n != "right" else right, typed.get(n, "")) for n, w in DIRECTIONS],
        "units": ("mm", "cm", "m", "px"),
        "boxes_of": {"clock": ("time", "time_unit", "rate_hz", "unit", "mm_per_px"), "axes": tuple(dict(DIRECTIONS))},
    }  # fmt: skip


def _boxes(point: str, typed: Mapping[str, str], wrong: Mapping[str, str]) -> list[dict[str, Any]]:
    """The three inputs of one landmark."""
    names = {axis: f"{point}.{axis}" for axis in AXES}
    return [
        {"name": name, "axis": axis, "value": typed.get(name, ""), "wrong": wrong.get(name, "")}
        for axis, name in names.items()
    ]
