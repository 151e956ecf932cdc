"""A rider's numbers over all visits: what was measured, drawn as one quantity over time, and told as changes.

Each kind of row is read once for all visits together. What a ride showed is taken from its record without the curves,
and kept in memory: such rows are never overwritten.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from django.core.cache import cache
from django.utils import timezone

from fitwright.plan.felt_change import SEM_POINTS, FeltChange, rating_change
from fitwright.plan.outcome import change_between
from fitwright.quantity import Measured, difference, distinguishable
from fitwright.records.models import Analysis, Measurement, Position, Rating, Visit
from fitwright.sheets.words import RATING
from fitwright.studio.bike import FIELDS
from fitwright.studio.drawings import FRONT_ROWS, SIDE_ROWS
from fitwright.studio.intake import COMFORT_SITES, PAIN_SITES

Key = tuple[str, str]
"""(name of the quantity, side): ("knee_flexion_deg.bdc", "left"), ("crank_mm", "both"), ("pain.knee", "left")."""
WHENS = ("before", "after")
MAIN = (
    ("knee_flexion_deg.bdc", "Knee flexion at the bottom"), ("trunk_inclination_deg.mean", "Trunk to horizontal"),
    ("knee_path_mm.q90", "Knee outward of the pedal, loaded"), ("saddle_height_mm", "Saddle height"),
)  # fmt: skip
BIKE = {f.name: f.label for f in FIELDS}


def sided(name: str) -> Key:
    """`pain.knee_left` as ("pain.knee", "left")."""
    stem, _, side = name.rpartition("_")
    return (stem, side) if side in ("left", "right") else (name, "both")


PAIN, COMFORT = (
    {sided(f"{kind}.{site}")[0]: words.rsplit(",", 1)[0] for site, words in sites}
    for kind, sites in (("pain", PAIN_SITES), ("comfort", (("overall", "Comfort overall"), *COMFORT_SITES)))
)
LABELS = {f"{q}.{e}": words[0].upper() + words[1:] for q, e, words, _ in (*SIDE_ROWS, *FRONT_ROWS)}
LABELS |= dict(MAIN) | BIKE | PAIN | COMFORT
LEAST_MM = 0.05
"""A position that lies nearer than this to the measured one is the same."""


@dataclass(frozen=True)
class Known:
    """What one visit knows: values by quantity and side, "before" any change and "after" the changes.

    `position`: label and contact points of the last position that was kept.
    """

    visit: Visit
    position: tuple[str, Mapping[str, Any]]
    before: Mapping[Key, Measured]
    after: Mapping[Key, Measured]

    def last(self, key: Key) -> Measured | None:
        """The value that the rider left with."""
        return self.after.get(key) or self.before.get(key)


@dataclass(frozen=True)
class Change:
    """From one value to a later one: the difference ± u, in words, and whether it is clear (beyond what is
    detectable)."""

    value: Measured
    clear: bool
    words: str


def known(visits: Sequence[Visit]) -> tuple[Known, ...]:
    """What each of the visits knows, in their order; a fixed number of queries however many there are."""
    pks = [v.pk for v in visits]
    found: dict[int, dict[str, dict[Key, Measured]]] = {pk: {w: {} for w in WHENS} for pk in pks}
    for m in Measurement.objects.current().filter(visit__in=pks, station="bike", key__in=BIKE):
        found[m.visit_id]["before"][m.key, "both"] = m.measured
    for pk, moment, kind, site, value in _ratings(pks):
        name, side = sided(f"{kind}.{site}")
        found[pk]["before" if moment == "arrived" else "after"][name, side] = _rated(value)
    kept = (
        Position.objects.filter(visit__in=pks)
        .order_by("created_at", "pk")
        .values_list("visit_id", "label", "data")
    )
    left = {pk: (label, data) for pk, label, data in kept}
    for pk, (_, data) in left.items():
        _left_with(found[pk], data)
    for pk, when, quantities in _rides(pks):
        for side, of_side in quantities.items():
            for quantity, events in of_side.items():
                for event, m in events.items():
                    if math.isfinite(m["value"]):
                        found[pk][when][f"{quantity}.{event}", side] = Measured.from_json(m)
    return tuple(
        Known(v, (label, data.get("contact_points", {})), found[v.pk]["before"], found[v.pk]["after"])
        for v in visits for label, data in [left.get(v.pk, ("", {}))]
    )  # fmt: skip


def change(key: Key, before: Measured, after: Measured, *, same_visit: bool = False) -> Change:
    """From `before` to `after`; within a visit the stickers stayed on, between visits they were set again."""
    felt = felt_change(key, before, after)
    if felt is not None:
        return Change(difference(after, before), felt.clear, felt.words)
    if key[0] in BIKE:
        value, clear = difference(after, before), distinguishable(after, before)
    else:
        value, least = change_between(before, after, same_stickers=same_visit)
        clear = abs(value.value) > least
    return Change(value, clear, "" if clear else "not distinguishable")


def felt_change(key: Key, before: Measured, after: Measured) -> FeltChange | None:
    """The change of a rating; None for what is not felt but measured."""
    return rating_change(key[0].split(".")[0], round(before.value), round(after.value))


def label_of(name: str) -> str:
    """The quantity in words."""
    return LABELS.get(name, name.replace("_", " "))


def day_words(visit: Visit) -> str:
    """`14 May 26`, short enough for an axis."""
    day = timezone.localtime(visit.opened_at)
    return f"{day.day} {day:%b %y}"


def _rated(value: int) -> Measured:
    return Measured(float(value), SEM_POINTS, RATING, "said by the rider, 0 to 10")


def _ratings(pks: Sequence[int]) -> Iterable[tuple[int, str, str, str, int]]:
    """(visit, moment, kind, site, value): on arrival, and after the last turn of the visit, in time."""
    rows = (
        Rating.objects.current()
        .filter(visit__in=pks)
        .values_list("visit_id", "moment", "kind", "site", "value")
    )
    return list(rows)


def _left_with(of_visit: dict[str, dict[Key, Measured]], data: Mapping[str, Any]) -> None:
    """The numbers of the position where they differ from those measured on arrival."""
    measured = data.get("contact_measured", {})
    for name, value in data.get("contact_points", {}).items():
        arrived = of_visit["before"].get((name, "both"))
        if arrived is None or not isinstance(value, int | float):
            continue
        if abs(value - arrived.value) > LEAST_MM:
            own = measured.get(name, {})
            u = float(own.get("u", arrived.u)) if isinstance(own, Mapping) else arrived.u
            of_visit["after"][name, "both"] = Measured(float(value), u, arrived.unit, "as it was left")


def _rides(pks: Sequence[int]) -> list[tuple[int, str, dict[str, Any]]]:
    """(visit, moment, the ride's quantities) of every current ride, marker files as "before"."""
    rows = Analysis.objects.current().filter(visit__in=pks, kind="ride")
    places = list(rows.values_list("pk", "created_at", "visit_id", "label"))
    keys = {pk: f"ride-{pk}-{at.timestamp()}" for pk, at, _, _ in places}
    known_already: dict[str, Any] = cache.get_many(keys.values())
    missing = [pk for pk, key in keys.items() if key not in known_already]
    fresh = Analysis.objects.filter(pk__in=missing).values_list("pk", "result__ride__quantities")
    news = {keys[pk]: quantities or {} for pk, quantities in fresh} if missing else {}
    if news:
        cache.set_many(news, timeout=None)
    told = known_already | news
    return [(visit, _when(label), told[keys[pk]]) for pk, _, visit, label in places]


def _when(label: str) -> str:
    return "after" if label.split()[-1] == "after" else "before"
