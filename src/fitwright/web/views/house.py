"""The studio itself: its backup, the room it takes, and what is being worked on."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from fitwright.records.models import Work
from fitwright.studio import jobs
from fitwright.studio.storage import clear_copies, storage
from fitwright.studio.work import ask_to_stop
from fitwright.web.views.acting import acted, unknown_action
from fitwright.web.views.boxes import key_of
from fitwright.web.views.shell import left_words, the_studio

LATEST = 12


def page(request: HttpRequest) -> HttpResponse:
    """Shown by GET; POST writes a backup, clears copies, or stops a piece of work."""
    return acted(request, _page, _act)


def _act(request: HttpRequest, typed: dict[str, str]) -> HttpResponse:
    action = typed.get("action")
    if action == "backup":
        jobs.start_backup(typed.get("folder", ""))
    elif action == "clear":
        clear_copies()
    elif action == "stop":
        ask_to_stop(key_of(typed.get("work")))
    else:
        raise unknown_action(typed)
    return redirect("house")


def _page(request: HttpRequest, extra: dict[str, Any] | None = None, status: int = 200) -> HttpResponse:
    work = Work.objects.select_related("visit__rider")
    running = list(work.filter(state__in=("waiting", "running")))
    for one in running:
        one.left_words = left_words(one)  # type: ignore[attr-defined]
    backups = Work.objects.filter(kind="backup").order_by("-pk")
    last = backups.filter(state="done").first()
    newest = backups.first()
    file = Path(last.inputs["file"]) if last else None
    context = {
        "studio": the_studio(), "storage": storage(), "running": running, "last": last, "file": file,
        "gone": file is not None and not file.exists(), "folder": str(file.parent) if file else "",
        "failed": newest if newest is not None and newest.state in ("failed", "stopped") else None,
        "latest": work.exclude(state__in=("waiting", "running")).order_by("-pk")[:LATEST],
    }  # fmt: skip
    return render(request, "house/page.html", context | (extra or {}), status=status)
