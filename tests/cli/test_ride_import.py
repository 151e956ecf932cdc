"""`fitwright ride import` on an invented rider's marker file (simulated), and on files that cannot be used."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from fitwright.cli.ride import app

FOOT = {"cal": (-190.0, 30, -5), "mt5": (-20.0, 20, 45), "toe": (70.0, 30, -5), "mt1": (15.0, 25, -40)}
ALL = ("gt", "lfc", "lmal", "cal", "mt5", "toe", "acr", "lel", "dr", "asi")


def on_foot(axle: np.ndarray, pitch: np.ndarray, x: float, y: float) -> np.ndarray:
    """(T, 2) a point x ahead of and y above the axle in a foot with its heel up by `pitch`."""
    along = np.column_stack([np.cos(pitch), -np.sin(pitch)])
    return axle + x * along + y * np.column_stack([np.sin(pitch), np.cos(pitch)])


def rider(theta: np.ndarray) -> dict[str, np.ndarray]:
    """Markers of an invented rider, X forward, Y up, Z right, mm; both feet on 172.5 mm cranks, knees 10 mm in."""
    out = {}
    for side, sign, ahead in (("r", 1.0, 0.0), ("l", -1.0, np.pi)):
        a = theta + ahead
        pitch = np.radians(15 - 12 * np.cos(a - 5.2))
        axle = np.column_stack([172.5 * np.sin(a) + 300, 172.5 * np.cos(a) + 280])
        hip = np.array([300 - 205.0, 280 + 751.0]) + np.zeros((a.size, 2))
        ankle = on_foot(axle, pitch, -125, 105)
        d = np.linalg.norm(ankle - hip, axis=1)
        lift = np.arccos((405**2 + d**2 - 420**2) / (2 * 405 * d))
        turn = np.arctan2(*(ankle - hip).T[::-1]) + lift
        knee = hip + 405 * np.column_stack([np.cos(turn), np.sin(turn)])
        flat = {"gt": (hip, 150), "lfc": (knee, 110 + 6 * np.cos(a)), "lmal": (ankle, 120)}
        above = {"acr": (350, 430, 190), "lel": (520, 250, 230), "dr": (720, 230, 200), "asi": (60, 80, 120)}
        flat |= {n: (hip + np.array([x, y]), z) for n, (x, y, z) in above.items()}
        flat |= {n: (on_foot(axle, pitch, x, y), 120 + z) for n, (x, y, z) in FOOT.items() if n != "mt1"}
        out |= {side + n: np.column_stack([xy, sign * (z + np.zeros(a.size))]) for n, (xy, z) in flat.items()}
    return out


def truth(side: str, dimensions: int) -> np.ndarray:
    """Knee flexion of the invented rider over the turn, in space or in the plane, deg."""
    p = {n: x[:, :dimensions] for n, x in rider(np.radians(np.arange(0, 360, 0.5))).items()}
    a, b = p[f"{side}gt"] - p[f"{side}lfc"], p[f"{side}lmal"] - p[f"{side}lfc"]
    cosine = (a * b).sum(1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1)
    return 180 - np.degrees(np.arccos(cosine))


def write_trc(path: Path, time: np.ndarray, markers: dict[str, np.ndarray], rate: str = "100") -> Path:
    names, cells = list(markers), np.concatenate(list(markers.values()), axis=1)
    lines = ["PathFileType\t4\t(X/Y/Z)\tinvented", "DataRate\tCameraRate\tNumFrames\tNumMarkers\tUnits",
             f"{rate}\t{rate}\t{time.size}\t{len(names)}\tmm", "Frame#\tTime\t" + "\t\t\t".join(names),
             "\t\t" + "\t".join(f"{c}{i + 1}" for i in range(len(names)) for c in "XYZ")]  # fmt: skip
    for i, (t, row) in enumerate(zip(time, cells, strict=True)):
        lines.append("\t".join([str(i + 1), f"{t:.4f}"] + ["" if np.isnan(v) else f"{v:.4f}" for v in row]))
    path.write_text("\n".join(lines) + "\n", "utf-8")
    return path


@pytest.fixture
def recording(tmp_path: Path):
    """`recording(seconds, change, rate, static)` writes an invented trial and gives its path."""

    def make(seconds: float = 9.0, change=None, rate: str = "100", static: bool = True, warp=None) -> Path:
        t = np.arange(0, seconds, 0.01)
        markers = rider(2 * np.pi * 1.4 * (t if warp is None else warp(t)) + 0.2)
        rng = np.random.default_rng(1)
        markers = {n: p + rng.normal(0, 0.2, p.shape) for n, p in markers.items()}
        if static:
            still = {"r" + n: np.tile(np.array(p, float), (20, 1)) for n, p in FOOT.items()}
            still |= {"l" + n: p * [1, 1, -1] for n, p in ((k[1:], v) for k, v in still.items())}
            write_trc(tmp_path / "anna_static.trc", np.arange(20) * 0.01, still)
        return write_trc(tmp_path / "anna_ride.trc", t, change(markers) if change else markers, rate)

    return make


def run(*arguments: str | Path):
    return CliRunner().invoke(app, ["import", *map(str, arguments)])


def test_json_holds_the_contract(recording) -> None:
    got = run(recording(), "--json")
    assert got.exit_code == 0, got.output
    data = json.loads(got.stdout)
    assert data["cadence_rpm"]["value"] == pytest.approx(84, abs=0.05)
    assert data["cadence_rpm"]["u"] > 0
    for side in ("right", "left"):
        knee = data["knee_flexion_deg"][side]
        assert {"value", "u"} <= set(knee["min"])
        flexion, plane = truth(side[0], 3), truth(side[0], 2)
        assert (knee["min"]["value"], knee["max"]["value"]) == pytest.approx(
            (min(flexion), max(flexion)), abs=0.3
        )
        assert data["knee_flexion_2d_deg"][side]["min"]["value"] == pytest.approx(min(plane), abs=0.3)
        assert knee["min"]["value"] < knee["bdc"]["value"] < knee["max"]["value"]
        path = data["knee_path_mm"][side]
        assert path["range"]["value"] == pytest.approx(12, abs=0.5)
        assert path["top"]["value"] - path["bdc"]["value"] == pytest.approx(12, abs=0.3)
        axle = data["pedal_axle"][side]
        assert axle["crank_radius_mm"]["value"] == pytest.approx(172.5, abs=0.3)
        assert axle["ahead_of_m5_mm"]["value"] == pytest.approx(20, abs=1)
        assert axle["ahead_of_m1_mm"]["value"] == pytest.approx(-15, abs=1)
        assert axle["lambda"]["value"] == pytest.approx(15 / 35, abs=0.03)
        assert len(data["curves"][side]["knee_flexion"]["mean"]) == 360
        assert {"hip_flexion_deg", "ankle_plantarflexion_deg"} <= set(data)


def test_text_is_a_table_with_uncertainty(recording) -> None:
    got = run(recording())
    assert got.exit_code == 0
    assert "knee flexion, min" in got.stdout
    assert "±" in got.stdout
    assert "anna_static.trc, found beside the recording" in got.stdout


def test_a_static_trial_may_be_named(recording, tmp_path: Path) -> None:
    trial = recording()
    other = (tmp_path / "anna_static.trc").rename(tmp_path / "standing.trc")
    assert "lambda" not in json.loads(run(trial, "--json").stdout)["pedal_axle"]["right"]
    assert "lambda" in json.loads(run(trial, "--static", other, "--json").stdout)["pedal_axle"]["right"]


@pytest.mark.parametrize("style", ["L_{}", "left_{}", "{}_L", "l{}"])
def test_other_ways_to_name_markers(recording, style: str) -> None:
    def change(markers):
        sides = {"l": style, "r": style.replace("L", "R").replace("left", "right").replace("l{", "r{")}
        return {sides[n[0]].format(n[1:].upper()): p for n, p in markers.items()}

    data = json.loads(run(recording(change=change, static=False), "--json").stdout)
    assert set(data["knee_flexion_deg"]) == {"right", "left"}


def test_one_side_alone_is_analysed(recording) -> None:
    data = json.loads(
        run(recording(change=lambda m: {n: p for n, p in m.items() if n[0] == "r"}), "--json").stdout
    )
    assert set(data["knee_flexion_deg"]) == {"right"}


def test_a_marker_never_seen_costs_only_its_side(recording) -> None:
    got = run(recording(change=lambda m: m | {"rmt5": m["rmt5"] * np.nan}), "--json")
    data = json.loads(got.stdout, parse_constant=pytest.fail)
    assert set(data["knee_flexion_deg"]) == {"left"}
    assert any("fifth_metatarsal_right" in n for n in data["notes"])
    assert any("right: not analysed" in n for n in data["notes"])


def test_header_that_contradicts_the_data_is_noted(recording) -> None:
    data = json.loads(run(recording(rate="2000"), "--json").stdout)
    assert data["cadence_rpm"]["value"] == pytest.approx(84, abs=0.05)
    assert any("2000 frames per second" in n for n in data["notes"])


def test_a_rider_facing_the_other_way_and_z_up(recording) -> None:
    def change(markers):
        return {n: np.column_stack([-p[:, 0], p[:, 2], p[:, 1]]) for n, p in markers.items()}

    data = json.loads(run(recording(change=change, static=False), "--json").stdout)
    assert any("Z points up" in n for n in data["notes"])
    assert any("faces −X" in n for n in data["notes"])
    assert data["knee_path_mm"]["right"]["range"]["value"] == pytest.approx(12, abs=0.5)


def test_unseen_markers_are_bridged_or_left_out(recording) -> None:
    def change(markers):
        markers["rlfc"][100:105] = np.nan
        markers["rlfc"][300:360] = np.nan
        markers["lacr"][:] = np.nan
        return markers

    data = json.loads(
        run(recording(change=change), "--json").stdout, parse_constant=pytest.fail
    )  # no bare NaN
    whole = json.loads(run(recording(), "--json").stdout)
    for event in ("min", "max"):
        assert data["knee_flexion_deg"]["right"][event]["value"] == pytest.approx(
            whole["knee_flexion_deg"]["right"][event]["value"], abs=0.3
        )
    assert data["quality"]["points"]["right"]["lateral_femoral_condyle"]["bridged"] == 5


def test_a_rider_who_stops_half_way(recording) -> None:
    stop = lambda t: np.where(t < 5, t, np.where(t < 7, 5.0, t - 2))  # noqa: E731
    data = json.loads(run(recording(seconds=12, warp=stop), "--json").stdout)
    assert data["cadence_rpm"]["value"] == pytest.approx(84, abs=0.3)
    assert any("stopped" in n for n in data["notes"])


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"seconds": 1.6}, "too few whole turns"),
        ({"change": lambda m: {f"thing{i}": p for i, p in enumerate(m.values())}}, "greater_trochanter"),
        ({"change": lambda m: {n: p for n, p in m.items() if n[1:] != "cal"}}, "heel"),
        ({"change": lambda m: {n: p * np.nan for n, p in m.items()}}, "no marker position"),
        ({"change": lambda m: {n: p * 1000 for n, p in m.items()}}, "which is no rider"),
        ({"change": lambda m: {n: p * (np.nan if n[1:] == "gt" else 1) for n, p in m.items()}}, "never seen"),
        ({"warp": lambda t: -t}, "runs backward"),
        ({"warp": lambda t: 0 * t}, "circle|go round"),
    ],
)
def test_bad_input_is_one_line_and_exit_two(recording, wrong: dict, words: str) -> None:
    got = run(recording(**wrong))
    assert got.exit_code == 2
    assert got.stdout == ""
    assert got.stderr.count("\n") == 1
    assert "Traceback" not in got.stderr
    assert re.search(words, got.stderr), got.stderr


def test_wrong_names_list_what_is_there_and_what_is_needed(recording) -> None:
    got = run(recording(change=lambda m: {n.replace("lfc", "kneecap"): p for n, p in m.items()}))
    assert got.exit_code == 2
    assert "rkneecap" in got.stderr
    assert "lateral_femoral_condyle" in got.stderr


def test_no_file_and_no_trc(tmp_path: Path) -> None:
    assert run(tmp_path / "none.trc").exit_code == 2
    other = tmp_path / "film.trc"
    other.write_bytes(b"\x00\x00\x00\x18ftypmp42" * 30)
    got = run(other)
    assert got.exit_code == 2
    assert "not a TRC" in got.stderr
