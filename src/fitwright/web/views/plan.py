"""Plan: findings, the changes, what was done, predicted against measured."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.quantity import Z95
from fitwright.records.models import Change, Visit
from fitwright.studio import bands, doing, feeling, jobs, plan, wishes
from fitwright.studio.entry import Field, read_number, read_text, sentence
from fitwright.web import examples
from fitwright.web.strips import change_line, finding_row, outcome_row, prediction_row, way_cards
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.boxes import key_of
from fitwright.web.views.shell import show


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the station; POST makes the plan, records a step or compares."""
    return answering(request, pk, _page, _act)


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    content, setting = plan.page(visit), plan.setting_now(visit)
    data = content.plan or {}
    found, outcome = data.get("findings", ()), content.outcome or {}
    findings, stopped = [finding_row(f) for f in found], content.referral
    rows = [c for c in (*doing.earlier_changes(visit), *content.changes) if c.steps or not stopped]
    settings = data.get("settings", {})
    felt, wished = feeling.page(visit), wishes.page(visit, setting) if setting else None
    context = {
        "example_svg": examples.strip_example(), "page": content, "stopped": stopped,
        "findings": [f for f in findings if not f.describe],
        "described": [f for f in findings if f.describe],
        "asymmetry": data.get("asymmetry", ()), "blocked": data.get("blocked", ""), "unmet": data.get("unmet", ()),
        "ways": [] if stopped else way_cards(data), "may_choose": not any(c.steps for c in content.changes),
        "changes": [change_line(c, found) for c in rows], "felt": felt, "ruler": range(11),
        "outlook": [prediction_row(p) for p in data.get("outlook", ())] if content.changes and not stopped else [],
        "outcomes": [outcome_row(o) for o in outcome.get("rows", ())], "coverage": content.record,
        "open_points": () if stopped else plan.open_points(data, besides="blocked"),
        "was_stopped": bool(data.get("stopped")) and not stopped,
        "any_step": any(c.steps for c in rows),
        "any_done": any(c.state in doing.MADE for c in rows),
        "older_bands": "bands" in settings and bands.changed_since(settings["bands"], visit.use),
        "wishes": wished, "modes": wishes.MODES, "felts": wishes.FELT,
        "wished": wishes.in_words(wished) if wished else (),
    }  # fmt: skip
    return show(request, visit, "plan", context | (extra or {}), status=status)


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action = typed.get("action")
    if action == "make":
        if missing := plan.page(visit).missing:
            raise InputError("plan", f"it still needs {', '.join(missing)}")
        plan.check(visit)
        jobs.start_plan(visit)
    elif action == "choose":
        plan.choose(visit, typed.get("way", ""))
    elif action == "wishes":
        return _wish(request, visit, typed)
    elif action == "unwish":
        wishes.undo(visit)
    elif action == "step":
        change = get_object_or_404(Change, pk=key_of(typed.get("change")), visit=visit)
        _step(change, typed)
    elif action == "feel":
        if wrong := feeling.save(visit, typed):
            told = {box: sentence(error) for box, error in wrong.items()}
            return _page(request, visit, {"felt_wrong": told, "typed": typed}, 422)
    elif action == "compare":
        jobs.start_outcome(visit)
    else:
        raise unknown_action(typed)
    return redirect(f"{reverse('plan', args=[visit.pk])}{AFTER.get(action, '')}")


AFTER = {"choose": "#ch", "wishes": "#wish", "unwish": "#wish", "step": "#feel", "feel": "#feel"}
"""Where the page goes on after each action."""


def _wish(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    """Keep the wishes; or show them again with what is wrong, everything typed in its box."""
    setting = plan.setting_now(visit)
    if setting is None:
        raise InputError("bike", "the contact points are not complete", hint="Fill in the Bike station first")
    form = wishes.save(visit, setting, typed)
    if form.errors:
        told = {box: sentence(error) for box, error in form.errors}
        return _page(request, visit, {"wishes": form, "wish_wrong": told}, 422)
    return redirect(f"{reverse('plan', args=[visit.pk])}{AFTER['wishes']}")


def _step(change: Change, typed: dict[str, str]) -> None:
    """Record a step; the same step sent twice is recorded once."""
    actual, u, planned = None, None, change.planned
    if typed.get("actual", "").strip():
        box = Field("actual", "Measured on the bike", unit=planned["unit"], low=-1000, high=2000)
        actual = read_number(box, typed["actual"])
    if (half := typed.get("pm", "").strip().lstrip("± ")) != "":
        if actual is None:
            raise InputError("Measured on the bike", "is missing beside its ±")
        u = read_number(Field("pm", "±", unit=planned["unit"], low=0, high=20), half) / Z95
    note = read_text(Field("note", "Note", "text"), typed.get("note", ""))
    last = change.steps.order_by("created_at", "pk").last()
    if last is not None and (last.state, last.actual, last.note) == (typed.get("state"), actual, note):
        return
    plan.record_step(change, typed.get("state", ""), actual, note, u)
