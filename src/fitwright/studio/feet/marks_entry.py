"""Ways of measuring M1 and M5 that are typed, picked or carried over, and setting one aside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from django.utils import timezone

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import check_foot
from fitwright.foot.marks import Observation, check_marks, combine_marks
from fitwright.quantity import Measured, repeated
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.studio.cameras import card_of_studio
from fitwright.studio.entry import Field, read_readings
from fitwright.studio.feet.marks import CARRIED, KIND, RULER, Way, aside_key, ways_of
from fitwright.studio.feet.photo import picture_of, plane_of
from fitwright.studio.feet.side_photo import EDGES, SideMark, check_edge, measure_side
from fitwright.studio.feet.soles import STATION, label, letter_in, letter_of, reading_of
from fitwright.studio.visits import analyse, analysis, answer, answers
from fitwright.told import day_of_record

# Standard uncertainty of one ruler reading (heel's rearmost point, mid-line by eye); our assumption, no source.
RULER_FIELDS = (
    Field("m1_x", "M1 from the heel", "readings", unit="mm", low=80, high=350, u=1.5, hint="along the mid-line"),
    Field("m1_z", "M1 inward of the mid-line", "readings", unit="mm", low=5, high=90, u=2.0, hint="square to it"),
    Field("m5_x", "M5 from the heel", "readings", unit="mm", low=80, high=350, u=1.5, hint="along the mid-line"),
    Field("m5_z", "M5 outward of the mid-line", "readings", unit="mm", low=5, high=90, u=2.0, hint="square to it"),
)  # fmt: skip
U_BETWEEN_SHOES_MM = 3.0
"""How far a foot may lie otherwise in another shoe, fore-aft and sideways; our assumption, no source."""


def save_ruler(visit: Visit, side: str, typed: Mapping[str, str]) -> dict[str, InputError]:
    """Keep what a ruler said, one or several readings a field; with errors (by field) nothing is kept."""
    check_foot(side)
    values: dict[str, Measured] = {}
    errors: dict[str, InputError] = {}
    for field in RULER_FIELDS:
        if text := typed.get(field.name, "").strip():
            try:
                values[field.name] = _read(field, text)
            except InputError as error:
                errors[field.name] = error
    if not values and not errors:
        errors["m1_x"] = InputError(
            RULER_FIELDS[0].label, "nothing was typed", hint="Type at least one value"
        )
    if errors:
        return errors
    try:
        seen = Observation.of("ruler from the heel", values)
        _check_with_others(visit, side, seen)
    except InputError as error:
        return {next(iter(values)): error}
    said = {f.name: typed.get(f.name, "").strip()[:200] for f in RULER_FIELDS}
    _keep(visit, side, RULER, seen, {"typed": said})
    return {}


def _read(field: Field, text: str) -> Measured:
    mean = repeated(read_readings(field, text), "mm", "ruler from the heel", field.u)
    return Measured(-mean.value, mean.u, "mm", mean.method) if field.name == "m1_z" else mean


def typed_ruler(visit: Visit, side: str) -> dict[str, str]:
    """What was typed last, for the boxes."""
    row = analysis(visit, KIND, label(visit, f"{side} {RULER}"))
    return dict(row.inputs.get("typed", {})) if row else {}


def _check_with_others(visit: Visit, side: str, seen: Observation) -> None:
    """InputError when it cannot be together with what else was measured, or is longer than the sole."""
    soles = [r.length_mm.value for w in ("before", "after") if (r := reading_of(visit, side, w))]
    at = {n: m.value for n, m in seen.measured.items()}
    check_marks(at, max(soles, default=None))
    others = [w.observation for w in _in_use(visit, side) if w.observation.source != seen.source]
    if others:
        known = {n: m.value for n, m in combine_marks(others).measured.items()}
        check_marks(known | at)


def _in_use(visit: Visit, side: str) -> list[Way]:
    return [w for w in ways_of(visit, side) if w.row is not None and not w.aside]


def save_side_photo(visit: Visit, medium: Medium, side: str, edge: str) -> None:
    """Lay a photograph of a shoe's side at its place."""
    check_edge(side, edge)
    answer(visit, STATION, label(visit, f"photo {side} {edge}"), {"sha256": medium.sha256})


def side_photos(visit: Visit, side: str) -> dict[str, Medium]:
    """The photographs of one shoe's sides, by edge."""
    said = answers(visit, STATION)
    laid = {e: p["sha256"] for e in EDGES if (p := said.get(label(visit, f"photo {side} {e}")))}
    media = Medium.objects.in_bulk(laid.values(), field_name="sha256") if laid else {}
    return {edge: media[digest] for edge, digest in laid.items()}


def save_side(
    visit: Visit, medium: Medium, side: str, edge: str, points: Mapping[str, tuple[float, float]]
) -> SideMark:
    """Measure a photograph of a shoe's side and keep photograph, picks and what came out."""
    found = measure_side(
        picture_of(medium), side, edge, points, card=card_of_studio(), plane=plane_of(medium)
    )
    _check_with_others(visit, side, found.observation())
    analyse(
        visit, KIND, label(visit, f"{side} {edge}"), found.to_json(), medium=medium,
        inputs={"points": {k: list(v) for k, v in points.items()}},
    )  # fmt: skip
    return found


def set_aside(visit: Visit, side: str, key: int, aside: bool) -> None:
    """Leave one way of measuring out of the combination, or take it again; the row itself stays."""
    if key not in {w.key for w in ways_of(visit, side) if w.row is not None}:
        raise InputError("observation", "is not one of this foot", value=key, hint="Open the page again")
    name = label(visit, aside_key(side))
    now = set(answers(visit, STATION).get(name, ()))
    answer(visit, STATION, name, sorted(now | {key} if aside else now - {key}))


@dataclass(frozen=True)
class Pair:
    """Marks of the same foot that were measured on another pair of shoes, or at another visit."""

    visit: Visit
    letter: str
    words: str

    @property
    def key(self) -> str:
        """For a choice on the page."""
        return f"{self.visit.pk} {self.letter}"


def other_pairs(visit: Visit, side: str) -> tuple[Pair, ...]:
    """Where marks of this foot could be carried over from, newest visit first."""
    rows = Analysis.objects.current().filter(
        visit__rider=visit.rider, kind__in=("sole", KIND), label__startswith=f"{side} "
    )
    found: dict[tuple[int, str], Pair] = {}
    for row in rows.select_related("visit").order_by("-visit__opened_at", "-visit_id"):
        letter = letter_in(row.label)
        here = row.visit_id == visit.pk
        if here and letter == letter_of(visit):
            continue
        words = (
            f"pair {letter}"
            if here
            else f"pair {letter}, {day_of_record(timezone.localdate(row.visit.opened_at))}"
        )
        found.setdefault((row.visit_id, letter), Pair(visit if here else row.visit, letter, words))
    return tuple(found.values())


def carry_over(visit: Visit, side: str, key: str, ahead_mm: float = 0.0) -> None:
    """Take the marks of this foot from another pair of shoes.

    `ahead_mm`: how much farther from the heel of these shoes the foot's heel lies than in those.
    Raises InputError when that pair has nothing measured.
    """
    check_foot(side)
    check_range("ahead", ahead_mm, -20, 20, "mm")
    pair = next((p for p in other_pairs(visit, side) if p.key == key), None)
    if pair is None:
        raise InputError("pair", "is not one of this rider", value=key[:20], hint="Choose one of the list")
    there = combine_marks([
        w.observation for w in ways_of(pair.visit, side, pair.letter)
        if w.row is not None and not w.aside and CARRIED not in w.row.label.split()  # nothing goes round in a ring
    ])  # fmt: skip
    if not there.names:
        raise InputError("pair", f"has no marks of the {side} foot", value=pair.words)
    same_shoes = pair.letter == letter_of(visit)
    seen = _shifted(there.names, there.values_mm, there.covariance_mm2, ahead_mm, same_shoes, pair.words)
    _check_with_others(visit, side, seen)
    _keep(visit, side, CARRIED, seen, {"pair": key, "ahead_mm": ahead_mm})


def _shifted(
    names: Sequence[str],
    values: np.ndarray,
    covariance: np.ndarray,
    ahead_mm: float,
    same_shoes: bool,
    words: str,
) -> Observation:
    """One shift of the whole foot in the shoe: both marks share it."""
    along = np.array([float(n.endswith("x")) for n in names])
    u = 0.0 if same_shoes else U_BETWEEN_SHOES_MM
    shared = u**2 * (np.outer(along, along) + np.outer(1 - along, 1 - along))
    return Observation(
        f"carried over from {words}", tuple(names), values + ahead_mm * along, covariance + shared
    )


def _keep(visit: Visit, side: str, way: str, seen: Observation, inputs: Mapping[str, object]) -> None:
    analyse(visit, KIND, label(visit, f"{side} {way}"), {"observation": seen.to_json()}, inputs=inputs)
