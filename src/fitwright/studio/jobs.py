"""Long work that a page starts: it waits in the database and is done by the worker process."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from django_tasks import task

from fitwright.errors import FitwrightError, InputError
from fitwright.records.bench import working_as
from fitwright.records.models import Answer, Medium, Visit, Work
from fitwright.studio import backup, cameras, plan, recording, ride
from fitwright.studio.proxies import make_proxy, proxy_of
from fitwright.studio.visits import let_go
from fitwright.studio.work import Progress, working


def start_film(visit: Visit, view: str, when: str) -> None:
    """Queue the following of a film's points; not again while the same film is followed from the same points."""
    title = _follow_title(f"{view}, {when}")
    running = Work.objects.filter(visit=visit, kind="ride", title=title, state="running").last()
    said = Answer.objects.filter(visit=visit, station=ride.STATION, key__endswith=f" {view} {when}")
    if running is not None and not said.filter(created_at__gt=running.started_at).exists():
        return
    waiting = _wait(visit, "ride", title)
    follow_film.enqueue(visit.pk, view, when, waiting.pk)


def follow_problems(visit: Visit) -> dict[str, str]:
    """`side right, before` → why the points of that film could not be followed the last time they were to be."""
    begun = _follow_title("")
    last = Work.objects.filter(visit=visit, kind="ride", title__startswith=begun).order_by("pk")
    rows = {row.title.removeprefix(begun): row for row in last}  # the newest of each title stays
    return {
        label: str((row.error or {}).get("error", "")) for label, row in rows.items() if row.state == "failed"
    }


def _follow_title(label: str) -> str:
    return f"Following the points, {label}"


def start_copy(visit: Visit, medium: Medium) -> None:
    """Queue the making of a film's light copy, unless it is there or under way."""
    going = Work.objects.filter(
        visit=visit, kind="copy", title=_copy_title(medium), state__in=("waiting", "running")
    )
    if proxy_of(medium) is None and not going.exists():
        copy_film.enqueue(visit.pk, medium.pk, _wait(visit, "copy", _copy_title(medium)).pk)


def copy_ended(visit: Visit, medium: Medium) -> bool:
    """Whether the last try to make a film's light copy failed or was stopped: it is tried again only when asked."""
    last = Work.objects.filter(visit=visit, kind="copy", title=_copy_title(medium)).order_by("pk").last()
    return last is not None and last.state in ("failed", "stopped")


def _copy_title(medium: Medium) -> str:
    return f"Making the film ready to step, {medium.name}"[:160]


def start_readings(visit: Visit) -> list[str]:
    """Queue the reading anew of films whose side film has changed since; says which, in words."""
    let_go(visit)
    changed = [
        c
        for c in ride.clips(visit)
        if c.analysed is not None and ride.outdated(visit, c.view, c.when, c.analysed)
    ]
    for clip in changed:
        waiting = _wait(visit, "reread", f"Reading {clip.label} with the changed side film")
        read_film_again.enqueue(visit.pk, clip.view, clip.when, waiting.pk)
    return [f"{ride.VIEW_WORDS[c.view]}, {ride.WHEN_WORDS[c.when]}" for c in changed]


def start_recording(visit: Visit) -> None:
    """Queue the analysis of the visit's marker recording."""
    import_recording.enqueue(visit.pk, _wait(visit, "ride", "Reading the marker recording").pk)


def start_plan(visit: Visit) -> None:
    """Queue the making of the plan."""
    make_plan.enqueue(visit.pk, _wait(visit, "plan", "Making the plan").pk)


def start_outcome(visit: Visit) -> None:
    """Queue the comparison of predicted with measured."""
    compare.enqueue(visit.pk, _wait(visit, "outcome", "Comparing predicted with measured").pk)


def start_calibration(media: Sequence[Medium], board: Mapping[str, Any]) -> None:
    """Queue the calibration of a camera from pictures of a board (see `cameras.described`)."""
    title = f"Calibrating a camera from {len(media)} pictures"
    pks, stated = [m.pk for m in media], dict(board)
    waiting = Work.objects.create(
        kind="camera", title=title, state="waiting", inputs={"media": pks, "board": stated}
    )
    calibrate_camera.enqueue(pks, stated, waiting.pk)


def start_backup(folder: str) -> None:
    """Queue the writing of a backup into a folder of this computer; InputError when it is none."""
    place = Path(folder.strip()).expanduser()
    if not folder.strip() or not place.is_absolute() or not place.is_dir():
        raise InputError(
            "Folder", f"“{folder.strip()[:80]}” is no folder of this computer",
            hint="Type its whole path, for example that of a stick or of another disk",
        )  # fmt: skip
    if Work.objects.filter(kind="backup", state__in=("waiting", "running")).exists():
        raise InputError("Backup", "is being written already", hint="Wait for it, or stop it")
    target = place / backup.default_name()
    waiting = Work.objects.create(
        kind="backup", title=f"Backup {target.name}"[:160], state="waiting", inputs={"file": str(target)}
    )
    write_backup.enqueue(str(target), waiting.pk)


@task()
def write_backup(target: str, waiting_pk: int) -> None:
    """Write a backup; a studio's own work, of no visit."""
    _run(None, waiting_pk, lambda _, tell: backup.make_backup(Path(target), tell))


@task()
def follow_film(visit_pk: int, view: str, when: str, waiting_pk: int) -> None:
    """Follow the points of one film; then make it ready to be looked at."""
    _run(visit_pk, waiting_pk, lambda visit, tell: ride.analyse_film(visit, view, when, tell))
    visit = Visit.objects.get(pk=visit_pk)
    for clip in ride.clips(visit):
        if (clip.view, clip.when) == (view, when) and clip.ride is not None:
            start_copy(visit, clip.medium)
    start_readings(visit)


@task()
def read_film_again(visit_pk: int, view: str, when: str, waiting_pk: int) -> None:
    """Read the points of a front film anew with the side film as it is now; they are not followed again."""
    _run(visit_pk, waiting_pk, lambda visit, _: ride.read_again(visit, view, when))


@task()
def copy_film(visit_pk: int, medium_pk: int, waiting_pk: int) -> None:
    """Make the light copy of one film."""
    medium = Medium.objects.get(pk=medium_pk)
    _run(visit_pk, waiting_pk, lambda _, tell: make_proxy(medium, tell))


@task()
def import_recording(visit_pk: int, waiting_pk: int) -> None:
    """Analyse a marker recording."""
    _run(visit_pk, waiting_pk, recording.analyse_recording)


@task()
def make_plan(visit_pk: int, waiting_pk: int) -> None:
    """Make the plan."""
    _run(visit_pk, waiting_pk, lambda visit, _: plan.make(visit))


@task()
def compare(visit_pk: int, waiting_pk: int) -> None:
    """Compare predicted with measured."""
    _run(visit_pk, waiting_pk, lambda visit, _: plan.take_outcome(visit))


@task()
def calibrate_camera(media_pks: list[int], board: dict[str, Any], waiting_pk: int) -> None:
    """Calibrate a camera; a studio's own work, of no visit."""
    found = Medium.objects.in_bulk(media_pks)
    media = [found[pk] for pk in media_pks]
    _run(None, waiting_pk, lambda _, tell: cameras.calibrate_media(media, board, tell))


def _wait(visit: Visit, kind: str, title: str) -> Work:
    """A row that says the work waits; the same work twice waits only once."""
    row, _ = Work.objects.get_or_create(visit=visit, kind=kind, title=title, state="waiting")
    return row


def _run(visit_pk: int | None, waiting_pk: int, work: Callable[[Any, Progress], Any]) -> None:
    """Take the waiting row away and do the work; what a user can mend is kept with the work, not raised."""
    waiting = Work.objects.filter(pk=waiting_pk, state="waiting").first()
    if waiting is None:  # stopped before it began, or done already
        return
    visit = Visit.objects.get(pk=visit_pk) if visit_pk is not None else None
    kind, title, inputs = waiting.kind, waiting.title, waiting.inputs
    waiting.delete()
    try:
        with working_as(waiting.by), working(kind, title, visit, inputs=inputs) as tell:
            work(visit, tell)
    except FitwrightError:
        return
