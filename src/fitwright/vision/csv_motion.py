"""Tables of marker positions: a text file with a column for each coordinate, read by a map of its columns.

What separates the cells, how decimals are written and where the numbers begin is told from the first lines; which
column is which landmark, in which unit and along which axis, somebody has to say: a `ColumnMap`.
"""

from __future__ import annotations

import codecs
import csv
import hashlib
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TextIO

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.quantity import Floats
from fitwright.vision.marker_files import (
    MAX_BAD_ROWS,
    MarkerFile,
    as_seen,
    check_size,
    forward,
    jumps,
    recorded,
)

SEPARATORS = {"\t": "tab", ";": "semicolon", ",": "comma", "|": "bar", " ": "spaces"}
DECIMALS = (".", ",")
TO_MM = {"mm": 1.0, "cm": 10.0, "m": 1000.0}
TO_S = {"s": 1.0, "ms": 0.001}
AXES = ("x", "y", "z")
WAYS = tuple(f"{sign}{axis}" for axis in AXES for sign in "+-")
UNSEEN = frozenset({"", "nan", "na", "n/a", "-", "null", "none", "inf", "-inf", "+inf", "missing"})
HEAD_BYTES, SAMPLE_ROWS, MOST_COLUMNS, MOST_HEADER_LINES = 256 * 1024, 8, 2000, 60
COMMENT = "#"


@dataclass(frozen=True)
class TableLayout:
    """How a table is written.

    Attributes:
        separator, decimal: of its cells. names: (C,) of its columns, each once ("column 3" where none is given).
        first_line: of the numbers, from 1. sample: the first rows as they stand. encoding: of the text.
    """

    separator: str
    decimal: str
    names: tuple[str, ...]
    first_line: int
    sample: tuple[tuple[str, ...], ...]
    encoding: str

    @property
    def key(self) -> str:
        """Tells tables of the same columns."""
        return hashlib.sha256("\n".join(self.names).encode()).hexdigest()[:16]


@dataclass(frozen=True)
class ColumnMap:
    """Which column is what.

    Attributes:
        separator, decimal: of the cells. time: column of time in `time_unit` ("s", "ms"), or "" with `rate_hz`.
        unit: "mm", "cm", "m", or "px" with `mm_per_px`. forward, up, right: the file's axes, "+x" to "-z"; `right` is
            "" for a recording of two axes. points: landmark_side → columns (x, y, z), z "" where there is none.
    """

    separator: str = ","
    decimal: str = "."
    time: str = ""
    time_unit: str = "s"
    rate_hz: float | None = None
    unit: str = "mm"
    mm_per_px: float | None = None
    forward: str = "+x"
    up: str = "+y"
    right: str = "+z"
    points: Mapping[str, tuple[str, str, str]] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        """Plain data, read back by `from_json`."""
        return {**self.__dict__, "points": {n: list(c) for n, c in self.points.items()}}

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> ColumnMap:
        """The inverse of `to_json`. Raises InputError when it is of another shape."""
        try:
            points = {str(n): (str(c[0]), str(c[1]), str(c[2])) for n, c in dict(data["points"]).items()}
            known = {k: data[k] for k in ColumnMap.__dataclass_fields__ if k in data and k != "points"}
            numbers = {k: None if known.get(k) is None else float(known[k]) for k in ("rate_hz", "mm_per_px")}
            texts = {k: str(v) for k, v in known.items() if k not in numbers}
        except (KeyError, TypeError, ValueError, IndexError) as error:
            raise InputError(
                "map", "is not a map of columns", hint="Let the Ride station write one"
            ) from error
        return ColumnMap(**texts, **numbers, points=points)  # type: ignore[arg-type]

    @property
    def flat(self) -> bool:
        """Whether only two axes are there."""
        return self.right == ""

    def ways(self) -> tuple[str, ...]:
        """The file's axes in the order forward, up, right."""
        return (self.forward, self.up) if self.flat else (self.forward, self.up, self.right)

    def check(self, names: tuple[str, ...]) -> None:
        """Raises the first of `faults`."""
        for fault in self.faults(names):
            raise fault

    def faults(self, names: tuple[str, ...]) -> Iterator[InputError]:
        """All that keeps a table with these columns from being read by this map, each with the field of this class
        that it lies in (of a point: `point.x`)."""
        if self.unit == "px" and self.mm_per_px is None:
            yield InputError("mm_per_px", "pixels say nothing of size", hint="Give the millimetres of one pixel, or "
                             "import the film itself")  # fmt: skip
        if self.unit not in (*TO_MM, "px"):
            yield InputError("unit", "unknown", value=self.unit, allowed="mm, cm, m or px")
        yield from _out_of_range("mm_per_px", self.mm_per_px, 0.01, 50, "mm")
        if self.time_unit not in TO_S:
            yield InputError("time_unit", "unknown", value=self.time_unit, allowed="s or ms")
        yield from self._faults_of_axes()
        if not self.time and self.rate_hz is None:
            yield InputError("time", "neither a column of time nor the pictures per second are given")
        yield from _out_of_range("rate_hz", self.rate_hz, 5, 10_000, "per second")
        yield from self._faults_of_columns(names)

    def _faults_of_axes(self) -> Iterator[InputError]:
        taken: set[str] = set()
        for name, way in zip(("forward", "up", "right"), self.ways(), strict=False):
            if way not in WAYS:
                yield InputError(name, "unknown axis", value=way, allowed=", ".join(WAYS))
            elif way[1] in taken:
                yield InputError(
                    name, "two directions name the same axis", value=", ".join(self.ways()),
                    allowed="each of x, y and z once",
                )  # fmt: skip
            taken.add(way[1:])

    def _faults_of_columns(self, names: tuple[str, ...]) -> Iterator[InputError]:
        if not self.points:
            yield InputError("points", "no landmark has its columns yet")
        used: dict[str, str] = {}
        wanted = [("time", self.time)] if self.time else []
        axes = [way[1] for way in dict.fromkeys(self.ways()) if way in WAYS]
        for point, columns in self.points.items():
            wanted += [(f"{point}.{axis}", columns[AXES.index(axis)]) for axis in dict.fromkeys(axes)]
        for place, column in wanted:
            if not column:
                yield InputError(place, "has no column yet")
            elif column not in names:
                yield InputError(place, "there is no such column", value=column)
            elif used.setdefault(column, place) != place:
                yield InputError(
                    place, f"this column is {used[column].replace('.', ' ')} already", value=column
                )


def _out_of_range(
    field: str, value: float | None, low: float, high: float, unit: str
) -> Iterator[InputError]:
    """What `check_range` says of a number that may be left out."""
    try:
        if value is not None:
            check_range(field, value, low, high, unit)
    except InputError as fault:
        yield fault


def look_at(path: Path, separator: str = "", decimal: str = "") -> TableLayout:
    """How the table is written; what is given is kept, the rest is told from the first lines.

    Raises:
        InputError: not text, or no rows of numbers in it.
    """
    check_size(path)
    with path.open("rb") as file:
        raw = file.read(HEAD_BYTES)
    encoding = _encoding(raw, path.name)
    lines = raw.decode(encoding, errors="replace").splitlines()
    if len(raw) == HEAD_BYTES:
        lines = lines[:-1]
    pairs = [
        (s, d) for s in ([separator] if separator else SEPARATORS) for d in ([decimal] if decimal else DECIMALS)
        if s != d
    ]  # fmt: skip
    best = max(pairs, key=lambda pair: _numbers_in(lines, *pair), default=None)
    if best is None or _numbers_in(lines, *best) == 0:
        raise InputError(
            path.name, "has no rows of numbers", allowed="a text table with at least two rows of numbers"
        )
    return _layout(lines, *best, encoding, path.name)


def read_table(path: Path, columns: ColumnMap) -> MarkerFile:
    """The mapped columns as trajectories in mm, axes X forward, Y up, Z right (or X, Y).

    Raises:
        InputError: the map does not fit, cells that are no numbers, time that does not run forward, nothing seen.
    """
    layout = look_at(path, columns.separator, columns.decimal)
    columns.check(layout.names)
    ways = columns.ways()
    wanted = [c[AXES.index(way[1])] for c in columns.points.values() for way in ways]
    every = [*([columns.time] if columns.time else []), *wanted]
    notes: list[str] = []
    table = _numbers(path, layout, [layout.names.index(c) for c in every], notes)
    if columns.time:
        keep = forward(table[:, 0], path.name, notes)
        time, table = table[keep, 0] * TO_S[columns.time_unit], table[keep, 1:]
    else:
        time = np.arange(table.shape[0], dtype=np.float64) / float(columns.rate_hz or 1.0)
    rate = float(1.0 / np.median(np.diff(time)))
    if not 5 <= rate <= 10_000:
        raise InputError("time", f"gives {rate:.4g} pictures per second", allowed="5 to 10000",
                         hint="Is it in milliseconds?")  # fmt: skip
    position = as_seen(table.reshape(table.shape[0], len(columns.points), len(ways)), path.name, notes)
    position *= np.array([-1.0 if way[0] == "-" else 1.0 for way in ways]) * _scale(columns)
    notes += jumps(time)
    axes = ("X", "Y") if columns.flat else ("X", "Y", "Z")
    header = {"Units": columns.unit, "Columns": str(len(layout.names))}
    return MarkerFile(
        recorded(tuple(columns.points), time, position, path.name, axes), header, rate, tuple(notes)
    )


def _scale(columns: ColumnMap) -> float:
    return float(columns.mm_per_px or 1.0) if columns.unit == "px" else TO_MM[columns.unit]


def _encoding(raw: bytes, name: str) -> str:
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if b"\0" in raw:
        raise InputError(name, "is not a text table", allowed="text with columns, e.g. .csv")
    try:
        codecs.getincrementaldecoder("utf-8")().decode(raw)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8-sig"


def _cells(lines: Iterator[str] | list[str] | TextIO, separator: str) -> Iterator[list[str]]:
    """Rows of trimmed cells; a comment or an empty line is an empty row."""
    plain = (line if not line.lstrip().startswith(COMMENT) else "\n" for line in lines)
    if separator == " ":
        return (line.split() for line in plain)
    return ([c.strip() for c in row] for row in csv.reader(plain, delimiter=separator))


def _readable(file: TextIO, separator: str, name: str) -> Iterator[list[str]]:
    try:
        yield from _cells(file, separator)
    except csv.Error as error:
        raise InputError(name, f"cannot be read as a table: {error}") from error


def number_in(cell: str, decimal: str) -> float | None:
    """The number, NaN for what stands for "not seen", None when it is neither."""
    if cell.lower() in UNSEEN:
        return math.nan
    try:
        number = float(cell.replace(",", ".") if decimal == "," and "." not in cell else cell)
    except ValueError:
        return None
    return number if math.isfinite(number) else math.nan


def _is_data(row: list[str], decimal: str) -> bool:
    read = [number_in(c, decimal) for c in row]
    return len(row) > 1 and None not in read and any(v is not None and v == v for v in read)


def _numbers_in(lines: list[str], separator: str, decimal: str) -> int:
    """Cells in rows of numbers of one width: the right separator and decimal give most of them."""
    widths = [len(r) for r in _safe_rows(lines, separator) if _is_data(r, decimal)]
    if len(widths) < 2:
        return 0
    usual = max(set(widths), key=widths.count)
    return usual * widths.count(usual) if usual > 1 else 0


def _safe_rows(lines: list[str], separator: str) -> list[list[str]]:
    try:
        return list(_cells(lines, separator))
    except csv.Error:
        return []


def _layout(lines: list[str], separator: str, decimal: str, encoding: str, file: str) -> TableLayout:
    rows = _safe_rows(lines, separator)
    first = next((i for i, r in enumerate(rows) if _is_data(r, decimal)), 0)
    width = max(len(r) for r in rows[first : first + 50])
    if width > MOST_COLUMNS:
        raise InputError(file, "has too many columns", value=width, allowed=f"up to {MOST_COLUMNS}")
    above = [r for r in rows[:first][-MOST_HEADER_LINES:] if len(r) > max(1, width // 2)][-2:]
    sample = tuple(tuple(r) for r in rows[first:] if r)[:SAMPLE_ROWS]
    return TableLayout(separator, decimal, _names(above, width), first + 1, sample, encoding)


def _names(above: list[list[str]], width: int) -> tuple[str, ...]:
    """Column names from the rows above the numbers; a name that spans several columns goes before those below it."""
    parts = [[*row, *[""] * width][:width] for row in above]
    if len(parts) == 2:
        last = ""
        for i, cell in enumerate(parts[0]):
            last = cell or (last if parts[1][i] else "")
            parts[0][i] = last
    out: list[str] = []
    for i in range(width):
        name = " ".join(p[i] for p in parts if p[i]) or f"column {i + 1}"
        out.append(name if name not in out else f"{name} ({i + 1})")
    return tuple(out)


def _numbers(path: Path, layout: TableLayout, at: list[int], notes: list[str]) -> Floats:
    """(T, len(at)) numbers of the wanted columns; blank is NaN, a torn last line is left out."""
    rows: list[list[float]] = []
    short, last = 0, False
    highest = max(at)
    with path.open(encoding=layout.encoding, errors="replace", newline="") as file:
        for line, row in enumerate(_readable(file, layout.separator, path.name), start=1):
            if line < layout.first_line or not any(row):
                continue
            last = len(row) < len(layout.names) and len(row) <= highest
            short += last
            rows.append(_row([row[i] if i < len(row) else "" for i in at], at, line, layout, path.name))
    if last and rows:
        rows.pop()
        short -= 1
        notes.append("The last line is cut off and was left out.")
    if short > MAX_BAD_ROWS * len(rows):
        raise InputError(
            path.name, "rows are shorter than the columns need", value=f"{short} of {len(rows)} rows"
        )
    if short:
        notes.append(f"{short} rows are short; the markers missing there count as not seen.")
    if len(rows) < 2:
        raise InputError(path.name, "holds fewer than two whole frames", value=len(rows))
    return np.array(rows, dtype=np.float64)


def _row(cells: list[str], at: list[int], line: int, layout: TableLayout, file: str) -> list[float]:
    out = []
    for cell, i in zip(cells, at, strict=True):
        number = number_in(cell, layout.decimal)
        if number is None:
            raise InputError(file, f"line {line}, column {layout.names[i]} is not a number", value=cell[:40])
        out.append(number)
    return out
