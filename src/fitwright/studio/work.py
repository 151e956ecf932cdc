"""Long work with progress: stored beside the records, so a page can show it and a restart can tell."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from django.utils import timezone

from fitwright.errors import FitwrightError, InputError, Stopped
from fitwright.records.models import Visit, Work
from fitwright.studio.time_left import seconds_left

Progress = Callable[[float, str], None]
"""Called with the fraction done (0–1) and a short message."""


@contextmanager
def working(
    kind: str, title: str, visit: Visit | None = None, echo: Progress | None = None,
    inputs: Mapping[str, Any] | None = None,
) -> Iterator[Progress]:  # fmt: skip
    """Run a block as one piece of work; the yielded function reports progress, at most five times a second.

    Raises Stopped from within the block when the user has asked to stop. Failures are stored and re-raised.
    """
    work = Work.objects.create(
        visit=visit, kind=kind, title=title, state="running", started_at=timezone.now(),
        inputs=dict(inputs or {}),
    )  # fmt: skip
    last = timezone.now() - timedelta(seconds=1)

    def report(fraction: float, message: str = "") -> None:
        nonlocal last
        now = timezone.now()
        if echo is not None:
            echo(fraction, message)
        if now - last < timedelta(seconds=0.2) and fraction < 1:
            return
        last = now
        Work.objects.filter(pk=work.pk).update(
            fraction=min(1.0, fraction), message=message[:300], updated_at=now
        )
        if Work.objects.filter(pk=work.pk, stop_asked=True).exists():
            raise Stopped(title)

    try:
        yield report
    except BaseException as error:
        _finish(work, "stopped" if isinstance(error, Stopped | KeyboardInterrupt) else "failed", error)
        raise
    _finish(work, "done")


def _finish(work: Work, state: str, error: BaseException | None = None) -> None:
    stored: dict[str, Any] | None = None
    if isinstance(error, InputError):
        stored = error.to_json()
    elif isinstance(error, FitwrightError) or error is not None:
        stored = {"error": str(error) or type(error).__name__}
    Work.objects.filter(pk=work.pk).update(
        state=state, error=stored, updated_at=timezone.now(), **({"fraction": 1.0} if state == "done" else {})
    )


def ask_to_stop(key: int, **which: Any) -> None:
    """Ask a piece of work to stop: at once when it waits, at its next report when it runs."""
    mine = Work.objects.filter(pk=key, **which)
    mine.filter(state="waiting").update(state="stopped")
    mine.filter(state="running").update(stop_asked=True)


def clear_orphans() -> int:
    """Mark work that a crash or a power cut left "running" as stopped; returns how many."""
    return Work.objects.filter(state="running").update(state="stopped", message="interrupted; start it again")


def time_left_s(work: Work) -> float | None:
    """Seconds still to go at the present pace, or None before one can tell."""
    if work.started_at is None or work.state != "running":
        return None
    return seconds_left(work.fraction, (timezone.now() - work.started_at).total_seconds())
