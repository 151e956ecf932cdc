"""Body: the hanging-foot test of both sides and the tape measures."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from fitwright.body import reference
from fitwright.body.hanging_foot import HangingFoot, hanging_foot, side_difference
from fitwright.body.measures import (
    LIMITS,
    U_LANDMARK_MM,
    U_TAPE_MM,
    BodyMeasures,
    malleolus_height,
    shank_length,
    thigh_length,
)
from fitwright.errors import InputError
from fitwright.quantity import Measured
from fitwright.records.models import Measurement, Visit
from fitwright.studio import typed as bench
from fitwright.studio.entry import Field, Group, Saved, read_number
from fitwright.studio.visits import answers, measure, measured

STATION = "body"
HANGING = tuple(
    Field(
        f"hanging_foot_{side}", f"Hanging foot, {side}", "readings", unit="deg", low=-30, high=50, needed=True,
        key="hanging_foot_deg", side=side,
        hint="three readings, toes out is positive; set the foot down between them",
    )
    for side in ("left", "right")
)  # fmt: skip
LINE = Field(
    "hanging_line", "The line that was read", "choice",
    choices=(("shoe", "middle of the shoe’s sole"), ("bare", "bare foot, heel to second toe")),
    hint="on the bare foot the angle to the shoe is less certain",
)  # fmt: skip
# name: label, where from and where to, standard uncertainty, needed
TAPE = {
    "height_mm": ("Height", "without shoes", U_TAPE_MM, True),
    "mass_kg": ("Mass", "", 0.5, False),
    "inseam_mm": ("Inseam", "floor to crotch, a book pressed up firmly", U_TAPE_MM, True),
    "trochanter_height_mm": ("Hip height", "floor to the bony point at the side of the hip", U_LANDMARK_MM, False),
    "thigh_mm": ("Thigh", "hip point to the outer knee", U_LANDMARK_MM, False),
    "shank_mm": ("Shank", "outer knee to the outer ankle bone", U_LANDMARK_MM, False),
    "malleolus_height_mm": ("Ankle height", "floor to the outer ankle bone, barefoot", 3.0, False),
    "foot_length_left_mm": ("Foot length, left", "heel to longest toe, standing", 2.0, False),
    "foot_length_right_mm": ("Foot length, right", "heel to longest toe, standing", 2.0, False),
    "torso_mm": ("Trunk", "hip point to the tip of the shoulder", U_LANDMARK_MM, False),
    "upper_arm_mm": ("Upper arm", "tip of the shoulder to the elbow", U_LANDMARK_MM, False),
    "forearm_mm": ("Forearm", "elbow to the grip of the hand", U_LANDMARK_MM, False),
    "shoulder_width_mm": ("Shoulder width", "tip to tip", U_LANDMARK_MM, False),
    "leg_length_difference_mm": ("Leg length, right minus left", "positive: right is longer", 5.0, False),
}  # fmt: skip
MEASURES = tuple(
    Field(n, label, unit=LIMITS[n][2], low=LIMITS[n][0], high=LIMITS[n][1], u=u, hint=hint, needed=needed)
    for n, (label, hint, u, needed) in TAPE.items()
)
PLACED = {
    "height_mm": "stature_mm", "inseam_mm": "crotch_height_mm", "trochanter_height_mm": "trochanter_height_mm",
    "thigh_mm": "thigh_mm", "shank_mm": "shank_mm", "malleolus_height_mm": "malleolus_height_mm",
    "foot_length_left_mm": "foot_length_mm", "foot_length_right_mm": "foot_length_mm",
}  # fmt: skip


@dataclass(frozen=True)
class Placed:
    """A measure and where it lies in the reference sample (percentile 0–100)."""

    label: str
    value: Measured
    percentile: float


@dataclass(frozen=True)
class BodyPage:
    """The Body station.

    `hanging` holds what is known by side; `difference` the sentence about left and right; `first_guess` the leg
    the twin starts from, each (words, value).
    """

    groups: tuple[Group, ...]
    hanging: Mapping[str, HangingFoot]
    difference: str
    difference_deg: Measured | None
    placed: tuple[Placed, ...]
    sample: str
    warnings: tuple[str, ...]
    first_guess: tuple[tuple[str, Measured], ...]
    missing: tuple[str, ...]


def save_body(visit: Visit, typed: Mapping[str, str], version: int | None = None) -> Saved:
    """Write readings and measures; a change of the line that was read re-reckons both hanging feet."""
    bare = typed.get("hanging_line", answers(visit, STATION).get("hanging_line")) == "bare"

    def mean(field: Field, readings: Sequence[float]) -> Measured:
        return hanging_foot(readings, in_shoe=not bare).yaw_deg

    clashes = _clashes(visit, typed)
    clear = {k: v for k, v in typed.items() if k not in clashes}
    saved = bench.save(visit, STATION, (LINE, *HANGING, *MEASURES), clear, version, mean)
    saved.errors |= clashes
    if "hanging_line" in saved.written:
        for field in HANGING:
            row = measured(visit, STATION).get(field.record)
            if row is not None and field.name not in saved.written:
                again = mean(field, row.readings)
                measure(visit, STATION, field.key, again, side=field.side, readings=row.readings)
    return saved


def measures(visit: Visit) -> BodyMeasures | None:
    """The tape measures as the domain takes them; None while the height is missing."""
    return _measures({key: row.value for (key, _), row in measured(visit, STATION).items()}, visit.rider.sex)


def hanging(visit: Visit) -> dict[str, HangingFoot]:
    """The hanging-foot test by side, where it was done."""
    bare = answers(visit, STATION).get("hanging_line") == "bare"
    return _hanging(measured(visit, STATION), bare)


def page(visit: Visit) -> BodyPage:
    """What the Body page shows."""
    record = bench.OnRecord.of(visit, STATION)
    feet = _hanging(record.measurements, record.answers.get("hanging_line") == "bare")
    if "hanging_line" not in record.answers:
        record = bench.OnRecord(
            {**record.answers, "hanging_line": "shoe"}, record.measurements, record.ratings
        )
    groups = (
        Group("Hanging foot", bench.entries((*HANGING, LINE), record)),
        Group(
            "Tape measures", bench.entries(MEASURES, record),
            layout="columns", note="Height and inseam are enough to begin; each one more narrows the first guess.",
        ),
    )  # fmt: skip
    body = _measures({key: r.value for (key, _), r in record.measurements.items()}, visit.rider.sex)
    d_deg, words = side_difference(feet["left"], feet["right"]) if len(feet) == 2 else (None, "")
    missing = tuple(e.field.label for g in groups for e in g.entries if e.field.needed and not e.known)
    return BodyPage(
        groups, feet, words, d_deg, _placed(record.measurements, visit.rider.sex), _sample(visit.rider.sex),
        body.warnings() if body else (), _first_guess(body), missing,
    )  # fmt: skip


def _hanging(rows: Mapping[tuple[str, str], Measurement], bare: bool) -> dict[str, HangingFoot]:
    found = {}
    for field in HANGING:
        row = rows.get(field.record)
        if row is not None and row.readings:
            found[field.side] = hanging_foot(row.readings, in_shoe=not bare)
    return found


def _measures(known: Mapping[str, float], sex: str) -> BodyMeasures | None:
    if "height_mm" not in known:
        return None
    return BodyMeasures.from_json({k: v for k, v in known.items() if k in LIMITS} | {"sex": sex})


def _clashes(visit: Visit, typed: Mapping[str, str]) -> dict[str, InputError]:
    """Measures that are possible alone but not together (a thigh longer than the inseam)."""
    known = {key: row.value for (key, _), row in measured(visit, STATION).items() if key in LIMITS}
    fresh = {}
    for field in MEASURES:
        if typed.get(field.name, "").strip():
            try:
                fresh[field.name] = read_number(field, typed[field.name])
            except InputError:
                known.pop(field.name, None)
    try:
        _measures({**known, **fresh}, visit.rider.sex)
    except InputError as error:
        name = error.field if error.field in fresh or not fresh else next(iter(fresh))
        return {name: InputError(TAPE[error.field][0], error.problem, allowed=error.allowed)}
    return {}


def _placed(rows: Mapping[tuple[str, str], Measurement], sex: str) -> tuple[Placed, ...]:
    return tuple(
        Placed(
            TAPE[name][0], rows[name, ""].measured, reference.place(ref, rows[name, ""].value, sex).percentile
        )
        for name, ref in PLACED.items()
        if (name, "") in rows
    )


def _sample(sex: str) -> str:
    return reference.place("stature_mm", 1700.0, sex).sample


def _first_guess(body: BodyMeasures | None) -> tuple[tuple[str, Measured], ...]:
    """Leg of the twin before any film."""
    if body is None:
        return ()
    return (
        ("Thigh, hip to knee", thigh_length(body)),
        ("Shank, knee to ankle", shank_length(body)),
        ("Ankle above the floor", malleolus_height(body)),
    )
