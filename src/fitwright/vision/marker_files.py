"""Recordings of markers, read with open eyes: what every format must pass, and the TRC text format.

A TRC file has five header lines (file type, field names, field values, marker names, axis labels) and then one row
per frame: number, time, X Y Z of each marker, divided by tabs. Headers lie more often than data: where they disagree,
the data is believed and a note says so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats

MAX_BYTES = 512 * 1024 * 1024
TO_MM = {
    "mm": 1.0,
    "millimeters": 1.0,
    "millimetres": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "meters": 1000.0,
    "metres": 1000.0,
}
BODY_MM = (250.0, 6000.0)  # a marker set on a person (or on one leg) spans no less and no more
U_MARKER_MM = 0.5  # random error of one optical marker in one frame; our assumption, no source
MAX_BAD_ROWS = 0.05


@dataclass(frozen=True)
class MarkerFile:
    """A marker file as it was found.

    Attributes:
        trajectories: all markers by their own names, mm, axes named X, Y, Z as in the file.
        header: field → text of the header. rate_hz: from the time column.
        notes: contradictions and repairs, in words.
    """

    trajectories: Trajectories
    header: Mapping[str, str]
    rate_hz: float
    notes: tuple[str, ...]


def read_trc(path: Path) -> MarkerFile:
    """Read a TRC file.

    Raises:
        InputError: not a TRC, no markers, unknown units, unreadable cells, time that does not run forward.
    """
    lines = _lines(path)
    header = dict(
        zip(
            (k.strip() for k in lines[1].split("\t")), (v.strip() for v in lines[2].split("\t")), strict=False
        )
    )
    names = _marker_names(lines[3])
    notes: list[str] = []
    table = _table(lines, len(names), path.name, notes)
    table = _forward_in_time(table, path.name, notes)
    position = as_seen(table[:, 2:].reshape(table.shape[0], len(names), 3), path.name, notes)
    position *= scale_to_mm(header.get("Units", ""), position, path.name, notes)
    time = table[:, 1]
    rate = float(1.0 / np.median(np.diff(time)))
    notes += _contradictions(header, time, rate, len(names))
    return MarkerFile(recorded(names, time, position, path.name), header, rate, tuple(notes))


def recorded(
    names: Sequence[str],
    time_s: Floats,
    position_mm: Floats,
    source: str,
    axes: tuple[str, ...] = ("X", "Y", "Z"),
) -> Trajectories:
    """Markers as trajectories, each coordinate with the random error of one optical marker."""
    u = np.where(np.isfinite(position_mm), U_MARKER_MM, np.nan)
    return Trajectories(tuple(names), time_s, position_mm, u, axes, source)


def as_seen(position: Floats, file: str, notes: list[str]) -> Floats:
    """(T, P, D) with NaN for a whole point where it lies at exactly 0 or misses a coordinate.

    Raises:
        InputError: no point is left.
    """
    out = position.copy()
    lost = (out == 0.0).all(axis=2)
    if lost.any():
        out[lost] = np.nan
        notes.append(
            f"{int(lost.sum())} positions at exactly {', '.join('0' * out.shape[2])} are taken as not seen."
        )
    out[~np.isfinite(out).all(axis=2)] = np.nan
    if not np.isfinite(out).any():
        raise InputError(file, "holds no marker position at all")
    return out


def check_size(path: Path, most: int = MAX_BYTES) -> None:
    """Refuse a file that would not fit into memory, before it is opened."""
    if (size := path.stat().st_size) > most:
        raise InputError(
            path.name, f"is too large, {size / 2**20:.0f} MB", allowed=f"up to {most / 2**20:.0f} MB",
            hint="Cut the recording to the ride itself",
        )  # fmt: skip


def _lines(path: Path) -> list[str]:
    check_size(path)
    raw = path.read_bytes()
    if b"\0" in raw[:4096] or not raw.lstrip(b"\xef\xbb\xbf \r\n").startswith(b"PathFileType"):
        raise InputError(path.name, "is not a TRC file", allowed="text that begins with PathFileType")
    lines = raw.decode("utf-8-sig", errors="replace").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    while lines and not lines[-1].strip():
        lines.pop()
    if len(lines) < 7:
        raise InputError(
            path.name, "ends before the data", value=len(lines), allowed="five header lines and two rows"
        )
    return lines


def _marker_names(line: str) -> list[str]:
    cells = [c.strip() for c in line.split("\t")]
    if len(cells) < 3 or not cells[0].lower().startswith("frame") or not cells[1].lower().startswith("time"):
        raise InputError(
            "marker names", "the fourth line must name Frame#, Time and the markers", value=line[:60]
        )
    names = [c for c in cells[2:] if c]
    if not names:
        raise InputError("marker names", "the file names no marker")
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise InputError("marker names", "the same name stands twice", value=twice)
    return names


def _table(lines: list[str], markers: int, file: str, notes: list[str]) -> Floats:
    """(T, 2 + 3 markers) numbers, blank = NaN; a torn last line is dropped, short rows are filled with NaN."""
    columns, rows, short = 2 + 3 * markers, [], 0
    body = [(i, line) for i, line in enumerate(lines[5:], start=6) if line.strip()]
    ragged = [i for i, line in body if len(line.rstrip("\t").split("\t")) > columns]
    if ragged:
        raise InputError(file, f"line {ragged[0]} has more cells than the {markers} markers named in the header need",
                         allowed=f"{columns} cells")  # fmt: skip
    for i, line in body:
        cells = line.split("\t")[:columns]
        last = i == body[-1][0]
        if len(cells) < columns and last:
            notes.append("The last line is cut off and was left out.")
            continue
        short += len(cells) < columns
        try:
            rows.append(
                [float(c) if c.strip() else math.nan for c in cells] + [math.nan] * (columns - len(cells))
            )
        except ValueError:
            wrong = next(k for k, c in enumerate(cells) if c.strip() and not _is_number(c))
            raise InputError(
                file, f"line {i}, cell {wrong + 1} is not a number", value=cells[wrong][:40]
            ) from None
    if short > MAX_BAD_ROWS * len(body):
        raise InputError(
            file, "rows are shorter than the header's markers need", value=f"{short} of {len(body)} rows",
            allowed=f"{columns} cells in each",
        )  # fmt: skip
    if short:
        notes.append(f"{short} rows are short; the markers missing there count as not seen.")
    if len(rows) < 2:
        raise InputError(file, "holds fewer than two whole frames", value=len(rows))
    table = np.array(rows, dtype=np.float64)
    table[~np.isfinite(table)] = np.nan
    return table


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def _forward_in_time(table: Floats, file: str, notes: list[str]) -> Floats:
    return np.asarray(table[forward(table[:, 1], file, notes)], dtype=np.float64)


def forward(time_s: Floats, file: str, notes: list[str]) -> NDArray[np.bool_]:
    """(T,) which rows are later than all before them; a few that are not are left out, many are refused."""
    time = np.where(np.isfinite(time_s), time_s, -np.inf)
    before = np.concatenate([[-np.inf], np.maximum.accumulate(time)[:-1]])
    keep = np.asarray(time > before)
    bad = int((~keep).sum())
    if bad > MAX_BAD_ROWS * keep.size or keep.sum() < 2:
        raise InputError("time", "the time column does not run forward", value=f"{bad} of {keep.size} rows of {file}",
                         allowed="each row later than the one before")  # fmt: skip
    if bad:
        notes.append(f"{bad} rows whose time does not run forward were left out.")
    return keep


def scale_to_mm(said: str, position: Floats, file: str, notes: list[str]) -> float:
    """Factor to mm from the unit that the file states, checked against the size of what was recorded."""
    units = said.strip().lower()
    lowest, highest = np.nanmin(position, axis=1), np.nanmax(position, axis=1)
    span = float(np.nanmedian(np.linalg.norm(highest - lowest, axis=1)))
    fitting = [u for u in ("mm", "m") if BODY_MM[0] <= span * TO_MM[u] <= BODY_MM[1]]
    if units in TO_MM:
        metres = span * TO_MM[units] / 1000
        if BODY_MM[0] <= 1000 * metres <= BODY_MM[1] or position.shape[1] < 4:
            return TO_MM[units]
        if not fitting:
            raise InputError(
                "Units", f"the markers of {file} would span {metres:.3g} m in {units}, which is no rider",
                value=said, allowed="a span of 0.25 to 6 m",
            )  # fmt: skip
        notes.append(
            f"The header says {units}, but the markers then span {metres:.3g} m; read as {fitting[0]}."
        )
        return TO_MM[fitting[0]]
    if units or not fitting:
        raise InputError("Units", f"unknown in {file}", value=said, allowed="mm, cm or m")
    notes.append(f"The header names no unit; read as {fitting[0]} by the size of the marker set.")
    return TO_MM[fitting[0]]


def _contradictions(header: Mapping[str, str], time: Floats, rate: float, markers: int) -> list[str]:
    notes = []
    said = _number(header.get("DataRate", ""))
    if said is not None and abs(said / rate - 1) > 0.01:
        notes.append(
            f"The header says {said:g} frames per second, the time column {rate:.4g}; the time column is used."
        )
    frames = _number(header.get("NumFrames", ""))
    if frames is not None and int(frames) != time.size:
        notes.append(f"The header says {frames:g} frames, the file holds {time.size}.")
    count = _number(header.get("NumMarkers", ""))
    if count is not None and int(count) != markers:
        notes.append(f"The header says {count:g} markers, {markers} are named.")
    return notes + jumps(time)


def jumps(time_s: Floats) -> list[str]:
    """A note where frames are missing."""
    steps = np.diff(time_s)
    holes = int((steps > 1.5 * np.median(steps)).sum())
    return [f"Time jumps over missing frames in {holes} places."] if holes else []


def _number(text: str) -> float | None:
    return float(text) if _is_number(text) and math.isfinite(float(text)) else None
