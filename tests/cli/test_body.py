"""`fitwright body hanging` on a rendered photograph (simulated): numbers, words, refusals, and the help's example."""

from __future__ import annotations

import json

import numpy as np
import pytest
from typer.testing import CliRunner


@pytest.fixture
def call(sole_photo, sole_file, tmp_path):
    """The command on a left foot turned out by 13°, in the card's plane; the knee line 300 mm farther up."""
    _, camera, _ = sole_photo
    turn = np.radians(-90 - 13)
    knee = np.outer([-130.0, 130.0], [np.cos(turn), np.sin(turn)])
    pixels = [*camera.project(np.array([[0.0, 120.0], [0.0, -120.0]])), *camera.project(knee, -300.0)]
    points = tmp_path / "points.json"
    names = ("heel_centre", "toe", "knee_rear", "knee_front")
    points.write_text(json.dumps({"points": {n: list(uv) for n, uv in zip(names, pixels, strict=True)}}))
    return ("body", "hanging", sole_file, "--side", "left", "--points", points)


def test_a_reading(call, answered):
    got = answered(*call, "--knee", "edge", "--json")
    assert got["yaw_deg"]["value"] == pytest.approx(13, abs=0.3)
    assert set(got["u_parts_deg"]) == {"picks and lens", "marks on the body", "lines not level"}
    assert got["length_mm"] is None
    assert answered(*call, "--card-at-sole", "--json")["length_mm"]["value"] == pytest.approx(240, abs=1)
    assert "second toe" in answered(*call, "--no-card", "--line", "bare", "--json")["yaw_deg"]["method"]


def test_in_words(call, fitwright_app):
    got = CliRunner().invoke(fitwright_app, [str(w) for w in (*call, "--no-card")])
    assert got.exit_code == 0
    assert got.stdout.startswith("left foot hangs turned out by 1")
    assert "note: Without a scale card" in got.stdout


def test_what_cannot_be_is_one_line(call, refused, tmp_path):
    *start, side, _, points = call
    assert "left, right" in refused(*start, "both", "--points", points)
    assert "not mirrored" in refused(*start, "right", "--points", _turned(points, tmp_path))
    assert "--no-card" in refused(*call, "--no-card", "--card-at-sole")
    assert "shoe, bare" in refused(*call, "--line", "sock")
    assert "not found" in refused("body", "hanging", tmp_path / "no.jpg", "--side", side, "--points", points)


def _turned(points, folder):
    """The knee line turned by 25° more: the right foot would point 38° inward."""
    data = json.loads(points.read_text())["points"]
    rear, front = np.array(data["knee_rear"]), np.array(data["knee_front"])
    c, s = np.cos(np.radians(-25)), np.sin(np.radians(-25))
    data["knee_front"] = (rear + np.array([[c, -s], [s, c]]) @ (front - rear)).tolist()
    path = folder / "turned.json"
    path.write_text(json.dumps({"points": data}))
    return path
