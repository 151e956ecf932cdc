"""The marker recording of a visit: its files, the map of its columns, its analysis and its points again."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, TypeVar

from fitwright.errors import InputError
from fitwright.motion.ride import RideResult
from fitwright.records.media import path_of
from fitwright.records.models import Answer, Medium, Visit
from fitwright.studio import bike
from fitwright.studio.markers import MarkerResult, Progress, analyse_markers, read_recording
from fitwright.studio.ride import MARKERS, STATION, rides_by_label
from fitwright.studio.visits import analyse, analysis, answer, answers
from fitwright.vision.csv_motion import ColumnMap

KEY = "recording"
CHECKED_AT_ONCE_BYTES = 8 * 1024 * 1024  # read in less than a second
T = TypeVar("T")


def save_recording(
    visit: Visit,
    medium: Medium,
    static: Medium | None = None,
    columns: ColumnMap | None = None,
    layout_key: str = "",
) -> None:
    """Lay a recording at its place. `static`: the standing trial. `columns`: of a table, and remembered."""
    said = {
        "sha256": medium.sha256, "static": None if static is None else static.sha256,
        "columns": None if columns is None else columns.to_json(), "layout": layout_key,
    }  # fmt: skip
    answer(visit, STATION, KEY, said)


def static_of(visit: Visit, medium: Medium) -> Medium | None:
    """The standing trial that was given with this recording."""
    said = answers(visit, STATION).get(KEY) or {}
    if said.get("sha256") != medium.sha256 or not said.get("static"):
        return None
    return Medium.objects.filter(sha256=said["static"]).first()


def known_columns(layout_key: str) -> ColumnMap | None:
    """The newest map, of any visit, for a table with the same columns."""
    rows = Answer.objects.filter(station=STATION, key=KEY, value__layout=layout_key).order_by(
        "-created_at", "-pk"
    )
    row = rows.first()
    return None if row is None or not row.value.get("columns") else ColumnMap.from_json(row.value["columns"])


def check_recording(medium: Medium) -> None:
    """Raises InputError when a TRC or C3D file cannot be read; a large one is left to the work that analyses it."""
    if medium.size_bytes <= CHECKED_AT_ONCE_BYTES:
        _naming((medium,), lambda: read_recording(path_of(medium)))


def analyse_recording(visit: Visit, tell: Progress | None = None) -> MarkerResult:
    """Analyse the visit's recording and keep the ride.

    Raises:
        InputError: there is none, or it cannot be used.
    """
    said = answers(visit, STATION).get(KEY)
    if said is None:
        raise InputError("recording", "there is none", hint="Import one at the Ride station")
    known = bike.contact_measured(visit).get("crank_mm")
    inputs = {
        "columns": said["columns"],
        "static": said["static"],
        "crank_mm": known.value if known else None,
    }
    medium = Medium.objects.get(sha256=said["sha256"])
    result = _again(medium, inputs, tell)
    kept = result.to_json() | {"ride": result.ride.to_json()}
    analyse(visit, "ride", MARKERS, kept, medium=medium, inputs=inputs)
    return result


def ride_with_points(visit: Visit, label: str) -> RideResult:
    """A ride on record with its points over time: of a recording they are read from its file again."""
    ride = rides_by_label(visit)[label]
    row = analysis(visit, "ride", label)
    if label != MARKERS or row is None or row.medium is None:
        return ride
    if not path_of(row.medium).is_file():
        raise InputError("recording", f"{row.medium.name} is not where it was", hint="Import it again")
    return replace(ride, trajectories=_again(row.medium, row.inputs).trajectories)


def _again(medium: Medium, inputs: Mapping[str, Any], tell: Progress | None = None) -> MarkerResult:
    static = Medium.objects.get(sha256=inputs["static"]) if inputs.get("static") else None
    columns = ColumnMap.from_json(inputs["columns"]) if inputs.get("columns") else None
    files = (medium,) if static is None else (medium, static)
    return _naming(files, lambda: analyse_markers(
        path_of(medium), None if static is None else path_of(static), columns, inputs.get("crank_mm"),
        tell or (lambda share, words: None),
    ))  # fmt: skip


def _naming(media: tuple[Medium, ...], work: Callable[[], T]) -> T:
    """Do the work; an error speaks of a file by the name that it came with, not by its place in the store."""
    try:
        return work()
    except InputError as error:
        field, problem = error.field, error.problem
        for medium in media:
            stored = path_of(medium).name
            field, problem = field.replace(stored, medium.name), problem.replace(stored, medium.name)
        raise InputError(field, problem, value=error.value, allowed=error.allowed, hint=error.hint) from error
