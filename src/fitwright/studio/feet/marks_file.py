"""Observations of M1 and M5 from a JSON file, as the command line takes them. No database here."""

from __future__ import annotations

from pathlib import Path

from fitwright.errors import InputError, check_range
from fitwright.foot.marks import Observation, check_marks
from fitwright.given import read_json
from fitwright.quantity import Measured
from fitwright.studio.feet.marks import guess_by

U_FOOT_LENGTH_MM = 2.0  # of a foot's length that is given as a bare number; our assumption, no source


def read_observations(path: Path, foot_length_mm: float | None = None, sex: str = "") -> list[Observation]:
    """A list of observations, or `{"observations": [...]}`; with a foot length the guess from it comes last.

    Raises InputError naming the file, or the observation by its number, and what cannot be used.
    """
    data = read_json("observations", path)
    rows = data.get("observations") if isinstance(data, dict) else data
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise InputError(
            path.name,
            "no list of observations",
            allowed='[{"source": "ruler", "values": {"m1_x": 201}, "u": 1.5}, ...]',
        )
    found = [
        Observation.from_json({"source": f"observation {i}"} | row) for i, row in enumerate(rows, start=1)
    ]
    for seen in found:
        check_marks({name: m.value for name, m in seen.measured.items()})
    if foot_length_mm is not None:
        check_range("foot_length", foot_length_mm, 150, 350, "mm")
        found.append(guess_by(Measured(foot_length_mm, U_FOOT_LENGTH_MM, "mm", "as given"), sex))
    if not found:
        raise InputError(path.name, "no observation in it", hint="Give at least one, or --foot-length.")
    return found
