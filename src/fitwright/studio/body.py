"""Body: the hanging-foot test of both sides, tape measures, and what is measured on each side."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from fitwright.body import reference
from fitwright.body.doubts import SAMPLED
from fitwright.body.hanging_foot import HangingFoot, hanging_foot, side_difference
from fitwright.body.measures import LIMITS, BodyMeasures, malleolus_height, shank_length, thigh_length
from fitwright.body.sided import BY_NAME, BY_STEM, SIDED, ratio
from fitwright.body.trials import Sides, Trials, compare_sides, trials
from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.models import Measurement, Visit
from fitwright.studio import body_doubts
from fitwright.studio import hanging as hanging_photos
from fitwright.studio import typed as bench
from fitwright.studio.body_fields import (
    BEGIN,
    BOTH_SIDES,
    DIFFERENCE,
    FIELDS,
    HANGING,
    LENGTHS,
    LINE,
    MEASURED_BY,
    MEASURES,
    SIDES,
    TAPE,
    sided,
)
from fitwright.studio.entry import Field, Group, Saved
from fitwright.studio.visits import answers, measure, measured

STATION = "body"
LABELS = body_doubts.LABELS


@dataclass(frozen=True)
class Placed:
    """A measure and where it lies in the reference sample (percentile 0–100)."""

    label: str
    value: Measured
    percentile: float


@dataclass(frozen=True)
class BodyPage:
    """The Body station.

    `hanging` holds what is known by side, `photos` the photographs behind it; `difference` the sentence about left
    and right; `sides` the same for every two-sided measure; `derived` ratios of measures; `norms` published figures
    for what was measured; `odd` what is unusual and who said it was measured right; `first_guess` the leg the twin
    starts from, each (words, value).
    """

    groups: tuple[Group, ...]
    hanging: Mapping[str, HangingFoot]
    photos: tuple[hanging_photos.Photo, ...]
    difference: str
    difference_deg: Measured | None
    sides: tuple[Sides, ...]
    derived: tuple[tuple[str, Measured], ...]
    placed: tuple[Placed, ...]
    sample: str
    norms: tuple[tuple[str, str], ...]
    odd: tuple[body_doubts.Odd, ...]
    first_guess: tuple[tuple[str, Measured], ...]
    missing: tuple[str, ...]


def save_body(visit: Visit, typed: Mapping[str, str], version: int | None = None) -> Saved:
    """Write readings and measures; a change of the line that was read re-reckons both hanging feet.

    What clashes is refused; what is odd is an `Ask` among the errors until `<field>.keep` repeats its text.
    """
    bare = typed.get("hanging_line", answers(visit, STATION).get("hanging_line")) == "bare"

    def mean(field: Field, readings: Sequence[float]) -> Measured:
        if field in HANGING:
            return hanging_foot(readings, in_shoe=not bare).yaw_deg
        return _trials(field.name, readings).mean

    clashes = _clashes(visit, typed)
    asked = body_doubts.ask(visit, {k: v for k, v in typed.items() if k not in clashes})
    held = clashes | asked.asks
    clear = {k: v for k, v in typed.items() if k not in held}
    saved = bench.save(visit, STATION, FIELDS, clear, version, mean)
    saved.errors |= held
    for name in saved.written:
        body_doubts.record(visit, asked.confirmed.get(name, ()))
    if "hanging_line" in saved.written:
        _line_changed(visit, saved.written)
    return saved


def settle(visit: Visit, changed: Collection[str]) -> None:
    """Re-reckon both hanging feet when the line that was read is another than before."""
    if "hanging_line" in changed:
        _line_changed(visit, ())


def _line_changed(visit: Visit, but: Collection[str]) -> None:
    in_shoe = answers(visit, STATION).get("hanging_line") != "bare"
    for field in HANGING:
        row = measured(visit, STATION).get(field.record)
        if row is not None and field.name not in but:
            again = hanging_foot(row.readings, in_shoe=in_shoe).yaw_deg
            measure(visit, STATION, field.key, again, side=field.side, readings=row.readings)


def measures(visit: Visit) -> BodyMeasures | None:
    """The tape measures as the domain takes them; None while the height is missing."""
    return _measures({key: row.value for (key, _), row in measured(visit, STATION).items()}, visit.rider.sex)


def hanging(visit: Visit) -> dict[str, HangingFoot]:
    """The hanging-foot test by side, where it was done, by goniometer or photograph."""
    return hanging_photos.combined(visit)


def page(visit: Visit) -> BodyPage:
    """What the Body page shows."""
    record = bench.OnRecord.of(visit, STATION)
    feet = hanging(visit)
    said = {"hanging_line": "shoe", **record.answers}
    groups = _groups(bench.OnRecord(said, record.measurements, record.ratings))
    body = _measures({key: r.value for (key, _), r in record.measurements.items()}, visit.rider.sex)
    d_deg, words = side_difference(feet["left"], feet["right"]) if len(feet) == 2 else (None, "")
    missing = tuple(
        e.field.label
        for g in groups
        for e in g.entries
        if e.field.needed and not e.known and not (e.field in HANGING and e.field.side in feet)
    )
    known = {name: t for name in BOTH_SIDES if (t := trials_of(record.measurements, name)) is not None}
    return BodyPage(
        groups, feet, hanging_photos.photos(visit), words, d_deg, _sides(known), _derived(known),
        _placed(record.measurements, visit.rider.sex, known),
        reference.place("stature_mm", 1, visit.rider.sex).sample,
        tuple((m.label, m.norm) for m in SIDED if m.norm and any(m.name(s) in known for s in SIDES)),
        body_doubts.on_record(visit), _first_guess(body), missing,
    )  # fmt: skip


def trials_of(rows: Mapping[tuple[str, str], Measurement], name: str) -> Trials | None:
    """The readings of one side's measure on record."""
    row = rows.get(BOTH_SIDES[name].record)
    return None if row is None else _trials(name, row.readings or [row.value])


def _trials(name: str, readings: Sequence[float]) -> Trials:
    m, _ = BY_NAME[name]
    return trials(readings, m.unit, m.label.lower(), m.u_hand, m.u_tool)


def _groups(record: bench.OnRecord) -> tuple[Group, ...]:
    def group(
        title: str, fields: Sequence[Field], layout: str = "", note: str = "", folded: bool = False
    ) -> Group:
        return Group(title, bench.entries(fields, record), note, layout, folded)

    several = "One reading is enough; several, with spaces between them, make it surer."
    return (
        group("Hanging foot by goniometer", (*HANGING, LINE)),
        group("Begin with these", BEGIN, "columns", "Enough for a first guess of the leg; each one more narrows it."),
        group("Feet", sided("foot_length", "ball_length", "foot_breadth"), "sides", several),
        group(
            "More of the foot",
            sided("foot_length", "ball_length", "foot_breadth", part="foot"), "sides", several, True,
        ),
        group("More by tape", LENGTHS, "columns", folded=True),
        group("Legs and shins", (*sided(part="leg"), DIFFERENCE), "sides", several, True),
        group("Joint ranges", sided(part="range"), "sides", several, True),
        group("Who measured", (MEASURED_BY,)),
    )  # fmt: skip


def _measures(known: Mapping[str, float], sex: str) -> BodyMeasures | None:
    if "height_mm" not in known:
        return None
    return BodyMeasures.from_json({k: v for k, v in known.items() if k in LIMITS} | {"sex": sex})


def _clashes(visit: Visit, typed: Mapping[str, str]) -> dict[str, InputError]:
    """Measures that are possible alone but not together (a thigh longer than the inseam)."""
    known = {key: row.value for (key, _), row in measured(visit, STATION).items() if key in LIMITS}
    fresh = {name: value for name, value in body_doubts.read(typed).items() if name in TAPE}
    unread = {f.name for f in MEASURES if typed.get(f.name, "").strip()} - set(fresh)
    known = {name: value for name, value in known.items() if name not in unread}
    try:
        _measures({**known, **fresh}, visit.rider.sex)
    except InputError as error:
        name = error.field if error.field in fresh or not fresh else next(iter(fresh))
        return {name: InputError(LABELS[error.field], error.problem, allowed=error.allowed)}
    return {}


def _sides(known: Mapping[str, Trials]) -> tuple[Sides, ...]:
    """Left against right, where both were measured."""
    return tuple(
        compare_sides(m.label, known[m.name("left")], known[m.name("right")])
        for m in SIDED
        if m.name("left") in known and m.name("right") in known
    )


def _derived(known: Mapping[str, Trials]) -> tuple[tuple[str, Measured], ...]:
    """The arch height index of each side."""
    arch, ball = BY_STEM["arch_height"], BY_STEM["ball_length"]
    return tuple(
        (
            f"Arch height index, {side}",
            ratio(known[arch.name(side)].mean, known[ball.name(side)].mean, "arch height / ball length"),
        )
        for side in SIDES
        if arch.name(side) in known and ball.name(side) in known
    )


def _placed(
    rows: Mapping[tuple[str, str], Measurement], sex: str, known: Mapping[str, Trials]
) -> tuple[Placed, ...]:
    values = {f.name: rows[f.record].measured for f in MEASURES if f.record in rows}
    values |= {name: t.mean for name, t in known.items()}
    found = [
        Placed(LABELS[name], values[name], reference.place(of, values[name].value, sex).percentile)
        for name, of in SAMPLED.items()
        if name in values
    ]
    for top, of, words in (
        ("ball_length", "ball_to_foot_length", "Ball length / foot length"),
        ("foot_breadth", "breadth_to_foot_length", "Foot breadth / foot length"),
    ):
        for side in SIDES:
            pair = [values.get(BY_STEM[stem].name(side)) for stem in (top, "foot_length")]
            if pair[0] and pair[1]:
                share = ratio(pair[0], pair[1], words.lower())
                percentile = reference.place(of, share.value, sex).percentile
                found.append(Placed(f"{words}, {side}", share, percentile))
    return tuple(found)


def _first_guess(body: BodyMeasures | None) -> tuple[tuple[str, Measured], ...]:
    """Leg of the twin before any film."""
    if body is None:
        return ()
    return (
        ("Thigh, hip to knee", thigh_length(body)),
        ("Shank, knee to ankle", shank_length(body)),
        ("Ankle above the floor", malleolus_height(body)),
    )
