"""Cleats as they age: fitted, worn, replaced, and when to look at them again.

Notes belong to the rider and the pair of shoes, not to a visit. They are never changed: taking one back is a further
row that says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from django.db import transaction
from django.utils import timezone

from fitwright.errors import InputError, check_range
from fitwright.records.models import CleatNote, HardwareItem, Measurement, Medium, Rider, Visit
from fitwright.studio.feet.soles import letter_of
from fitwright.studio.visits import let_go, once
from fitwright.told import day_of_record

KINDS = {"fitted": "fitted new", "worn": "looked at", "replaced": "replaced by new ones"}
SIDES = {"": "both", "left": "left", "right": "right"}
PARTS = {"front": "front", "rear": "rear", "inner": "inner side", "outer": "outer side"}
PLAY = {"": "not tried", "no": "as when new", "yes": "more than when new"}
EARLIEST = date(1990, 1, 1)
WEEKS_A_MONTH = 365.25 / 12 / 7
RIDING_KM_H = 25.0  # hours a week to km, where no distance is known; common practice, no source
RULE = ("rule", "cleat_age")
RULE_SOURCE = "common practice, no source; the part maker’s own wear marks prevail"
RULE_LIMITS = {"months": (1, 120, "months"), "km": (200, 60_000, "km")}


@dataclass(frozen=True)
class Rule:
    """When cleats are due for a look: months since they were fitted, or km ridden, whichever comes first."""

    months: float = 12.0
    km: float = 6000.0
    edited: bool = False

    @property
    def words(self) -> str:
        """`12 months or 6000 km, whichever comes first (…)`."""
        by = "this studio’s rule; " if self.edited else ""
        return f"{self.months:g} months or {self.km:g} km, whichever comes first ({by}{RULE_SOURCE})"


def rule() -> Rule:
    """The studio's rule, or the one it comes with."""
    kind, key = RULE
    row = HardwareItem.objects.current().filter(kind=kind, key=key).last()
    return Rule(row.data["months"], row.data["km"], True) if row else Rule()


def save_rule(months: float, km: float) -> None:
    """Write the studio's rule; the one before stays on record."""
    for name, value in (("months", months), ("km", km)):
        low, high, unit = RULE_LIMITS[name]
        check_range(name, value, low, high, unit)
    if (months, km) == (rule().months, rule().km):
        return
    kind, key = RULE
    with transaction.atomic():
        old = HardwareItem.objects.current().filter(kind=kind, key=key).last()
        HardwareItem.objects.create(
            kind=kind,
            key=key,
            label="when to look at cleats",
            data={"months": months, "km": km},
            replaces=old,
        )


# --- notes ---


@dataclass(frozen=True)
class Note:
    """What happened to the cleats `on` a day, written down `at`: `worn_mm` by part, `play` a key of `PLAY`."""

    pk: int
    at: datetime
    side: str
    kind: str
    on: date
    worn_mm: Mapping[str, float]
    play: str = ""
    words: str = ""
    another_system: bool = False
    km_per_week: float | None = None
    medium: Medium | None = None

    @property
    def told(self) -> str:
        """The note in one line."""
        worn = [f"{PARTS.get(part, part)} {mm:g} mm" for part, mm in self.worn_mm.items()]
        parts = [f"{SIDES.get(self.side, self.side)}: {KINDS.get(self.kind, self.kind)}"]
        if self.another_system:
            parts.append("of another system")
        if worn:
            parts.append(f"worn at the {', '.join(worn)}")
        if self.play:
            parts.append(f"play {PLAY[self.play]}")
        if self.km_per_week is not None:
            parts.append(f"{self.km_per_week:g} km a week")
        return ", ".join(parts) + (f": {self.words}" if self.words else "")


def save_note(
    visit: Visit, side: str, kind: str, on: date, *, worn_mm: Mapping[str, float] | None = None, play: str = "",
    words: str = "", another_system: bool = False, km_per_week: float | None = None, medium: Medium | None = None,
) -> CleatNote:  # fmt: skip
    """Write down what happened to the cleats of the pair on the bench.

    Raises:
        InputError: a day to come or long gone, an unknown kind, or a number outside its range.
    """
    for name, value, known in (("foot", side, SIDES), ("What happened", kind, KINDS), ("Play", play, PLAY)):
        if value not in known:
            raise InputError(name, "unknown", value=value[:40], allowed=", ".join(w for w in known if w))
    first, last, said = (day_of_record(d) for d in (EARLIEST, timezone.localdate(), on))
    if on > timezone.localdate():
        raise InputError("Day", "lies in the future", value=said, allowed=f"up to {last}")
    if on < EARLIEST:
        raise InputError("Day", "lies too far back", value=said, allowed=f"from {first} on")
    worn = {p: check_range(f"Worn, {PARTS[p]}", mm, 0, 15, "mm") for p, mm in (worn_mm or {}).items()}
    if km_per_week is not None:
        check_range("Distance a week", km_per_week, 0, 2000, "km")
    if kind == "worn" and not (worn or play or words.strip() or medium):
        raise InputError(
            "Worn", "nothing is said about it", hint="Say where in mm or words, or whether there is more play"
        )
    data = {
        "worn_mm": worn, "play": play, "words": words.strip()[:400], "km_per_week": km_per_week,
        "another_system": another_system and kind == "replaced",
    }  # fmt: skip
    return CleatNote.objects.create(
        rider=visit.rider,
        visit=visit,
        letter=letter_of(visit),
        side=side,
        kind=kind,
        on=on,
        data=data,
        medium=medium,
    )


def withdraw(visit: Visit, pk: int) -> None:
    """Take a note back: a further row says so, the note itself stays on record."""
    old = CleatNote.objects.current().filter(rider=visit.rider, pk=pk).first()
    if old is None or old.data.get("withdrawn"):
        raise InputError("note", "is not there any more", hint="Reload the page")
    let_go(visit)
    CleatNote.objects.create(
        rider=old.rider, visit=visit, letter=old.letter, side=old.side, kind=old.kind, on=old.on,
        data={**old.data, "withdrawn": True}, medium=old.medium, replaces=old,
    )  # fmt: skip


def notes_of(rider: Rider, letter: str) -> tuple[Note, ...]:
    """The notes of one pair, newest first."""
    return notes_by_pair(rider).get(letter, ())


def notes_by_pair(rider: Rider) -> dict[str, tuple[Note, ...]]:
    """The notes of every pair of this rider, newest first; what was taken back is left out."""
    rows = CleatNote.objects.current().filter(rider=rider).select_related("medium")
    found: dict[str, tuple[Note, ...]] = {}
    for row in sorted(rows, key=lambda r: (r.on, r.pk), reverse=True):
        if not row.data.get("withdrawn"):
            found[row.letter] = (*found.get(row.letter, ()), _note(row))
    return found


def _note(row: CleatNote) -> Note:
    d = row.data
    return Note(
        row.pk, row.created_at, row.side, row.kind, row.on, d.get("worn_mm", {}), d.get("play", ""),
        d.get("words", ""), bool(d.get("another_system")), d.get("km_per_week"), row.medium,
    )  # fmt: skip


def replaced_since(visit: Visit, side: str, at: datetime) -> Note | None:
    """The newest replacement of this cleat after a moment; on the same day, when it was written down after it."""
    notes = once(visit, "cleat notes", lambda: notes_of(visit.rider, letter_of(visit)))
    day = timezone.localtime(at).date()
    own = (n for n in notes if n.kind == "replaced" and n.side in ("", side))
    return next((n for n in own if n.on > day or (n.on == day and n.at > at)), None)


# --- age ---


@dataclass(frozen=True)
class Age:
    """How old one cleat is. `km` None: nothing tells how much is ridden; `km_words` where it comes from."""

    side: str
    since: date
    kind: str
    months: float
    km: float | None
    km_words: str
    due: bool
    looked: Note | None

    @property
    def words(self) -> str:
        """`left cleat: 14 months, about 9100 km: due for a look`."""
        km = f", about {self.km:.0f} km ({self.km_words})" if self.km is not None else ""
        state = "due for a look" if self.due else "not due yet"
        play = (
            "; more play than when new: the float has grown"
            if self.looked and self.looked.play == "yes"
            else ""
        )
        return f"{self.side} cleat: {self.months:.0f} months{km}: {state}{play}"


def ages(rider: Rider, letter: str, today: date | None = None) -> tuple[Age, ...]:
    """Both cleats of a pair, as far as it is known since when they are on."""
    notes = notes_of(rider, letter)
    return _ages(notes, rule(), _hours(rider), today or timezone.localdate()) if notes else ()


def due_words(rider: Rider, today: date | None = None) -> tuple[str, ...]:
    """What to remind of, for the visit's overview and the rider's page; empty when nothing is due."""
    by_pair = notes_by_pair(rider)
    if not by_pair:
        return ()
    given = rule(), _hours(rider), today or timezone.localdate()
    return tuple(
        f"{'' if letter == 'A' else f'shoes {letter}, '}{age.words}"
        for letter, notes in sorted(by_pair.items())
        for age in _ages(notes, *given)
        if age.due
    )


def _ages(notes: tuple[Note, ...], due_after: Rule, hours: float | None, today: date) -> tuple[Age, ...]:
    """A look since they were fitted postpones nothing; more play than when new makes them due at once."""
    found = []
    for side in ("left", "right"):
        own = [n for n in notes if n.side in ("", side)]
        start = next((n for n in own if n.kind in ("fitted", "replaced")), None)
        if start is None:
            continue
        looked = next((n for n in own if n.kind == "worn" and n.on >= start.on), None)
        weeks = (today - start.on) / timedelta(weeks=1)
        per_week, how = _km_per_week(start, hours)
        km = None if per_week is None else per_week * weeks
        months = weeks / WEEKS_A_MONTH
        late = months >= due_after.months or (km is not None and km >= due_after.km)
        grown = looked is not None and looked.play == "yes"
        found.append(Age(side, start.on, start.kind, months, km, how, late or grown, looked))
    return tuple(found)


def _km_per_week(start: Note, hours: float | None) -> tuple[float | None, str]:
    if start.km_per_week is not None:
        return start.km_per_week, f"{start.km_per_week:g} km a week"
    if hours is None:
        return None, ""
    return hours * RIDING_KM_H, f"{hours:g} h a week at {RIDING_KM_H:g} km/h, guessed"


def _hours(rider: Rider) -> float | None:
    """Hours a week as last said at Intake."""
    rows = Measurement.objects.current().filter(visit__rider=rider, station="intake", key="hours_per_week")
    row = rows.last()
    return None if row is None else float(row.value)
