"""`fitwright ride still`: angles of one picture, and clear words for what is wrong."""

from __future__ import annotations

import json

import numpy as np
from PIL import Image
from typer.testing import CliRunner

from fitwright.cli.ride import app

POINTS = {
    "acromion": [640, 120], "greater_trochanter": [420, 300], "lateral_femoral_condyle": [560, 430],
    "lateral_malleolus": [500, 600], "heel": [450, 640], "fifth_metatarsal": [570, 665], "pedal_axle": [575, 680],
}  # fmt: skip


def run(tmp_path, *more: str, points=POINTS):
    photo, marks = tmp_path / "side.jpg", tmp_path / "side.json"
    Image.fromarray(np.full((800, 1200), 128, np.uint8)).save(photo)
    marks.write_text(json.dumps({"points": points}), "utf-8")
    return CliRunner().invoke(app, ["still", str(photo), "--points", str(marks), *more])


def test_it_prints_angles_and_writes_json(tmp_path):
    out = tmp_path / "still.json"
    done = run(tmp_path, "--side", "right", "--thigh-mm", "410", "--json", str(out))
    assert done.exit_code == 0, done.output
    assert "knee flexion" in done.output
    told = json.loads(out.read_text("utf-8"))
    assert told["method"]["state"] == "static"
    assert 20 < told["knee_flexion_deg"]["bdc"]["value"] < 80
    assert told["knee_flexion_deg"]["bdc"]["u"] > 0.5
    again = run(tmp_path, "--side", "right", "--json", "-")
    assert json.loads(again.stdout)["side"] == "right"


def test_wrongs_are_one_line(tmp_path):
    outside = run(tmp_path, "--side", "right", points=POINTS | {"heel": [450, 9000]})
    assert outside.exit_code == 2
    assert "heel" in outside.output
    assert "0 to 799 px" in outside.output
    assert "Traceback" not in outside.output
    (tmp_path / "x.jpg").write_bytes(b"no picture")
    bad = CliRunner().invoke(
        app,
        [
            "ride",
            "still",
            str(tmp_path / "x.jpg"),
            "--points",
            str(tmp_path / "side.json"),
            "--side",
            "right",
        ],
    )
    assert bad.exit_code == 2
