"""The TRC reader: a small file written here, then everything that can be wrong with one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.vision.marker_files import read_trc

NAMES = ("head", "hip", "knee", "foot")


def trc_text(
    rows: int = 50, units: str = "mm", rate: str = "100", frames: str | None = None, names: tuple[str, ...] = NAMES,
    count: str | None = None, scale: float = 1.0,
) -> str:  # fmt: skip
    """A small TRC file: four markers up a person 1.6 m tall, swaying."""
    head = ["DataRate", "CameraRate", "NumFrames", "NumMarkers", "Units", "OrigDataRate", "OrigDataStartFrame",
            "OrigNumFrames"]  # fmt: skip
    values = [rate, rate, frames or str(rows), count or str(len(names)), units, rate, "1", str(rows)]
    out = ["PathFileType\t4\t(X/Y/Z)\tinvented.trc", "\t".join(head), "\t".join(values),
           "Frame#\tTime\t" + "\t\t\t".join(names) + "\t\t\t",
           "\t\t" + "\t".join(f"{a}{i}" for i in range(1, len(names) + 1) for a in "XYZ")]  # fmt: skip
    for r in range(rows):
        xyz = [(100 + r + i, 1600 - 500 * i, 50.0) for i in range(len(names))]
        cells = [f"{v * scale:.4f}" for p in xyz for v in p]
        out.append("\t".join([str(r + 1), f"{(r + 1) * 0.01:.4f}", *cells]) + "\t")
    return "\n".join(out) + "\n"


@pytest.fixture
def write(tmp_path: Path):
    """Write text (or bytes) as a TRC file and give its path."""

    def make(content: str | bytes) -> Path:
        path = tmp_path / "invented.trc"
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return make


def edited(line: int, change) -> str:
    """The small file with one line (from 1) changed."""
    lines = trc_text().split("\n")
    lines[line - 1] = change(lines[line - 1])
    return "\n".join(lines)


def test_a_good_file(write) -> None:
    got = read_trc(write(trc_text()))
    assert got.trajectories.names == NAMES
    assert got.trajectories.position_mm.shape == (50, 4, 3)
    assert got.trajectories.position_mm[3, 1] == pytest.approx((104, 1100, 50))
    assert got.rate_hz == pytest.approx(100)
    assert got.notes == ()


@pytest.mark.parametrize("ending", ["\r\n", "\r"])
def test_other_line_ends_and_a_byte_order_mark(write, ending: str) -> None:
    got = read_trc(write(b"\xef\xbb\xbf" + trc_text().replace("\n", ending).encode()))
    assert got.trajectories.time_s.size == 50


def test_metres_become_millimetres(write) -> None:
    got = read_trc(write(trc_text(units="m", scale=0.001)))
    assert got.trajectories.position_mm[0, 0, 1] == pytest.approx(1600)


def test_units_that_contradict_the_size_are_not_believed(write) -> None:
    got = read_trc(write(trc_text(units="m")))
    assert got.trajectories.position_mm[0, 0, 1] == pytest.approx(1600)
    assert any("says m" in n and "read as mm" in n for n in got.notes)


def test_the_time_column_is_believed_over_the_header(write) -> None:
    got = read_trc(write(trc_text(rate="2000", frames="999", count="7")))
    assert got.rate_hz == pytest.approx(100)
    text = " ".join(got.notes)
    assert "2000 frames per second" in text
    assert "999 frames" in text
    assert "7 markers" in text


def test_blank_nan_and_zero_positions_are_unseen(write) -> None:
    def change(line: str) -> str:
        cells = line.split("\t")
        cells[2:5] = ["", "", ""]
        cells[5] = "NaN"
        cells[8:11] = ["0.0", "0.0", "0.0"]
        return "\t".join(cells)

    got = read_trc(write(edited(10, change)))
    seen = np.isfinite(got.trajectories.position_mm[4]).all(axis=1)
    assert seen.tolist() == [False, False, False, True]
    assert np.isnan(got.trajectories.u_mm[4, 0]).all()
    assert any("0, 0, 0" in n for n in got.notes)


def test_a_torn_last_line_is_left_out(write) -> None:
    whole = trc_text().rstrip("\n")
    got = read_trc(write(whole[: len(whole) - 40]))
    assert got.trajectories.time_s.size == 49
    assert any("cut off" in n for n in got.notes)


def test_short_rows_are_filled_and_counted(write) -> None:
    got = read_trc(write(edited(12, lambda line: "\t".join(line.split("\t")[:8]))))
    assert np.isfinite(got.trajectories.position_mm[6]).all(axis=1).tolist() == [True, True, False, False]
    assert any("1 rows are short" in n for n in got.notes)


def test_one_step_back_in_time_is_left_out(write) -> None:
    got = read_trc(write(edited(20, lambda line: line.replace("0.1500", "0.0100"))))
    assert got.trajectories.time_s.size == 49
    assert np.all(np.diff(got.trajectories.time_s) > 0)
    assert any("does not run forward" in n for n in got.notes)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "not a TRC"),
        (b"hello\nworld\n" * 20, "not a TRC"),
        (b"\x00\x01\x02" * 400, "not a TRC"),
        ("\n".join(trc_text().split("\n")[:5]), "ends before the data"),
        (trc_text(names=("a", "b", "b", "c")), "same name stands twice"),
        (edited(4, lambda _: "nothing here"), "fourth line"),
        (edited(4, lambda _: "Frame#\tTime\t"), "names no marker"),
        (edited(9, lambda line: line.replace("1600.0000", "16OO")), "line 9, cell 4 is not a number"),
        (edited(9, lambda line: line + "1\t2\t3"), "line 9 has more cells"),
        (trc_text(units="furlong"), "allowed: mm, cm or m"),
        ("\n".join("\t".join(ln.split("\t")[:9]) if i > 4 else ln for i, ln in enumerate(trc_text().split("\n"))),
         "rows are shorter"),
        ("\n".join([*trc_text().split("\n")[:5], *trc_text().split("\n")[:4:-1]]), "does not run forward"),
    ],
)  # fmt: skip
def test_what_cannot_be_read_is_said_in_one_line(write, content: str | bytes, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read_trc(write(content))
    assert "\n" not in str(caught.value)
