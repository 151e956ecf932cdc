"""C3D in and out: what was written comes back, and what no recording is gets said in one line.

What we write is read with ezc3d (Michaud and Begon 2021, JOSS 6(58):2911) and what ezc3d writes by us; on the file of
a laboratory the reader is checked in tests/outside/test_formats_agree.py.
"""

from __future__ import annotations

import json
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import c3d
import ezc3d
import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.motion.trajectories import Trajectories
from fitwright.vision.c3d_file import is_c3d, read_c3d, write_c3d


def swaying(axes: tuple[str, ...] = ("X", "Y", "Z"), frames: int = 60) -> Trajectories:
    """Four markers up a person 1.6 m tall, swaying, one of them lost for ten frames."""
    rng = np.random.default_rng(3)
    position = np.zeros((frames, 4, len(axes)))
    position[..., 1] = 1600 - 500 * np.arange(4)
    position += 50 + rng.normal(0, 20, position.shape).cumsum(axis=0) / 10
    position[20:30, 2] = np.nan
    u = np.where(np.isfinite(position), 0.5, np.nan)
    return Trajectories(
        ("head", "hip", "knee", "foot"), np.arange(frames) / 120, position, u, axes, "invented"
    )


@pytest.fixture
def kept(tmp_path: Path):
    """Write bytes as a C3D file and give its path."""

    def make(data: bytes) -> Path:
        path = tmp_path / "invented.c3d"
        path.write_bytes(data)
        return path

    return make


def test_what_was_written_is_read_back(kept) -> None:
    traj = swaying()
    got = read_c3d(kept(write_c3d(traj, {}, {"frame": "X forward"})))
    assert got.trajectories.names == traj.names
    assert got.rate_hz == pytest.approx(120)
    assert np.nanmax(np.abs(got.trajectories.position_mm - traj.position_mm)) < 1e-3
    assert np.array_equal(np.isnan(got.trajectories.position_mm), np.isnan(traj.position_mm))
    assert np.allclose(np.diff(got.trajectories.time_s), 1 / 120)
    assert got.notes == ()


WRITE = """
import json, sys
import ezc3d, numpy as np
path, points, said = sys.argv[1], np.load(sys.argv[2]), json.loads(sys.argv[3])
file = ezc3d.c3d()
point = file["parameters"]["POINT"]
point["RATE"]["value"], point["UNITS"]["value"] = np.array([said["rate"]]), [said["units"]]
point["LABELS"]["value"], file["data"]["points"] = said["labels"], points
if said["analog"]:
    analog = file["parameters"]["ANALOG"]
    analog["RATE"]["value"], analog["LABELS"]["value"] = np.array([5 * said["rate"]]), said["analog"]
    file["data"]["analogs"] = np.zeros((1, len(said["analog"]), 5 * points.shape[2]))
if said["angles"]:
    file.add_parameter("POINT", "ANGLES", said["angles"])
file.write(path)
"""


def by_ezc3d(
    path: Path, points: np.ndarray, labels: list[str], *, rate: float, units: str, analog=(), angles=()
) -> None:
    """Write points (4, n, frames) with ezc3d, in a process of its own.

    Its list of words is unknown to it where another library with the same wrapper generator was imported first.
    """
    np.save(path.with_suffix(".npy"), points)
    said = {"labels": labels, "rate": rate, "units": units, "analog": list(analog), "angles": list(angles)}
    words = [sys.executable, "-c", WRITE, str(path), str(path.with_suffix(".npy")), json.dumps(said)]
    subprocess.run(words, check=True, capture_output=True)


def test_another_library_reads_what_we_write(kept) -> None:
    """ezc3d, which is written in another language and shares nothing with what writes here."""
    angle = np.linspace(30, 110, 60)
    path = kept(write_c3d(swaying(), {"knee_flexion_right": ("deg", angle)}, {"frame": "X forward"}))
    file = ezc3d.c3d(str(path))
    point = file["parameters"]["POINT"]
    assert point["UNITS"]["value"] == ["mm"]
    assert point["LABELS"]["value"] == ["head", "hip", "knee", "foot", "knee_flexion_right"]
    assert point["ANGLES"]["value"] == ["knee_flexion_right"]
    assert point["ANGLE_UNITS"]["value"] == ["deg"]
    assert file["parameters"]["FITWRIGHT"]["FRAME"]["value"] == ["X forward"]
    assert file["data"]["points"][0, 4] == pytest.approx(angle, abs=1e-4)
    places = np.moveaxis(file["data"]["points"][:3, :4], 0, 2).transpose(1, 0, 2)
    assert np.nanmax(np.abs(places - swaying().position_mm)) < 1e-3
    assert (np.isnan(places) == np.isnan(swaying().position_mm)).all()


def test_what_another_library_writes_is_read(tmp_path: Path) -> None:
    """Points and analog channels at five times their rate, by ezc3d; a marker lost in three frames."""
    traj = swaying()
    points = np.ones((4, 4, 60))
    points[:3] = traj.position_mm.transpose(2, 1, 0) / 1000
    by_ezc3d(
        tmp_path / "theirs.c3d", points, ["head", "", "knee", "knee"], rate=120.0, units="m", analog=["Fx"]
    )
    got = read_c3d(tmp_path / "theirs.c3d")
    assert got.trajectories.names == ("head", "point 2", "knee", "knee (4)")
    assert np.nanmax(np.abs(got.trajectories.position_mm - traj.position_mm)) < 1e-3
    assert np.isnan(got.trajectories.position_mm[20:30, 2]).all()


def test_modelled_outputs_are_no_markers(kept) -> None:
    outputs = {"knee_flexion_right": ("deg", np.full(60, 400.0)), "knee_path": ("mm", np.full(60, 9e5))}
    got = read_c3d(kept(write_c3d(swaying(), outputs, {})))
    assert got.trajectories.names == ("head", "hip", "knee", "foot")
    assert any("2 modelled outputs" in n for n in got.notes)


def test_two_axes_say_that_the_third_was_not_measured(kept) -> None:
    path = kept(write_c3d(swaying(("X", "Y")), {}, {}))
    assert ezc3d.c3d(str(path))["parameters"]["POINT"]["DESCRIPTIONS"]["value"][0] == "mm, Z not measured"
    assert np.nanmax(np.abs(read_c3d(path).trajectories.position_mm[..., 2])) == 0


def test_a_file_cut_off_gives_what_is_whole(kept) -> None:
    data = write_c3d(swaying(frames=400), {}, {})
    got = read_c3d(kept(data[: len(data) // 2]))
    assert 100 < got.trajectories.time_s.size < 220
    assert any("of 400 frames are whole" in n for n in got.notes)


def test_analog_channels_alone_are_refused(tmp_path: Path) -> None:
    file = c3d.Writer(point_rate=100.0, analog_rate=1000.0)
    for _ in range(20):
        file.add_frames([(np.zeros((0, 5)), np.ones((2, 10)))])
    file.set_analog_labels(["Fx", "Fy"])
    with (tmp_path / "plate.c3d").open("wb") as handle:
        file.write(handle)
    with pytest.raises(InputError, match="no marker positions: it holds 2 analog channels only"):
        read_c3d(tmp_path / "plate.c3d")


def test_modelled_outputs_alone_are_refused(tmp_path: Path) -> None:
    angles = ["RKneeAngles"]
    by_ezc3d(tmp_path / "angles.c3d", np.ones((4, 1, 50)), angles, rate=100.0, units="mm", angles=angles)
    with pytest.raises(InputError, match="modelled outputs only"):
        read_c3d(tmp_path / "angles.c3d")


def changed(old: bytes, new: bytes) -> bytes:
    """A file of ours with the first occurrence of some bytes replaced."""
    whole = write_c3d(swaying(), {}, {})
    assert old in whole
    return whole.replace(old, new, 1)


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "not a C3D"),
        (b"PathFileType\t4\n" * 50, "not a C3D"),
        (b"\x02\x50" + bytes(100), "cannot be read as C3D"),
        (changed(b"mm  ", b"furl"), "allowed: mm, cm or m"),
        (
            changed(b"UNITS", b"UNITZ").replace(np.float32(120).tobytes(), np.float32(0.5).tobytes()),
            "no usable frame rate",
        ),
    ],
)
def test_what_cannot_be_read_is_said_in_one_line(kept, data: bytes, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        read_c3d(kept(data))
    assert "\n" not in str(caught.value)


def test_random_damage_is_never_more_than_an_input_error(kept) -> None:
    """Bytes of the header and the parameters changed at random: read, or refused in one line."""
    whole = bytearray(write_c3d(swaying(), {}, {}))
    rng = np.random.default_rng(7)
    for _ in range(25):
        data = bytearray(whole)
        for at in rng.integers(2, 3000, 3):
            data[at] = rng.integers(256)
        with suppress(InputError):
            assert read_c3d(kept(bytes(data))).trajectories.time_s.size >= 2


def test_a_huge_file_is_refused_unopened(tmp_path: Path) -> None:
    """Two gigabytes, sparse on the disk."""
    path = tmp_path / "huge.c3d"
    with path.open("wb") as file:
        file.write(b"\x02\x50")
        file.truncate(2 * 1024**3)
    assert is_c3d(path)
    with pytest.raises(InputError, match="too large, 2048 MB"):
        read_c3d(path)


def test_more_frames_than_the_format_counts_are_refused() -> None:
    with pytest.raises(InputError, match="Export as CSV"):
        write_c3d(swaying(frames=65_600), {}, {})
