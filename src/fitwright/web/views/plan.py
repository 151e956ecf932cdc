"""Plan: findings, the changes, what was done, predicted against measured."""

from __future__ import annotations

from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect

from fitwright.errors import InputError
from fitwright.records.models import Change, Visit
from fitwright.studio import jobs, plan
from fitwright.studio.entry import Field, read_number, read_text
from fitwright.web import examples
from fitwright.web.strips import change_line, finding_row, outcome_row, prediction_row
from fitwright.web.views.acting import answering, unknown_action
from fitwright.web.views.boxes import key_of
from fitwright.web.views.shell import show


def page(request: HttpRequest, pk: int) -> HttpResponse:
    """Show the station; POST makes the plan, records a step or compares."""
    return answering(request, pk, _page, _act)


def _page(
    request: HttpRequest, visit: Visit, extra: dict[str, Any] | None = None, status: int = 200
) -> HttpResponse:
    content = plan.page(visit)
    data = content.plan or {}
    found, outcome = data.get("findings", ()), content.outcome or {}
    findings = [finding_row(f) for f in found]
    context = {
        "example_svg": examples.strip_example(), "page": content, "stopped": data.get("stopped") or content.referral,
        "findings": [f for f in findings if not f.describe],
        "described": [f for f in findings if f.describe],
        "changes": [change_line(c, found) for c in content.changes],
        "outlook": [prediction_row(p) for p in data.get("outlook", ())] if content.changes else [],
        "outcomes": [outcome_row(o) for o in outcome.get("rows", ())], "coverage": content.record,
        "open_points": [plan.spelled(w, found) for w in (*data.get("unmet", ()), *data.get("notes", ()))],
        "any_done": any(c.state in ("done", "kept") for c in content.changes),
    }  # fmt: skip
    return show(request, visit, "plan", context | (extra or {}), status=status)


def _act(request: HttpRequest, visit: Visit, typed: dict[str, str]) -> HttpResponse:
    action = typed.get("action")
    if action == "make":
        if missing := plan.page(visit).missing:
            raise InputError("plan", f"it still needs {', '.join(missing)}")
        jobs.start_plan(visit)
    elif action == "step":
        change = get_object_or_404(Change, pk=key_of(typed.get("change")), visit=visit)
        _step(change, typed)
    elif action == "compare":
        jobs.start_outcome(visit)
    else:
        raise unknown_action(typed)
    return redirect("plan", visit.pk)


def _step(change: Change, typed: dict[str, str]) -> None:
    """Record a step; the same step sent twice is recorded once."""
    actual, planned = None, change.planned
    if typed.get("actual", "").strip():
        box = Field("actual", "Measured on the bike", unit=planned["unit"], low=-1000, high=2000)
        actual = read_number(box, typed["actual"])
    note = read_text(Field("note", "Note", "text"), typed.get("note", ""))
    last = change.steps.order_by("created_at", "pk").last()
    if last is not None and (last.state, last.actual, last.note) == (typed.get("state"), actual, note):
        return
    plan.record_step(change, typed.get("state", ""), actual, note)
