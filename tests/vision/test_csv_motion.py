"""Tables of markers: how they are written, which column is what, and everything that can be wrong with them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.vision.csv_motion import ColumnMap, look_at, number_in, read_table

NAMES = ("time", "hip x", "hip y", "hip z", "knee x", "knee y", "knee z")
MAP = ColumnMap(time="time", points={"hip": NAMES[1:4], "knee": NAMES[4:7]})


def table(
    separator: str = ",", decimal: str = ".", rows: int = 40, scale: float = 1.0, head: str = ""
) -> str:
    """Two markers, 400 mm apart, 50 pictures per second."""
    lines = [separator.join(NAMES)]
    for r in range(rows):
        numbers = [0.02 * r, *(scale * v for v in (10.5 + r, 900, 100, 60 + r, 500, 110))]
        lines.append(separator.join(f"{v:.6f}" for v in numbers).replace(".", decimal))
    return head + "\n".join(lines) + "\n"


@pytest.fixture
def write(tmp_path: Path):
    """Write text or bytes as a table and give its path."""

    def make(content: str | bytes) -> Path:
        path = tmp_path / "invented.csv"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return make


@pytest.mark.parametrize(
    ("separator", "decimal"), [(",", "."), (";", ","), (";", "."), ("\t", ","), (" ", "."), ("|", ",")]
)
def test_separator_and_decimals_are_told_from_the_numbers(write, separator: str, decimal: str) -> None:
    text = table(separator, decimal)
    if separator == " ":
        text = text.replace("hip ", "hip_").replace("knee ", "knee_")
    layout = look_at(write(text))
    assert (layout.separator, layout.decimal, layout.first_line) == (separator, decimal, 2)
    assert len(layout.names) == 7
    assert number_in(layout.sample[1][1], decimal) == pytest.approx(11.5)


def test_comments_and_lines_above_the_names_are_passed_over(write) -> None:
    path = write(table(head="# made by hand, 2 markers\nTrial,walk 3\n\n# units: mm\n"))
    layout = look_at(path)
    assert layout.names == NAMES
    assert layout.first_line == 6
    assert read_table(path, MAP).trajectories.position_mm[3, 0] == pytest.approx((13.5, 900, 100))


def test_names_over_three_columns_go_before_their_axes(write) -> None:
    text = "frame,time,LGT,,,LKNE,,\n,,X,Y,Z,X,Y,Z\n" + "".join(
        f"{r},{r / 50},1,2,3,4,5,6\n" for r in range(9)
    )
    assert look_at(write(text)).names == (
        "frame",
        "time",
        "LGT X",
        "LGT Y",
        "LGT Z",
        "LKNE X",
        "LKNE Y",
        "LKNE Z",
    )


def test_columns_without_names_and_names_twice_are_numbered(write) -> None:
    layout = look_at(write("a,,a\n1,2,3\n4,5,6\n"))
    assert layout.names == ("a", "column 2", "a (3)")
    assert look_at(write("1,2\n3,4\n")).names == ("column 1", "column 2")


@pytest.mark.parametrize(("unit", "scale"), [("mm", 1.0), ("cm", 0.1), ("m", 0.001)])
def test_units(write, unit: str, scale: float) -> None:
    got = read_table(write(table(scale=scale)), replace(MAP, unit=unit))
    assert got.trajectories.position_mm[0, 1] == pytest.approx((60, 500, 110), abs=1e-2)
    assert got.rate_hz == pytest.approx(50)
    assert got.trajectories.names == ("hip", "knee")


def test_pixels_are_refused_unless_their_size_is_given(write) -> None:
    path = write(table())
    with pytest.raises(InputError, match="pixels say nothing of size"):
        read_table(path, replace(MAP, unit="px"))
    got = read_table(path, replace(MAP, unit="px", mm_per_px=2.0))
    assert got.trajectories.position_mm[0, 0] == pytest.approx((21, 1800, 200))


def test_axes_are_taken_as_told(write) -> None:
    got = read_table(write(table()), replace(MAP, forward="-z", up="+x", right="+y"))
    assert got.trajectories.position_mm[0, 0] == pytest.approx((-100, 10.5, 900))


def test_two_axes(write) -> None:
    flat = replace(MAP, right="", points={"hip": ("hip x", "hip y", ""), "knee": ("knee x", "knee y", "")})
    got = read_table(write(table()), flat)
    assert got.trajectories.axes == ("X", "Y")
    assert got.trajectories.position_mm[0, 0] == pytest.approx((10.5, 900))


def test_a_rate_in_place_of_a_time_column_and_milliseconds(write) -> None:
    path = write(table())
    assert read_table(path, replace(MAP, time="", rate_hz=200.0)).rate_hz == pytest.approx(200)
    assert read_table(
        path, replace(MAP, time="hip x", time_unit="ms", points={"knee": NAMES[4:7]})
    ).rate_hz == (pytest.approx(1000))


def test_blank_cells_words_for_nothing_and_zeros_are_unseen(write) -> None:
    lines = table().split("\n")
    for row, cell in ((3, ""), (4, "NaN"), (5, "-"), (6, "inf")):
        cells = lines[row].split(",")
        lines[row] = ",".join([*cells[:2], cell, *cells[3:]])
    lines[7] = lines[7].split(",")[0] + ",0,0,0,0,0,0"
    got = read_table(write("\n".join(lines)), MAP)
    seen = np.isfinite(got.trajectories.position_mm).all(axis=2)
    assert seen[:8, 0].tolist() == [True, True, False, False, False, False, False, True]
    assert seen[:8, 1].tolist() == [True] * 6 + [False, True]
    assert any("0, 0, 0" in n for n in got.notes)


def test_other_alphabets_and_line_ends(write) -> None:
    text = table().replace("hip", "Hüfte").replace("\n", "\r\n")
    german = replace(
        MAP, points={"hip": tuple(n.replace("hip", "Hüfte") for n in NAMES[1:4]), "knee": NAMES[4:7]}
    )
    for data in (text.encode("cp1252"), text.encode("utf-8-sig"), text.encode("utf-16")):
        assert read_table(write(data), german).trajectories.time_s.size == 40


def test_a_torn_last_line_is_left_out_and_a_jump_is_told(write) -> None:
    lines = table().rstrip("\n").split("\n")
    del lines[20:25]
    got = read_table(write("\n".join(lines)[:-30]), MAP)
    assert got.trajectories.time_s.size == 34
    text = " ".join(got.notes)
    assert "cut off" in text
    assert "jumps over missing frames in 1 places" in text


def broken(row: int, change) -> str:
    lines = table().split("\n")
    lines[row] = change(lines[row])
    return "\n".join(lines)


@pytest.mark.parametrize(
    ("content", "columns", "words"),
    [
        ("", MAP, "no rows of numbers"),
        ("only words\nand more words\n", MAP, "no rows of numbers"),
        (b"\x00\x01\x02" * 500, MAP, "not a text table"),
        (table(), replace(MAP, time="clock"), "time: there is no such column"),
        (table(), replace(MAP, time="", rate_hz=None), "neither a column of time nor"),
        (table(), replace(MAP, rate_hz=1.0), "rate_hz: outside the allowed range"),
        (table(), replace(MAP, points={}), "no landmark has its columns"),
        (table(), replace(MAP, points={"hip": ("hip x", "", "hip z")}), r"hip\.y: has no column yet"),
        (table(), replace(MAP, points={"hip": NAMES[1:4], "knee": NAMES[1:4]}), r"knee\.x: this column is hip x alr"),
        (table(), replace(MAP, points={"hip": ("time", "hip y", "hip z")}), r"hip\.x: this column is time already"),
        (table(), replace(MAP, up="+x"), "two directions name the same axis"),
        (table(), replace(MAP, up="skyward"), "up: unknown axis"),
        (table(), replace(MAP, unit="furlong"), "allowed: mm, cm, m or px"),
        (table(), replace(MAP, time_unit="h"), "allowed: s or ms"),
        (broken(9, lambda line: line.replace("900.000000", "9OO")), MAP, "line 10, column hip y is not a number"),
        ("\n".join([",".join(NAMES), *table().rstrip().split("\n")[:0:-1]]), MAP, "does not run forward"),
        (table().replace("0.02", "20.0").replace("0.04", "40.0"), MAP, "does not run forward|pictures per second"),
        ("\n".join(",".join([*ln.split(",")[:1], *["nan"] * 6]) if i else ln
                   for i, ln in enumerate(table().rstrip().split("\n"))), replace(MAP, time="time"),
         "no marker position at all"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_said_in_one_line(
    write, content: str | bytes, columns: ColumnMap, words: str
) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read_table(write(content), columns)
    assert "\n" not in str(caught.value)


def test_two_gigabytes_are_refused_unopened(tmp_path: Path) -> None:
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.write(table().encode())
        file.truncate(2 * 1024**3)
    with pytest.raises(InputError, match="too large, 2048 MB; allowed: up to 512 MB"):
        look_at(path)


def test_a_map_survives_being_stored() -> None:
    every = replace(MAP, unit="px", mm_per_px=1.5, rate_hz=60.0, right="", decimal=",", separator=";")
    assert ColumnMap.from_json(every.to_json()) == every
    for wrong in ({}, {"points": {"hip": 3}}, {"points": [], "rate_hz": "fast"}):
        with pytest.raises(InputError):
            ColumnMap.from_json(wrong)


def test_the_key_tells_tables_of_the_same_columns(write) -> None:
    first = look_at(write(table())).key
    assert look_at(write(table(rows=90, separator=";"))).key == first
    assert look_at(write(table().replace("hip x", "hipx"))).key != first


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=400) | st.text("0123456789.,;\t\n\"'xyz# -e", max_size=400).map(str.encode))
def test_any_bytes_are_read_or_refused(write, data: bytes) -> None:
    path = write(data)
    try:
        layout = look_at(path)
    except InputError:
        return
    assert len(set(layout.names)) == len(layout.names) > 1
