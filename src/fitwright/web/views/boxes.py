"""A station that is typed: shown with GET; POST saves the whole page, or the one field that was just left."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import redirect, render

from fitwright.errors import InputError
from fitwright.inches import IN, style
from fitwright.records.models import Visit
from fitwright.studio.earlier import earlier_of, take_over
from fitwright.studio.entry import Entry, Group, Saved, overlay, sentence
from fitwright.studio.typed import who_changed
from fitwright.studio.visits import THIS_VISIT
from fitwright.web.units import dressed, in_mm
from fitwright.web.views.shell import frame, show


@dataclass(frozen=True)
class Typed:
    """A typed station: its name, how it saves, what its page shows, its drawing (an empty text for none), and what
    else its templates show; narrow: the drawing for a phone, without the numbers."""

    here: str
    save: Callable[[Visit, Mapping[str, str], int | None], Saved]
    page: Callable[[Visit], Any]
    drawing: Callable[[Visit], str] = lambda _: ""
    more: Callable[[], dict[str, Any]] = dict
    narrow: Callable[[Visit], tuple[str, ...]] = lambda _: ()

    def shown(self, visit: Visit) -> dict[str, Any]:
        """What its templates show."""
        content = self.page(visit)
        return {
            "page": content, "groups": dressed(content.groups), "drawing_svg": self.drawing(visit),
            "narrow": self.narrow(visit), "earlier": earlier_of(visit, self.here),
        } | self.more()  # fmt: skip


def exchange(request: HttpRequest, visit: Visit, station: Typed) -> HttpResponse:
    """The whole exchange of a typed station."""
    if request.method != "POST":
        if getattr(request, "htmx", False) and (name := request.GET.get("field", "")):  # "Take theirs"
            taken = {"e": _entry(station.shown(visit)["groups"], name), "visit": visit, "taken": True}
            return render(request, "parts/field.html", taken)
        return show(request, visit, station.here, station.shown(visit))
    typed = typed_of(request.POST)
    if typed.get("action") == "take_over":
        return _take_over(request, visit, station)
    if style() == IN:
        typed = in_mm(station.page(visit).groups, typed)
    field = request.GET.get("field", "")
    if getattr(request, "htmx", False) and field:
        return _one_field(request, visit, station, typed, field)
    return _whole_page(request, visit, station, typed)


def _take_over(request: HttpRequest, visit: Visit, station: Typed) -> HttpResponse:
    try:
        taken = take_over(visit, station.here, version_of(request.POST.get("version")))
    except InputError as error:
        messages.error(request, sentence(error))
    else:
        messages.success(request, f"Taken over: {', '.join(taken)}.")
    return redirect(request.path)


def typed_of(post: QueryDict) -> dict[str, str]:
    """The typed fields; of a tick box the last value counts (the hidden "no" comes first)."""
    return {
        k: v for k, v in post.items() if k not in ("csrfmiddlewaretoken", "version") and isinstance(v, str)
    }


def key_of(text: str | None) -> int:
    """The key of a record as a page sends it; 0, which no record has, when it is none."""
    return int(text) if text and text.isascii() and text.isdigit() and len(text) < 16 else 0


def version_of(text: str | None) -> int | None:
    """The version of the visit that the page was made from."""
    if text is None or text == "":
        return None
    if not (text.isascii() and text.isdigit() and len(text) < 10):
        raise InputError("version", "the page is not one of ours; open it again")
    return int(text)


def _one_field(
    request: HttpRequest, visit: Visit, station: Typed, typed: dict[str, str], field: str
) -> HttpResponse:
    typed = {k: v for k, v in typed.items() if k == field or k.startswith(f"{field}.")}
    extra: dict[str, Any] = {}
    try:
        saved = station.save(visit, typed, version_of(request.GET.get("mine") or request.POST.get("version")))
    except InputError as error:
        if error.field != THIS_VISIT:
            raise
        saved = Saved()
        visit.refresh_from_db(fields=["version"])
        extra = {"stale": visit.version, "other": "Changed in another window. Nothing of yours was lost."}
    shown = station.shown(visit)
    entry = _entry(overlay(shown["groups"], typed, saved), field)
    if extra:
        before = version_of(request.GET.get("mine") or request.POST.get("version")) or 0
        extra |= {
            "on_record": entry.recorded or "nothing",
            "by": who_changed(visit, station.here, (entry.field,), before),
        }
    elif saved.meanwhile:
        extra = {
            "meanwhile": [_entry(shown["groups"], name) for name in saved.meanwhile],
            "by": next(filter(None, saved.meanwhile.values()), ""),
        }
    context = frame(visit, station.here) | shown | {
        "e": entry, "just_saved": field in saved.written, "results_template": f"{station.here}/results.html",
    }  # fmt: skip
    stale = "stale" in extra
    status = 409 if stale else 422 if saved.errors else 200
    # "Keep mine" answers for one field only: the page stays as old as it was, so its other fields still ask.
    if request.GET.get("mine") and not stale and not saved.errors:
        return render(request, "parts/words.html", context)
    return render(request, "parts/saved.html", context | extra, status=status)


def _whole_page(request: HttpRequest, visit: Visit, station: Typed, typed: dict[str, str]) -> HttpResponse:
    stale = False
    try:
        saved = station.save(visit, typed, version_of(request.POST.get("version")))
    except InputError as error:
        if error.field != THIS_VISIT:
            raise
        saved, stale = Saved(), True
        visit.refresh_from_db(fields=["version"])
    if not saved.errors and not stale:
        return redirect(request.path)
    shown = station.shown(visit)
    groups = overlay(shown["groups"], typed, saved)
    if stale:
        groups = _beside(groups)
    wrong = [e for g in groups for e in g.entries if e.error]
    context = shown | {"groups": groups, "wrong": wrong, "stale_page": stale}
    return show(request, visit, station.here, context, status=409 if stale else 422)


def _entry(groups: tuple[Group, ...], name: str) -> Entry:
    for group in groups:
        for entry in group.entries:
            if entry.field.name == name:
                return entry
    raise InputError("field", "is not on this page", value=name[:60])


def _beside(groups: tuple[Group, ...]) -> tuple[Group, ...]:
    """Where what was typed differs from the record, say beside it what is on record now."""

    def told(entry: Entry) -> Entry:
        return replace(entry, recorded=entry.recorded or ("nothing" if entry.text else ""))

    return tuple(replace(g, entries=tuple(told(e) for e in g.entries)) for g in groups)
