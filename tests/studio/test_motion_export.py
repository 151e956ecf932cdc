"""A ride out as CSV, C3D and Parquet, and in again: the same points, and words that say what they are."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from fitwright.errors import InputError
from fitwright.motion.front import FrontSystematic, analyse_front
from fitwright.motion.over_time import even_steps, motion_table
from fitwright.motion.ride import RideResult
from fitwright.motion.side import SideSystematic, analyse_side
from fitwright.motion.trajectories import Trajectories
from fitwright.studio import motion_export
from fitwright.studio.markers import analyse_markers
from fitwright.vision import motion_files
from fitwright.vision.c3d_file import read_c3d
from fitwright.vision.csv_motion import ColumnMap, look_at, read_table
from simulated_side import CRANK_MM, leg_at, theta_of


def side_film(noise_mm: float = 0.0) -> Trajectories:
    """Ten seconds of a simulated leg at 60 pictures per second, points in the bike frame."""
    time = np.arange(600) / 60
    points = leg_at(theta_of(time))
    position = np.stack(list(points.values()), axis=1)
    position = position + np.random.default_rng(8).normal(0, 1, position.shape) * noise_mm
    return Trajectories(tuple(points), time, position, np.full_like(position, 0.4), ("X", "Y"), "simulated")


def read_as_side(film: Trajectories) -> RideResult:
    return analyse_side(
        film, "right", CRANK_MM, SideSystematic(), {"dimension": "2-D", "landmarks": "stickers"}
    )


def rows_of(data: bytes) -> tuple[list[str], list[dict[str, str]]]:
    lines = data.decode().splitlines()
    plain = [line for line in lines if not line.startswith("#")]
    return [line for line in lines if line.startswith("#")], list(
        csv.DictReader(io.StringIO("\n".join(plain)))
    )


@pytest.fixture(scope="module")
def ride() -> RideResult:
    """A simulated side film with noise and one long gap of the knee."""
    film = side_film(noise_mm=0.4)
    film.position_mm[100:140, film.names.index("lateral_femoral_condyle")] = np.nan
    return read_as_side(film)


def test_csv_says_what_its_columns_are(ride: RideResult) -> None:
    head, rows = rows_of(motion_export.export(ride, "csv", about={"source": "invented.mp4"}))
    text = "\n".join(head)
    for words in ("source: invented.mp4", "frame: X forward, Y up", "units: mm, deg, s", "rate:", "cut-off hz:",
                  "column knee_flexion_right_deg: deg, 180 less the angle at the knee, 0 straight",
                  "column heel_right_x_mm: mm, heel right, forward"):  # fmt: skip
        assert words in text
    assert len(rows) == ride.trajectories["right"].time_s.size
    assert rows[120]["lateral_femoral_condyle_right_x_mm"] == ""
    assert rows[120]["knee_flexion_right_deg"] == ""
    assert float(rows[50]["heel_right_y_mm"]) == pytest.approx(
        motion_table(ride).trajectories.point("heel_right", "Y")[50, 0], abs=1e-4
    )


def test_angles_over_time_are_those_of_the_ride(ride: RideResult) -> None:
    """Each turn's least knee flexion, found in the exported column, has the mean that the ride tells."""
    _, rows = rows_of(motion_export.export(ride, "csv"))
    knee = np.array([float(r["knee_flexion_right_deg"] or "nan") for r in rows])
    turn = np.floor(np.unwrap(np.radians([float(r["crank_angle_right_deg"]) for r in rows])) / (2 * np.pi))
    whole = [knee[turn == k] for k in np.unique(turn)[1:-1]]
    least = [x.min() for x in whole if np.isfinite(x).all()]
    told = ride.value("right", "knee_flexion_deg", "min")
    assert told is not None
    assert np.mean(least) == pytest.approx(told.value, abs=0.15)


def test_raw_points_are_those_that_were_seen(ride: RideResult) -> None:
    head, rows = rows_of(motion_export.export(ride, "csv", smooth=False))
    assert any("as seen, not smoothed" in line for line in head)
    x = np.array([float(r["heel_right_x_mm"]) for r in rows])
    assert x == pytest.approx(ride.trajectories["right"].point("heel", "X")[:, 0], abs=1e-4)


def test_c3d_comes_back_to_a_thousandth_of_a_millimetre(ride: RideResult, tmp_path: Path) -> None:
    path = tmp_path / "ride.c3d"
    path.write_bytes(motion_export.export(ride, "c3d"))
    got, table = read_c3d(path).trajectories, even_steps(motion_table(ride)).trajectories
    assert got.names == table.names
    seen = np.isfinite(table.position_mm)
    assert np.abs(got.position_mm[..., :2] - table.position_mm)[seen].max() < 1e-3
    assert np.isnan(got.position_mm[..., :2][~seen]).all()


def test_csv_comes_back_through_the_map(ride: RideResult, tmp_path: Path) -> None:
    """Two axes: the same angles and cadence, within what the rounding of the file and smoothing twice change."""
    path = tmp_path / "ride.csv"
    path.write_bytes(motion_export.export(ride, "csv", smooth=False))
    names = look_at(path).names
    points = {
        n.removesuffix("_x_mm"): (n, n.replace("_x_mm", "_y_mm"), "") for n in names if n.endswith("_x_mm")
    }
    again = analyse_markers(
        path, columns=ColumnMap(time="time_s", right="", points=points), crank_mm=CRANK_MM
    )
    assert again.ride.cadence_rpm.value == pytest.approx(ride.cadence_rpm.value, abs=1e-3)
    for event in ("min", "max", "bdc"):
        first, second = (r.value("right", "knee_flexion_deg", event) for r in (ride, again.ride))
        assert first is not None
        assert second is not None
        assert second.value == pytest.approx(first.value, abs=0.02)
    raw = read_table(path, ColumnMap(time="time_s", right="", points=points)).trajectories
    assert np.nanmax(np.abs(raw.point("heel_right") - ride.trajectories["right"].point("heel"))) < 1e-3


def test_parquet_has_units_in_its_columns(ride: RideResult) -> None:
    table = pq.read_table(io.BytesIO(motion_export.export(ride, "parquet", about={"source": "invented.mp4"})))
    field = table.schema.field("knee_flexion_right_deg")
    assert field.metadata[b"unit"] == b"deg"
    assert b"0 straight" in field.metadata[b"about"]
    assert table.schema.metadata[b"source"] == b"invented.mp4"
    column = table["lateral_femoral_condyle_right_x_mm"].to_numpy()
    wanted = motion_table(ride).trajectories.point("lateral_femoral_condyle_right", "X")[:, 0]
    assert np.allclose(column, wanted, equal_nan=True, atol=0)
    assert table["lateral_femoral_condyle_right_x_mm"].null_count == 40


def test_parquet_that_is_not_installed_is_said(ride: RideResult, monkeypatch) -> None:
    monkeypatch.setattr(motion_files.importlib.util, "find_spec", lambda name: None)
    with pytest.raises(InputError, match=r"Install fitwright\[parquet\], or choose CSV"):
        motion_export.export(ride, "parquet")


def test_the_mean_turn(ride: RideResult) -> None:
    head, rows = rows_of(motion_export.export(ride, "csv", by="crank"))
    assert [float(r["crank_angle_deg"]) for r in rows] == list(range(360))
    curve = ride.curves["right"]["knee_flexion"]
    assert float(rows[180]["knee_flexion_right_mean_deg"]) == pytest.approx(curve.mean[180], abs=1e-4)
    assert float(rows[180]["knee_flexion_right_u_deg"]) == pytest.approx(curve.u[180], abs=1e-4)
    assert any("standard uncertainty of the mean" in line for line in head)
    with pytest.raises(InputError, match="goes by time"):
        motion_export.export(ride, "c3d", by="crank")


def test_uneven_frames_are_put_on_even_steps_for_c3d() -> None:
    """Variable frame rate, simulated: the points stay within 1 mm RMS of the motion, gaps stay gaps."""
    ride = read_as_side(side_film())
    whole = ride.trajectories["right"]
    keep = np.ones(whole.time_s.size, dtype=bool)
    keep[::7] = False
    keep[200:240] = False
    part = replace(
        whole, time_s=whole.time_s[keep], position_mm=whole.position_mm[keep], u_mm=whole.u_mm[keep]
    )
    table = motion_table(replace(ride, trajectories={"right": part}))
    even = even_steps(table).trajectories
    steps = np.diff(even.time_s)
    assert steps.max() - steps.min() < 1e-9
    truth = np.column_stack([np.interp(even.time_s, whole.time_s, whole.point("heel")[:, k]) for k in (0, 1)])
    got = even.point("heel_right")
    seen = np.isfinite(got).all(axis=1)
    hole = (even.time_s > whole.time_s[200]) & (even.time_s < whole.time_s[239])
    assert not seen[hole].any()
    assert seen.mean() > 0.85
    assert np.sqrt(np.mean((got - truth)[seen] ** 2)) < 1.0
    crank = next(c for c in even_steps(table).angles if c.name.startswith("crank_angle"))
    assert np.nanmax(crank.values) < 360


def test_a_front_film_leaves_with_both_knees() -> None:
    """Simulated: both pedals turn, the right knee sways 8 mm about 20 mm outward, the left one stands."""
    time = np.arange(720) / 60
    theta = 2 * np.pi * 1.5 * time + 0.2
    zero = np.zeros_like(time)
    points = {
        "patella_right": (170 + 8 * np.cos(theta), 500 + 60 * np.cos(theta)),
        "pedal_right": (150 + zero, 172.5 * np.cos(theta)),
        "patella_left": (-140 + zero, 500 - 60 * np.cos(theta)), "pedal_left": (-150 + zero, -172.5 * np.cos(theta)),
    }  # fmt: skip
    position = np.stack([np.column_stack(p) for p in points.values()], axis=1)
    film = Trajectories(tuple(points), time, position, np.full_like(position, 0.5), ("Z", "Y"), "simulated")
    ride = analyse_front(film, None, FrontSystematic(), {"dimension": "2-D"})
    _, rows = rows_of(motion_export.export(ride, "csv"))
    right, left, crank = (
        np.array([float(r[name]) for r in rows])
        for name in ("knee_outward_right_mm", "knee_outward_left_mm", "crank_angle_right_deg")
    )
    assert right[60:-60] == pytest.approx((20 + 8 * np.cos(theta))[60:-60], abs=0.1)
    assert left == pytest.approx(-10 + zero, abs=0.01)
    off = (crank - np.degrees(theta) + 180) % 360 - 180
    assert np.abs(off[60:-60]).max() < 1.0


def test_a_ride_survives_json_with_its_points(ride: RideResult, tmp_path: Path) -> None:
    path = tmp_path / "ride.json"
    path.write_text(json.dumps(ride.to_json()))
    again = motion_export.ride_in(path)
    one, two = ride.trajectories["right"], again.trajectories["right"]
    assert one.names == two.names
    assert np.nanmax(np.abs(one.position_mm - two.position_mm)) <= 5e-4
    assert np.array_equal(np.isnan(one.position_mm), np.isnan(two.position_mm))


def test_an_older_ride_without_points_says_what_to_do(ride: RideResult, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"were not kept\. Follow or import it again"):
        motion_export.export(replace(ride, trajectories={}), "csv")
    assert motion_export.export(replace(ride, trajectories={}), "csv", by="crank")
    (tmp_path / "a.json").write_text("[1, 2]")
    with pytest.raises(InputError, match="is not the result of a ride"):
        motion_export.ride_in(tmp_path / "a.json")
    for kind, by in (("txt", "time"), ("csv", "moon")):
        with pytest.raises(InputError, match="unknown"):
            motion_export.export(ride, kind, by)


def test_trajectories_keep_their_axes_in_json() -> None:
    traj = Trajectories(("a",), np.array([0.0, 0.1]), np.ones((2, 1, 2)), np.ones((2, 1, 2)), ("Z", "Y"), "s")
    assert Trajectories.from_json(traj.to_json()).axes == ("Z", "Y")
