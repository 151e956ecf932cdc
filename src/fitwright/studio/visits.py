"""Riders and visits, and the rows that every station writes: answers, measurements, analyses, positions.

A page reads the same rows for its walk, its drawings and its words: `hold` the visit and each kind of row is fetched
once, until something is written.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, TypeVar

from django.db import transaction
from django.db.models import F
from django.utils import timezone

from fitwright import __version__
from fitwright.errors import InputError
from fitwright.plan.inputs import USES
from fitwright.quantity import Measured
from fitwright.records.models import (
    Analysis,
    Answer,
    Bike,
    Measurement,
    Medium,
    Position,
    Rider,
    Shoes,
    Visit,
)  # fmt: skip

T = TypeVar("T")
LARGE = ("ride", "proposals")
LONGEST_NAME, EARLIEST_BIRTH = 120, 1900
THIS_VISIT = "This visit"
"""What an error is about when somebody else saved meanwhile (`touch`): pages answer it with both."""


def hold(visit: Visit) -> None:
    """From here on each kind of row of this visit is fetched once, until something is written: one page's reading."""
    visit.held = {}  # type: ignore[attr-defined]


def let_go(visit: Visit) -> None:
    """Read anew what is asked for next."""
    if getattr(visit, "held", None) is not None:
        hold(visit)


def once(visit: Visit, what: str, fetch: Callable[[], T]) -> T:
    """What `fetch` gives; for a visit that is held, what it gave the first time."""
    held: dict[str, T] | None = getattr(visit, "held", None)
    if held is None:
        return fetch()
    if what not in held:
        held[what] = fetch()
    return held[what]


def read_rider(name: str, born_year: str, sex: str) -> tuple[dict[str, Any], dict[str, InputError]]:
    """What was typed about a new rider, as `new_rider` takes it, and what is wrong with it by field, all at once."""
    said: dict[str, Any] = {"name": name.strip(), "born_year": None, "sex": sex}
    wrong: dict[str, InputError] = {}
    if not 0 < len(said["name"]) <= LONGEST_NAME:
        problem = f"{len(said['name'])} characters is too long" if said["name"] else "a rider needs a name"
        wrong["name"] = InputError("Name", problem, allowed=f"1 to {LONGEST_NAME} characters")
    if year := born_year.strip():
        latest = timezone.localdate().year
        if year.isascii() and year.isdigit() and EARLIEST_BIRTH <= int(year[:9]) <= latest:
            said["born_year"] = int(year)
        else:
            problem = f"“{year[:20]}” is not a possible year of birth"
            wrong["born_year"] = InputError("Year of birth", problem, allowed=f"{EARLIEST_BIRTH} to {latest}")
    if sex not in ("", "M", "F"):
        wrong["sex"] = InputError(
            "Reference sample", f"“{sex[:20]}” is not a choice", allowed="M, F or empty"
        )
    return said, wrong


def new_rider(name: str, *, born_year: int | None = None, sex: str = "", simulated: bool = False) -> Rider:
    """Add a rider. Raises InputError for an empty name, an impossible year or an unknown sex code."""
    said, wrong = read_rider(name, "" if born_year is None else str(born_year), sex)
    if wrong:
        raise next(iter(wrong.values()))
    return Rider.objects.create(**said, simulated=simulated)


def open_visit(
    rider: Rider, *, use: str = "road", title: str = "", bike: Bike | None = None, shoes: Shoes | None = None
) -> Visit:
    """Open a visit for a rider; who has come again is no longer waited for."""
    if use not in USES:
        raise InputError("Mostly ridden as", "unknown", value=use, allowed=", ".join(USES))
    rider.visits.filter(follow_up_on__isnull=False).update(follow_up_on=None)  # type: ignore[attr-defined]
    return Visit.objects.create(
        rider=rider, bike=bike, shoes=shoes, use=use, title=title[:120], simulated=rider.simulated
    )


def touch(visit: Visit, expected_version: int | None = None) -> None:
    """Count one more save of the visit; refuse when somebody else saved since the page was shown."""
    rows = Visit.objects.filter(pk=visit.pk)
    if expected_version is not None:
        rows = rows.filter(version=expected_version)
    if not rows.update(version=F("version") + 1):
        raise InputError(
            THIS_VISIT, "was changed in another window since this page was shown",
            hint="Nothing of yours was lost: reload the page and save again",
        )  # fmt: skip
    visit.refresh_from_db(fields=["version"])
    let_go(visit)


def answer(visit: Visit, station: str, key: str, value: Any, author: str = "") -> Answer:
    """Record what was said; an earlier answer under the same key stays and is pointed to."""
    let_go(visit)
    with transaction.atomic():
        old = Answer.objects.current().filter(visit=visit, station=station, key=key).last()
        if old is not None and old.value == value:
            return old
        return Answer.objects.create(
            visit=visit, station=station, key=key, value=value, author=author, replaces=old
        )


def answers(visit: Visit, station: str) -> dict[str, Any]:
    """Current answers of a station, by key."""
    return dict(all_answers(visit).get(station, {}))


def all_answers(visit: Visit) -> dict[str, dict[str, Any]]:
    """Current answers by station and key."""

    def by_station() -> dict[str, dict[str, Any]]:
        found: dict[str, dict[str, Any]] = {}
        for a in answer_rows(visit):
            found.setdefault(a.station, {})[a.key] = a.value
        return found

    return once(visit, "answers", by_station)


def answer_rows(visit: Visit) -> tuple[Answer, ...]:
    """Current answers as they were recorded, oldest first."""
    return once(visit, "answer rows", lambda: tuple(Answer.objects.current().filter(visit=visit)))


def measure(
    visit: Visit, station: str, key: str, measured: Measured, *, side: str = "",
    readings: Iterable[float] = (), medium: Medium | None = None, author: str = "",
) -> Measurement:  # fmt: skip
    """Record a measurement; the one it corrects stays and is pointed to."""
    let_go(visit)
    with transaction.atomic():
        old = Measurement.objects.last_words().filter(visit=visit, station=station, key=key, side=side).last()
        return Measurement.objects.create(
            visit=visit, station=station, key=key, side=side, value=measured.value, u=measured.u,
            unit=measured.unit, method=measured.method[:200], readings=list(readings), medium=medium,
            author=author, replaces=old,
        )  # fmt: skip


def measured(visit: Visit, station: str) -> dict[tuple[str, str], Measurement]:
    """Current measurements of a station, by (key, side)."""
    return {(key, side): m for (at, key, side), m in all_measured(visit).items() if at == station}


def all_measured(visit: Visit) -> dict[tuple[str, str, str], Measurement]:
    """Current measurements by (station, key, side)."""

    def fetch() -> dict[tuple[str, str, str], Measurement]:
        rows = Measurement.objects.current().filter(visit=visit)
        return {(m.station, m.key, m.side): m for m in rows}

    return once(visit, "measured", fetch)


def analyse(
    visit: Visit, kind: str, label: str, result: Mapping[str, Any], *,
    inputs: Mapping[str, Any] | None = None, medium: Medium | None = None, author: str = "",
) -> Analysis:  # fmt: skip
    """Record what a computation gave; a re-run with the same label replaces, never erases, the older one."""
    let_go(visit)
    with transaction.atomic():
        old = Analysis.objects.current().filter(visit=visit, kind=kind, label=label).last()
        return Analysis.objects.create(
            visit=visit, kind=kind, label=label, result=dict(result), inputs=dict(inputs or {}),
            medium=medium, program_version=__version__, author=author, replaces=old,
        )  # fmt: skip


def analysis(visit: Visit, kind: str, label: str) -> Analysis | None:
    """The current analysis of this kind and label."""
    return analyses(visit).get((kind, label))


def analyses(visit: Visit) -> dict[tuple[str, str], Analysis]:
    """Current analyses by (kind, label); the result of a large kind comes only when it is asked for."""

    def fetch() -> dict[tuple[str, str], Analysis]:
        rows = Analysis.objects.current().filter(visit=visit)
        found = [*rows.exclude(kind__in=LARGE), *rows.filter(kind__in=LARGE).defer("result")]
        return {(a.kind, a.label): a for a in found}

    return once(visit, "analyses", fetch)


def snapshot(
    visit: Visit, label: str, data: Mapping[str, Any], parent: Position | None = None, author: str = ""
) -> Position:
    """Write an immutable position."""
    let_go(visit)
    return Position.objects.create(visit=visit, label=label, data=dict(data), parent=parent, author=author)


def last_position(visit: Visit) -> Position | None:
    """The newest position of the visit."""
    return next(reversed(positions(visit)), None)


def positions(visit: Visit) -> tuple[Position, ...]:
    """All positions of the visit, oldest first."""

    def fetch() -> tuple[Position, ...]:
        return tuple(Position.objects.filter(visit=visit).order_by("created_at", "pk"))

    return once(visit, "positions", fetch)
