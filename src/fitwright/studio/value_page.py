"""One number of a visit: each time it was taken, how, by whom and how sure; its picture; the same over the visits."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import quote

import numpy as np

from fitwright.errors import InputError
from fitwright.foot.sole import SoleReading
from fitwright.quantity import Measured
from fitwright.records.models import Analysis, ChangeStep, Measurement, Medium, Visit
from fitwright.studio import film_page, history, ride
from fitwright.studio.bike import FIELDS
from fitwright.studio.drawings import FRONT_ROWS, SIDE_ROWS
from fitwright.studio.feet import soles
from fitwright.studio.rider_page import Course, courses

MOST_VISITS = 24
RIDE_ROWS = {f"{q}.{e}": words for q, e, words, _ in (*SIDE_ROWS, *FRONT_ROWS)}
EVENT_DEG = {"tdc": 0.0, "top": 0.0, "q90": 90.0, "bdc": 180.0}


@dataclass(frozen=True)
class Taken:
    """One time that the number was taken.

    Attributes:
        what: moment in words. values: (words, value), one unless several belong together. at, who: when and by whom
            it was kept. replaced: whether a later one stands in its place. withdrawn: from then on nothing stood.
    """

    what: str
    side: str
    values: tuple[tuple[str, Measured], ...]
    at: datetime
    who: str
    replaced: bool = False
    withdrawn: bool = False


@dataclass(frozen=True)
class Picture:
    """Where it was seen: address of the photograph or frame, words for it, and the page that shows it whole."""

    src: str
    words: str
    page: str


@dataclass(frozen=True)
class ValuePage:
    """All that is known of one number; `station`: where it is taken. `courses`: over the rider's visits."""

    name: str
    label: str
    station: str
    taken: tuple[Taken, ...]
    pictures: tuple[Picture, ...]
    courses: tuple[Course, ...]


def page(visit: Visit, name: str) -> ValuePage:
    """The number called `name`: a quantity of the ride ("knee_flexion_deg.min"), a measure of the bike
    ("saddle_height_mm") or a sole ("sole.left"). InputError for any other name."""
    bike = {f.name: f.label for f in FIELDS}
    if name in bike:
        return ValuePage(
            name, bike[name], "bike", tuple(_typed_and_turned(visit, name)), (), _over_visits(visit, name)
        )
    if name in RIDE_ROWS:
        label = history.label_of(name)
        return ValuePage(
            name,
            label,
            "ride",
            tuple(_ridden(visit, name)),
            tuple(_frames(visit, name)),
            _over_visits(visit, name),
        )
    if name in ("sole.left", "sole.right"):
        side = name.split(".")[1]
        return ValuePage(
            name, f"Sole, {side}", "feet", tuple(_soles(visit, side)), tuple(_photos(visit, side)), ()
        )
    raise InputError("value", "is not a number of this visit", value=name[:60])


def _over_visits(visit: Visit, name: str) -> tuple[Course, ...]:
    """The quantity over the rider's visits, once there are two."""
    latest = list(Visit.objects.filter(rider=visit.rider_id)[:MOST_VISITS])
    return courses(history.known(latest[::-1]), [name]) if len(latest) > 1 else ()


def _typed(visit: Visit, key: str) -> Iterator[Taken]:
    """Every row of a typed measure, the latest first."""
    rows = Measurement.objects.filter(visit=visit, station="bike", key=key).select_related("replaced_by")
    for m in rows.order_by("-created_at", "-pk"):
        value = () if m.withdrawn else (("", m.measured),)
        yield Taken("", "both", value, m.created_at, m.author, hasattr(m, "replaced_by"), m.withdrawn)


def _typed_and_turned(visit: Visit, name: str) -> list[Taken]:
    """What was typed and what was turned, the latest first."""
    return sorted((*_typed(visit, name), *_turned(visit, name)), key=lambda t: t.at, reverse=True)


def _turned(visit: Visit, name: str) -> Iterator[Taken]:
    """The value after each turn of its bolt, and after turning back."""
    steps = ChangeStep.objects.filter(
        change__visit=visit, change__planned__adjustable=name, state__in=("done", "undone")
    )
    for step in steps.select_related("change"):
        planned = step.change.planned
        value = planned["before"] if step.state == "undone" else planned["after"]
        how = "as planned, not measured" if step.actual is None else "measured on the bike"
        told = Measured(value if step.actual is None else step.actual, step.u or 0.0, planned["unit"], how)
        what = "turned back" if step.state == "undone" else "turned"
        yield Taken(what, "both", (("", told),), step.created_at, step.author)


def _ridden(visit: Visit, name: str) -> Iterator[Taken]:
    """The value in every reading of every ride of the visit, the latest first."""
    quantity, event = name.split(".")
    rows = (
        Analysis.objects.filter(visit=visit, kind="ride")
        .select_related("replaced_by")
        .order_by("-created_at", "-pk")
    )
    for at, author, label, quantities, later in rows.values_list(
        "created_at", "author", "label", "result__ride__quantities", "replaced_by"
    ):
        for side, of_side in (quantities or {}).items():
            if (told := of_side.get(quantity, {}).get(event)) is not None:
                yield Taken(
                    _film_words(label), side, (("", Measured.from_json(told)),), at, author, later is not None
                )


def _film_words(label: str) -> str:
    """`from the right, as it came` of "side right before"; another label as it is."""
    view, _, when = label.rpartition(" ")
    return (
        f"{ride.VIEW_WORDS[view]}, {ride.WHEN_WORDS[when]}"
        if view in ride.VIEW_WORDS and when in ride.WHEN_WORDS
        else label
    )


def _frames(visit: Visit, name: str) -> Iterator[Picture]:
    """One frame of each film that shows the number, at the crank angle where it is read."""
    quantity, event = name.split(".")
    for clip in ride.clips(visit):
        if clip.ride is None:
            continue
        side = next(
            (s for s in ("right", "left", "both") if clip.ride.value(s, quantity, event) is not None), None
        )
        if side is None:
            continue
        told = clip.ride.value(side, quantity, f"{event}_at")
        angle = told.value if told is not None else EVENT_DEG.get(event)
        at_s = _moment(clip, 180.0 if angle is None else angle, side)
        where = "" if angle is None else f", crank at {angle % 360:.0f}°"
        words = f"{_film_words(f'{clip.view} {clip.when}').capitalize()}{where}"
        film = f"/visits/{visit.pk}/ride/film/{clip.view.replace(' ', '-')}/{clip.when}"
        yield Picture(f"/media/{clip.medium.sha256}/frame?t={at_s:.3f}", words, film)


def _moment(clip: ride.Clip, angle_deg: float, side: str) -> float:
    """Seconds from the film's beginning to the frame in its middle whose crank angle comes nearest."""
    data = film_page.data(clip)
    times = np.array(data["time_s"], dtype=np.float64)
    theta = np.array([np.nan if t is None else t for t in data["theta_deg"]], dtype=np.float64)
    if not times.size or not np.isfinite(theta).any():
        return 0.0
    theta = theta + (data["other_leg_deg"] if side == "left" else 0)
    off = np.abs((theta - angle_deg + 180) % 360 - 180)
    off[times < np.median(times)] += 360  # well inside the film, where all points are followed
    return float(times[np.nanargmin(off)])


def _soles(visit: Visit, side: str) -> Iterator[Taken]:
    """Every reading of the sole, the latest first."""
    rows = Analysis.objects.filter(visit=visit, kind="sole", label__startswith=side).select_related(
        "replaced_by"
    )
    for row in rows.order_by("-created_at", "-pk"):
        reading = SoleReading.from_json(row.result)
        values = [("length, heel to toe", reading.length_mm)]
        if reading.cleat is not None:
            values += zip(
                ("cleat from the heel", "cleat outward", "toe-out"),
                reading.cleat.measured().values(),
                strict=True,
            )
        when, pair = row.label.removeprefix(f"{side} ").split()[0], soles.letter_in(row.label)
        words = soles.MOMENT_WORDS.get(when, when) + (f", pair {pair}" if pair != "A" else "")
        yield Taken(words, side, tuple(values), row.created_at, row.author, hasattr(row, "replaced_by"))


def _photos(visit: Visit, side: str) -> Iterator[Picture]:
    photos: Mapping[str, Medium] = soles.photos_of(visit, side)
    for when, medium in photos.items():
        pick = f"/visits/{visit.pk}/feet/pick/{medium.pk}?foot={side}&when={quote(when)}"
        yield Picture(f"/media/{medium.sha256}?small", f"The {side} sole {soles.MOMENT_WORDS[when]}", pick)
