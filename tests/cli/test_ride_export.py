"""`fitwright ride export` and `ride import` of tables: files in, files out, one line for what cannot be."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pyarrow.parquet as parquet
import pytest
from typer.testing import CliRunner

from fitwright.motion.ride import RideResult
from fitwright.motion.side import SideSystematic, analyse_side
from fitwright.motion.trajectories import Trajectories
from fitwright.vision.c3d_file import read_c3d, write_c3d
from fitwright.vision.csv_motion import ColumnMap, look_at
from simulated_side import CRANK_MM, leg_at, theta_of


@pytest.fixture(scope="module")
def ride() -> RideResult:
    """A simulated side film of eight seconds."""
    time = np.arange(480) / 60
    points = leg_at(theta_of(time))
    position = np.stack(list(points.values()), axis=1)
    film = Trajectories(tuple(points), time, position, np.full_like(position, 0.3), ("X", "Y"), "simulated")
    return analyse_side(
        film, "right", CRANK_MM, SideSystematic(), {"dimension": "2-D", "landmarks": "stickers"}
    )


@pytest.fixture
def analysed(ride: RideResult, tmp_path: Path) -> Path:
    """The ride as `ride analyse --json` writes it: more keys than the ride's own."""
    path = tmp_path / "side.json"
    path.write_text(json.dumps({"knee_flexion_deg": {}, **ride.to_json(), "clip": {}}))
    return path


def test_from_json_to_csv_and_back_in_by_a_map(
    answered, fitwright_app, analysed: Path, ride: RideResult, tmp_path: Path
) -> None:
    table, columns = tmp_path / "ride.csv", tmp_path / "map.json"
    told = CliRunner().invoke(fitwright_app, ["ride", "export", str(analysed), "--out", str(table), "--raw"])
    assert told.exit_code == 0, told.output
    points = {
        n.removesuffix("_x_mm"): (n, n.replace("_x_mm", "_y_mm"), "")
        for n in look_at(table).names if n.endswith("_x_mm")
    }  # fmt: skip
    columns.write_text(json.dumps(ColumnMap(time="time_s", right="", points=points).to_json()))
    back = answered("ride", "import", table, "--map", columns, "--crank-mm", "172.5", "--json")
    knee = back["knee_flexion_deg"]["right"]["min"]
    wanted = ride.value("right", "knee_flexion_deg", "min")
    assert wanted is not None
    assert knee["value"] == pytest.approx(wanted.value, abs=0.01)


def test_from_json_to_c3d(answered, analysed: Path, ride: RideResult, tmp_path: Path) -> None:
    out = tmp_path / "ride.c3d"
    told = answered("ride", "export", analysed, "--out", out, "--raw", "--json")
    assert told == {"written": str(out), "format": "c3d", "bytes": out.stat().st_size}
    got = read_c3d(out).trajectories
    x = got.point("pedal_axle_right")[:, :2]
    assert np.abs(x - ride.trajectories["right"].point("pedal_axle")).max() < 1e-3


AXES = ("X", "Y", "Z")
RECORDED = {
    "greater_trochanter": "RGT", "lateral_femoral_condyle": "RLFC", "lateral_malleolus": "RLMAL", "heel": "RCAL",
    "fifth_metatarsal": "RMT5", "pedal_axle": "RPEDALAXLE",
}  # fmt: skip


@pytest.fixture(scope="module")
def markers() -> Trajectories:
    """Eight seconds of a simulated right leg in space, 100 pictures per second."""
    time = np.arange(800) / 100
    leg = leg_at(theta_of(time))
    flat = np.stack([leg[n] for n in RECORDED], axis=1) + np.random.default_rng(5).normal(0, 0.2, (800, 6, 2))
    position = np.concatenate([flat, np.full((800, 6, 1), 140.0)], axis=2)
    return Trajectories(
        tuple(RECORDED.values()), time, position, np.full_like(position, 0.2), AXES, "invented"
    )


def recording(markers: Trajectories, kind: str, folder: Path) -> list[str]:
    """The markers as a file of this kind, as arguments of `ride import`."""
    path, cells = folder / f"ride.{kind}", markers.position_mm.reshape(800, -1)
    if kind == "c3d":
        path.write_bytes(write_c3d(markers, {}, {"written by": "a test"}))
        return [str(path)]
    columns = [f"{n}{a}" for n in RECORDED for a in "xyz"]
    rows = ["\t".join([str(i + 1), *(f"{v:.5f}" for v in (t, *row))])
            for i, (t, row) in enumerate(zip(markers.time_s, cells, strict=True))]  # fmt: skip
    if kind == "trc":
        head = ["PathFileType\t4\t(X/Y/Z)\tx", "DataRate\tCameraRate\tNumFrames\tNumMarkers\tUnits",
                "100\t100\t800\t6\tmm", "Frame#\tTime\t" + "\t\t\t".join(markers.names),
                "\t\t" + "\t".join(f"{a}{i}" for i in range(1, 7) for a in AXES)]  # fmt: skip
        path.write_text("\n".join([*head, *rows]) + "\n")
        return [str(path)]
    path.write_text("\n".join(["\t".join(["frame", "clock", *columns]), *rows]) + "\n")
    points = {f"{n}_right": (f"{n}x", f"{n}y", f"{n}z") for n in RECORDED}
    map_ = folder / "map.json"
    map_.write_text(json.dumps(ColumnMap(separator="\t", time="clock", points=points).to_json()))
    return [str(path), "--map", str(map_)]


@pytest.mark.parametrize("kind", ["trc", "c3d", "csv"])
def test_an_imported_recording_leaves_in_every_format_and_comes_back(
    answered, markers: Trajectories, kind: str, tmp_path: Path
) -> None:
    """What `ride import --json` prints is a ride that `ride export` reads: places, units and frame survive."""
    told = answered("ride", "import", *recording(markers, kind, tmp_path), "--json")
    ride = tmp_path / "imported.json"
    ride.write_text(json.dumps(told))
    for target in ("out.csv", "out.c3d", "out.parquet"):
        answered("ride", "export", ride, "--out", tmp_path / target, "--raw", "--json")
    knee = markers.position_mm[:, 1]

    text = (tmp_path / "out.csv").read_text("utf-8")
    assert "# units: mm, deg, s" in text
    assert "# frame: X forward, Y up, Z to the rider's right" in text
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    seen = np.array([[float(r[f"lateral_femoral_condyle_right_{a}_mm"]) for a in "xyz"] for r in rows])
    assert np.abs(seen - knee).max() < 2e-3

    table = parquet.read_table(tmp_path / "out.parquet")
    assert np.abs(table["lateral_femoral_condyle_right_y_mm"].to_numpy() - knee[:, 1]).max() < 2e-3
    assert b"X forward" in table.schema.metadata[b"frame"]

    back = answered("ride", "import", tmp_path / "out.c3d", "--json")
    for event in ("min", "max"):
        once, again = (d["knee_flexion_deg"]["right"][event]["value"] for d in (told, back))
        assert again == pytest.approx(once, abs=0.01)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ([], "out: is missing"),
        (["--out", "a.xls"], "format: unknown"),
        (["--out", "nowhere/a.csv"], "there is no folder"),
        (["--out", "a.csv", "--visit", "1"], "give either a file or --visit"),
        (["--out", "a.csv", "--by", "moon"], "by: unknown"),
        (["--out", "a.c3d", "--by", "crank"], "goes by time"),
    ],
)
def test_what_cannot_be_written_is_one_line(
    refused, analysed: Path, tmp_path: Path, monkeypatch, more, words
) -> None:
    monkeypatch.chdir(tmp_path)
    assert words in refused("ride", "export", analysed, *more)
    assert [p.name for p in tmp_path.iterdir()] == ["side.json"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("{", "ride: a.json is not JSON"),
        ("{}", "is not the result of a ride"),
        ("[" * 100_000, "ride: a.json is not JSON"),
    ],
)
def test_a_file_that_is_no_ride(refused, tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "a.json").write_text(text)
    assert words in refused("ride", "export", tmp_path / "a.json", "--out", tmp_path / "b.csv")


def test_a_map_that_is_none(refused, tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("a,b\n1,2\n2,3\n")
    for text, words in (("[]", "map: is not a map of columns"), ("[" * 100_000, "map: m.json is not JSON")):
        (tmp_path / "m.json").write_text(text)
        assert words in refused("ride", "import", tmp_path / "t.csv", "--map", tmp_path / "m.json")
