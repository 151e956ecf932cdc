"""A cleat put back: which recorded position it is held against, and how far it is off."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils import timezone

from fitwright.errors import InputError
from fitwright.foot.remount import compare, compare_poses, mark_u
from fitwright.foot.sole import SoleReading
from fitwright.quantity import Z95
from fitwright.records.models import Analysis, Medium, Position, Visit
from fitwright.studio.entry import sentence
from fitwright.studio.feet import cleats
from fitwright.studio.feet.soles import FEET, STATION, label, letter_of, reading_of
from fitwright.studio.feet.verdict import Check, from_comparison
from fitwright.studio.visits import analyse, answer, answers, once
from fitwright.told import day_of_record

MOMENT_WORDS = {"after": "after fitting", "before": "as it came"}
WAYS = {
    "auto": "whatever is marked: dots, nose and tail",
    "ends": "nose and tail only: a new cleat of the same shape, its dots gone",
    "centre": "its centre on the sole: a cleat of another system",
}


@dataclass(frozen=True)
class Recorded:
    """A position on record: `key` names it ("sole 12", "position 3"); `medium` is the photograph it was measured in;
    `u_mark_mm` of one dot."""

    key: str
    words: str
    at: datetime
    reading: SoleReading
    medium: Medium | None
    visit_pk: int

    @property
    def u_mark_mm(self) -> float:
        """Standard uncertainty of one dot in its photograph."""
        return mark_u(self.reading)

    @property
    def half_width_mm(self) -> float:
        """95 % half-width of one dot."""
        return Z95 * self.u_mark_mm


@dataclass(frozen=True)
class Restored:
    """A cleat found later against the record it was held to. `check` None: nothing to compare yet, or `problem`."""

    recorded: Recorded | None
    way: str
    check: Check | None = None
    problem: str = ""


def records_of(visit: Visit, side: str) -> tuple[Recorded, ...]:
    """Every recorded position of this rider's foot on this pair of shoes, newest first.

    From this and all earlier visits: soles after fitting and as they came, and positions that were kept.
    """
    return once(visit, f"records {side}", lambda: _records_of(visit, side))


def _records_of(visit: Visit, side: str) -> tuple[Recorded, ...]:
    labels = {label(visit, f"{side} {when}"): words for when, words in MOMENT_WORDS.items()}
    rows = Analysis.objects.current().filter(visit__rider=visit.rider_id, kind="sole", label__in=labels)
    found = [
        Recorded(
            f"sole {row.pk}", f"{labels[row.label]}, {_where(visit, row)}", row.created_at,
            SoleReading.from_json(row.result), row.medium, row.visit_id,
        )
        for row in rows.select_related("medium", "visit")
    ]  # fmt: skip
    for kept in Position.objects.filter(visit__rider=visit.rider_id).select_related("visit__shoes"):
        data = kept.data.get("feet", {}).get(side)
        if data and letter_of(kept.visit) == letter_of(visit):
            words = f"position {kept.pk} “{kept.label}”, {_where(visit, kept)}"
            reading = SoleReading.from_json(data)
            found.append(
                Recorded(f"position {kept.pk}", words, kept.created_at, reading, None, kept.visit_id)
            )
    return tuple(sorted(found, key=lambda r: r.at, reverse=True))


def _where(visit: Visit, row: Any) -> str:
    """`this visit` or the day and title of an earlier one."""
    if row.visit_id == visit.pk:
        return "this visit"
    title = f" ({row.visit.title})" if row.visit.title else ""
    return f"{day_of_record(timezone.localdate(row.created_at))}{title}"


def recorded_of(visit: Visit, side: str) -> Recorded | None:
    """The position to go back to: as chosen, else the newest after fitting, else the newest of any kind."""
    known = records_of(visit, side)
    chosen = answers(visit, STATION).get(label(visit, f"recorded {side}"))
    fallback = (r for r in known if r.words.startswith(MOMENT_WORDS["after"]))
    by_key = next((r for r in known if r.key == chosen), None)
    return by_key or next(fallback, None) or next(iter(known), None)


def choose(visit: Visit, side: str, key: str, way: str = "auto") -> None:
    """Say which recorded position to go back to, and how the cleat is compared with it.

    Raises:
        InputError: another rider's or another foot's position, or an unknown way.
    """
    if side not in FEET:
        raise InputError("foot", "unknown", value=side, allowed="left, right")
    if way not in WAYS:
        raise InputError("Compare by", "unknown", value=way[:40], allowed=", ".join(WAYS))
    if key not in {r.key for r in records_of(visit, side)}:
        raise InputError(
            "Recorded position", f"is none of this {side} foot and pair of shoes", value=key[:40],
            hint="Choose one of the list",
        )  # fmt: skip
    answer(visit, STATION, label(visit, f"recorded {side}"), key)
    answer(visit, STATION, label(visit, f"restore by {side}"), way)


def way_of(visit: Visit, side: str, recorded: Recorded) -> str:
    """How the cleat is compared: as chosen, else what the cleats' own history calls for."""
    chosen = answers(visit, STATION).get(label(visit, f"restore by {side}"))
    if chosen in WAYS and chosen != "auto":
        return str(chosen)
    replaced = cleats.replaced_since(visit, side, recorded.at)
    if replaced is None:
        return "auto"
    return "centre" if replaced.another_system else "ends"


def restored(visit: Visit, side: str) -> Restored:
    """The cleat found later against the record; what stands in the way in words instead of an error."""
    return once(visit, f"restored {side}", lambda: _restored(visit, side))


def _restored(visit: Visit, side: str) -> Restored:
    recorded, now = recorded_of(visit, side), reading_of(visit, side, "remount")
    if recorded is None:
        return Restored(None, "auto", None, _no_record(side).problem if now else "")
    way = way_of(visit, side, recorded)
    if now is None:
        return Restored(recorded, way)
    try:
        return Restored(recorded, way, compared(recorded.reading, now, way))
    except InputError as error:
        return Restored(recorded, way, None, sentence(error))


def compared(recorded: SoleReading, now: SoleReading, way: str = "auto") -> Check:
    """The comparison made in one of the `WAYS`."""
    if way == "centre":
        return from_comparison(compare_poses(recorded, now))
    if way == "ends":
        recorded, now = recorded.without_datums(), now.without_datums()
    return from_comparison(compare(recorded, now))


def try_compared(visit: Visit, side: str, recorded: Recorded, now: SoleReading) -> Check | None:
    """The comparison, None where the marks do not allow one."""
    try:
        return compared(recorded.reading, now, way_of(visit, side, recorded))
    except InputError:
        return None


def keep_remount(visit: Visit, foot: str, now: SoleReading) -> None:
    """Compare a cleat found later with the record and keep what came out.

    Raises:
        InputError: nothing on record, or marks that cannot be compared.
    """
    recorded = recorded_of(visit, foot)
    if recorded is None:
        raise _no_record(foot)
    way = way_of(visit, foot, recorded)
    analyse(
        visit, "remount", label(visit, foot), compared(recorded.reading, now, way).to_json(),
        inputs={"recorded": recorded.key, "way": way},
    )  # fmt: skip


def _no_record(foot: str) -> InputError:
    return InputError(
        "remount", f"there is no recorded {foot} cleat of this pair to compare with",
        hint="Measure the cleat after fitting first, or choose the pair of shoes it belongs to",
    )  # fmt: skip
