"""The visit as a walk along the bench: what each station knows, what it misses, and what to do next."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import date

from django.db.models import Max, Q

from fitwright.quantity import Measured, format_pm
from fitwright.records.models import STATIONS, Position, Visit, Work
from fitwright.studio import bike, body, intake, plan
from fitwright.studio.entry import lowered
from fitwright.studio.feet import cleats
from fitwright.studio.visits import all_answers, all_measured, analyses, positions
from fitwright.studio.work import ask_to_stop
from fitwright.told import day_of_record

LABELS = {s: s.capitalize() for s in STATIONS}
FIRST_STEP = {
    "intake": "Ask what should be better, and the questions that may call for a doctor first.",
    "body": "Let both feet hang, read each angle three times, then take height and inseam.",
    "feet": "Photograph each sole with the scale card beside it and pick the points.",
    "bike": "Measure the saddle, the hoods, the crank and the pedals.",
    "ride": "Film a minute from the side and from the front, and mark the points once.",
    "plan": "Make the plan when the ride and the bike are known.",
    "handover": "Mark the datum dots, print the sheets and agree on a follow-up day.",
}


@dataclass(frozen=True)
class Station:
    """A station in the walk: state "empty", "partly" or "done", what is known and missing in words."""

    name: str
    state: str
    known: tuple[str, ...]
    missing: tuple[str, ...]

    @property
    def label(self) -> str:
        """As written on the page."""
        return LABELS[self.name]

    @property
    def first_step(self) -> str:
        """What to do when nothing is there yet."""
        return FIRST_STEP[self.name]

    @property
    def state_words(self) -> str:
        """For those who do not see the mark."""
        return {"empty": "nothing yet", "partly": "begun", "done": "complete"}[self.state]


@dataclass(frozen=True)
class _Rows:
    """What is on record for one visit, fetched once."""

    visit: Visit
    answers: Mapping[tuple[str, str], object]
    measured: Mapping[tuple[str, str, str], Measured]
    analyses: Mapping[str, set[str]]
    positions: tuple[str, ...]
    changes: int
    steps: int


def stations(visit: Visit) -> tuple[Station, ...]:
    """All seven, in the order of the walk."""
    rows = _rows(visit)
    return tuple(_station(name, *_TELL[name](rows)) for name in STATIONS)


def next_step(walk: tuple[Station, ...]) -> tuple[Station, str]:
    """The first station that still misses something, and what it misses."""
    for station in walk:
        if station.state == "empty":
            return station, station.first_step
        if station.state == "partly":
            return station, f"Still missing: {', '.join(station.missing)}."
    return walk[-1], "Everything is there, the day you meet again too."


@dataclass(frozen=True)
class VisitPage:
    """The overview of a visit."""

    walk: tuple[Station, ...]
    next_station: Station
    next_words: str
    referral: str
    reasons: tuple[str, ...]
    positions: tuple[Position, ...]
    reminders: tuple[str, ...]


def page(visit: Visit) -> VisitPage:
    """What the visit's first page shows."""
    walk = stations(visit)
    station, words = next_step(walk)
    asked = intake.page(visit)
    return VisitPage(
        walk, station, words, asked.referral, asked.reasons,
        positions(visit), cleats.due_words(visit.rider),
    )  # fmt: skip


def _rows(visit: Visit) -> _Rows:
    known: dict[str, set[str]] = {}
    for kind, label in analyses(visit):
        known.setdefault(kind, set()).add(label)
    changes = plan.changes_of(visit)
    return _Rows(
        visit,
        {(s, key): value for s, said in all_answers(visit).items() for key, value in said.items()},
        {where: m.measured for where, m in all_measured(visit).items()},
        known, tuple(p.label for p in positions(visit)), len(changes), sum(bool(c.steps) for c in changes),
    )  # fmt: skip


def _station(name: str, known: list[str], missing: list[str]) -> Station:
    state = "empty" if not known else "partly" if missing else "done"
    return Station(name, state, tuple(known), tuple(missing))


def _intake(rows: _Rows) -> tuple[list[str], list[str]]:
    said = {key: value for (station, key), value in rows.answers.items() if station == "intake"}
    known, missing = [], []
    goal = str(said.get("goal") or "")
    (known if goal else missing).append(
        f"goal: “{goal[:80]}{'…' if len(goal) > 80 else ''}”" if goal else "the goal"
    )
    questions = intake.flag_fields()
    asked = sum(bool(said.get(f.name)) for f in questions)
    if asked == len(questions):
        yes = sum(said.get(f.name) == "yes" for f in questions)
        known.append("red-flag questions: " + (f"{yes} yes" if yes else "none"))
    else:
        missing.append(f"{len(questions) - asked} red-flag questions")
        if asked:
            known.append(f"{asked} red-flag questions asked")
    if hours := rows.measured.get(("intake", "hours_per_week", "")):
        known.append(f"{hours.value:g} h a week")
    (known if said.get("consent") else missing).append("consent")
    pains = intake.pain_ratings(rows.visit)
    if pains:
        site, worst = max(pains.items(), key=lambda p: p[1])
        known.append(f"most pain: {dict(intake.PAIN_SITES).get(site, site).lower()} {worst:g} of 10")
    return known, missing


def _body(rows: _Rows) -> tuple[list[str], list[str]]:
    known, missing = [], []
    feet = {f"hanging_foot_{side}": foot.yaw_deg for side, foot in body.hanging(rows.visit).items()}
    for f in (*body.HANGING, *(m for m in body.MEASURES if m.needed)):
        value = feet.get(f.name) or rows.measured.get(("body", *f.record))
        (known if value else missing).append(
            f"{lowered(f.label)} {format_pm(value)}" if value else lowered(f.label)
        )
    return known, missing


def _feet(rows: _Rows) -> tuple[list[str], list[str]]:
    soles = rows.analyses.get("sole", set())
    known, missing = [], []
    for side in ("left", "right"):
        if {f"{side} before", f"{side} after"} & soles:
            known.append(f"{side} sole measured" + (", before and after" if f"{side} after" in soles else ""))
        else:
            missing.append(f"{side} sole")
    return known, missing


def _bike(rows: _Rows) -> tuple[list[str], list[str]]:
    known, missing = [], []
    for f in bike.FIELDS:
        value = rows.measured.get(("bike", *f.record))
        if value:
            known.append(f"{lowered(f.label)} {format_pm(value)}")
        elif f.needed:
            missing.append(lowered(f.label))
    return known, missing


def _ride(rows: _Rows) -> tuple[list[str], list[str]]:
    rides = rows.analyses.get("ride", set())
    if any(label.startswith("markers") for label in rides):
        return ["markers imported"], []
    known, missing = [], []
    for view in ("side", "front"):
        labels = [label for label in rides if label.startswith(view)]
        if labels:
            whens = sorted({label.split()[-1] for label in labels}, reverse=True)
            known.append(f"{view} view, {' and '.join(whens)}")
        else:
            missing.append(f"{view} view")
    return known, missing


def _plan(rows: _Rows) -> tuple[list[str], list[str]]:
    if "plan" not in rows.analyses:
        return [], ["a plan"]
    count = rows.changes or "no"
    known = [f"{count} change planned" if rows.changes == 1 else f"{count} changes planned"]
    open_ = rows.changes - rows.steps
    missing = [f"{open_} of the changes not recorded yet"] if open_ > 0 else []
    if "outcome" in rows.analyses:
        known.append("predicted compared with measured")
    elif rows.changes and not missing:
        missing.append("measuring again")
    return known, missing


def _handover(rows: _Rows) -> tuple[list[str], list[str]]:
    known, missing = [], []
    day = rows.answers.get(("handover", "follow_up"))
    if day:
        known.append(f"follow-up on {day_of_record(date.fromisoformat(str(day)))}")
    else:
        missing.append("follow-up day")
    if "remount" in rows.analyses:
        known.append("remount checked")
    return known, missing


_TELL: Mapping[str, Callable[[_Rows], tuple[list[str], list[str]]]] = {
    "intake": _intake, "body": _body, "feet": _feet, "bike": _bike, "ride": _ride, "plan": _plan,
    "handover": _handover,
}  # fmt: skip


def work_of(visit: Visit) -> tuple[Work, ...]:
    """Work of this visit that is waiting or running."""
    return tuple(Work.objects.filter(visit=visit, state__in=("waiting", "running")))


def ended(visit: Visit, keys: Iterable[int], since: int) -> tuple[Work, ...]:
    """Pieces of work no longer going on: of those named, and of those that came after the key `since`."""
    known = Work.objects.filter(Q(pk__in=list(keys)) | Q(pk__gt=since), visit=visit)
    return tuple(known.exclude(state__in=("waiting", "running")))


def newest_work(visit: Visit) -> int:
    """Key of the visit's latest piece of work, 0 when there was none."""
    return Work.objects.filter(visit=visit).aggregate(Max("pk"))["pk__max"] or 0


def stop_work(visit: Visit, key: int) -> None:
    """Ask a piece of work to stop: at once when it waits, at its next report when it runs."""
    ask_to_stop(key, visit=visit)
