"""The rider's page: each visit in a few lines, the main numbers over the visits, two visits beside each other."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from django.db.models import Q

from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.models import Answer, ChangeStep, Rider, Visit
from fitwright.sheets.strip import Reading, Strip, strip_svg
from fitwright.sheets.trend_drawing import Trend, TrendPoint, trend_svg
from fitwright.sheets.words import RATING
from fitwright.studio import history
from fitwright.studio.doing import MADE
from fitwright.studio.feet import cleats
from fitwright.studio.history import (
    COMFORT,
    MAIN,
    PAIN,
    Change,
    Key,
    Known,
    change,
    day_words,
    known,
    label_of,
)
from fitwright.studio.intake import USE_WORDS

PAGE = 24
SIDES = ("both", "left", "right")
POSITION = (("saddle_height_mm", "saddle height"), ("saddle_setback_mm", "setback"), ("crank_mm", "crank"))
FELT = {"pain": "Pain", "comfort": "Comfort"}


@dataclass(frozen=True)
class Past:
    """One visit in a few lines: what it was for, the worst pain, what was turned, how the bike stood at its end."""

    visit: Visit
    use: str
    complaint: str
    pain: str
    changed: tuple[str, ...]
    position: str


@dataclass(frozen=True)
class Cell:
    """A visit's values of one quantity and side: on arrival where it was changed, and in the end.

    `since`: from the end of an earlier visit to this one's first value; `within`: from arrival to the end.
    """

    visit: Visit
    before: Measured | None
    now: Measured | None
    since: Change | None
    within: Change | None


@dataclass(frozen=True)
class Course:
    """One quantity over the visits: the drawing, and the same as rows of a table (side, cells)."""

    label: str
    svg: str
    rows: tuple[tuple[str, tuple[Cell, ...]], ...]


@dataclass(frozen=True)
class RiderPage:
    """What the rider's page shows. `earlier`: key to ask the visits before these with, 0 when these are all."""

    visits: tuple[Past, ...]
    earlier: int
    body: tuple[Course, ...]
    pain: tuple[Course, ...]
    comfort: tuple[Course, ...]
    reminders: tuple[str, ...]


@dataclass(frozen=True)
class Compared:
    """One quantity at two visits; a change is None where one of them does not know it."""

    label: str
    side: str
    first: Measured | None
    second: Measured | None
    change: Change | None
    svg: str


def page(rider: Rider, before: int = 0) -> RiderPage:
    """The rider's latest visits, or those before the visit with the key `before`."""
    rows = Visit.objects.filter(rider=rider).select_related("bike")
    if before:
        at = Visit.objects.filter(rider=rider, pk=before).first()
        if at is not None:
            rows = rows.filter(Q(opened_at__lt=at.opened_at) | Q(opened_at=at.opened_at, pk__lt=at.pk))
    some = list(rows[: PAGE + 1])
    shown, more = some[:PAGE], len(some) > PAGE
    told = known(shown[::-1])
    return RiderPage(
        _pasts(told[::-1]), shown[-1].pk if more else 0, courses(told, [n for n, _ in MAIN]),
        courses(told, _spoken_of(told, PAIN), span=(0.0, 10.0)), courses(told, COMFORT, span=(0.0, 10.0)),
        cleats.due_words(rider),
    )  # fmt: skip


def courses(
    told: Sequence[Known], names: Iterable[str], span: tuple[float, float] | None = None
) -> tuple[Course, ...]:
    """Each quantity that any of the visits (oldest first) knows, drawn and as rows."""
    drawn = []
    for name in names:
        rows = tuple((s, cells) for s in SIDES if (cells := _cells(told, (name, s))))
        if rows:
            label = label_of(name)
            drawn.append(Course(label, _drawn(label, told, rows, span, f"t-{name.replace('.', '-')}"), rows))
    return tuple(drawn)


def compare(rider: Rider, first: int, second: int) -> tuple[Visit, Visit, tuple[Compared, ...]]:
    """Two visits of the rider, the earlier first, with every quantity that either knows.

    Raises:
        InputError: not two different visits of this rider.
    """
    pair = list(
        Visit.objects.filter(rider=rider, pk__in=(first, second))
        .select_related("bike")
        .order_by("opened_at", "pk")
    )
    if len(pair) != 2:
        raise InputError("visits", "choose two different visits of this rider")
    a, b = known(pair)
    keys = {k: None for one in (a, b) for k in (*one.before, *one.after) if k[0] in history.LABELS}
    order = list(history.LABELS)
    rows = [
        _compared(key, a, b) for key in sorted(keys, key=lambda k: (order.index(k[0]), SIDES.index(k[1])))
    ]
    return pair[0], pair[1], tuple(rows)


def _compared(key: Key, a: Known, b: Known) -> Compared:
    first, second = a.last(key), b.last(key)
    readings = [Reading(key[1], m, s) for m, s in ((first, "before"), (second, "now")) if m is not None]  # type: ignore[arg-type]
    unit = readings[0].value.unit
    label = (
        f"{FELT[key[0].split('.')[0]]}: {label_of(key[0]).lower()}" if unit == RATING else label_of(key[0])
    )
    both = change(key, first, second) if first is not None and second is not None else None
    span = (0.0, 10.0) if unit == RATING else None
    return Compared(
        label, key[1], first, second, both, strip_svg(Strip(label, tuple(readings), unit=unit, span=span))
    )


def _spoken_of(told: Sequence[Known], sites: Iterable[str]) -> list[str]:
    """The sites that hurt at any of the visits."""
    hurt = {
        k[0] for one in told for values in (one.before, one.after) for k, m in values.items() if m.value > 0
    }
    return [s for s in sites if s in hurt]


def _cells(told: Sequence[Known], key: Key) -> tuple[Cell, ...]:
    """One cell for each visit; none at all when no visit knows the quantity."""
    cells: list[Cell] = []
    last: Measured | None = None
    for one in told:
        before, now = (one.before.get(key) if key in one.after else None), one.last(key)
        first = before or now
        cells.append(Cell(
            one.visit, before, now, change(key, last, first) if last and first else None,
            change(key, before, now, same_visit=True) if before and now else None,
        ))  # fmt: skip
        last = now or last
    return tuple(cells) if last is not None else ()


def _drawn(
    label: str, told: Sequence[Known], rows: Sequence[tuple[str, Sequence[Cell]]],
    span: tuple[float, float] | None, ident: str,
) -> str:  # fmt: skip
    points = []
    for side, cells in rows:
        for at, cell in enumerate(cells):
            if cell.before is not None:
                points.append(TrendPoint(at, side, cell.before, "before", _clear(cell.since)))
            if cell.now is not None:
                came = cell.since if cell.before is None else cell.within
                points.append(TrendPoint(at, side, cell.now, "now", _clear(came)))
    trend = Trend(label, tuple(day_words(k.visit) for k in told), tuple(points), points[0].value.unit, span)
    return trend_svg(trend, ident=ident)


def _clear(came: Change | None) -> bool | None:
    return came.clear if came is not None else None


def _pasts(told: Sequence[Known]) -> tuple[Past, ...]:
    pks = [k.visit.pk for k in told]
    goals = Answer.objects.current().filter(visit__in=pks, station="intake", key="goal")
    said = dict(goals.values_list("visit_id", "value"))
    turned: dict[int, dict[int, tuple[str, str]]] = {}
    steps = (
        ChangeStep.objects.filter(change__visit__in=pks).select_related("change").order_by("created_at", "pk")
    )
    for step in steps:
        words = str(step.change.planned.get("words", "")).split(": from ")[0]
        turned.setdefault(step.change.visit_id, {})[step.change_id] = (step.state, words)
    return tuple(
        Past(
            k.visit, USE_WORDS.get(k.visit.use, k.visit.use), str(said.get(k.visit.pk) or ""), _worst(k),
            tuple(w for state, w in turned.get(k.visit.pk, {}).values() if state in MADE), _position(k),
        )
        for k in told
    )  # fmt: skip


def _worst(one: Known) -> str:
    """`Knee, left, 4 of 10`: the site that hurt most on arrival."""
    pains = [(m.value, k) for k, m in one.before.items() if k[0].startswith("pain.") and m.value > 0]
    if not pains:
        return ""
    value, (name, side) = max(pains, key=lambda p: p[0])
    return f"{label_of(name).lower()}{'' if side == 'both' else f', {side}'} {value:.0f} of 10"


def _position(one: Known) -> str:
    """`left: saddle height 715 mm, setback 201 mm`."""
    label, points = one.position
    told = [
        f"{words} {round(points[name], 1):g} mm"
        for name, words in POSITION
        if isinstance(points.get(name), int | float)
    ]
    return f"{label}: {', '.join(told)}" if told else label
