"""`fitwright twin` on standard input: figures, JSON, and every bad input in one line with exit code 2."""

from __future__ import annotations

import json
import math

import pytest
from typer.testing import CliRunner

from fitwright.cli.twin import app

R = math.radians(73.5)
TWIN = {
    "thigh_mm": 405, "shank_mm": 420, "axle_to_malleolus_x_mm": 125, "axle_to_malleolus_y_mm": 105,
    "crank_mm": 172.5, "hip_x_mm": -705 * math.cos(R) + 10, "hip_y_mm": 705 * math.sin(R) + 75,
    "pitch_deg": {
        "mean": 15, "cos": [-12 * math.cos(math.radians(300)), 0], "sin": [-12 * math.sin(math.radians(300)), 0],
    },
}  # fmt: skip
CONTACT = {"saddle_height_mm": 705, "saddle_setback_mm": 705 * math.cos(R)}


def run(arguments: list[str], text: str):
    return CliRunner().invoke(app, arguments, input=text)


def test_worked_figures_as_json():
    result = run(["solve", "--json"], json.dumps(TWIN))
    assert result.exit_code == 0
    knee = json.loads(result.stdout)["knee_flexion_deg"]
    assert knee["min"] == pytest.approx(33.80, abs=0.005)
    assert knee["bdc"] == pytest.approx(34.21, abs=0.005)
    assert knee["max"] == pytest.approx(111.88, abs=0.006)
    assert knee["min_at_deg"] == pytest.approx(172.9, abs=0.06)
    assert knee["max_at_deg"] == pytest.approx(356.3, abs=0.06)
    assert len(knee["curve"]) == 360
    assert knee["curve"][180] == pytest.approx(knee["bdc"], abs=1e-4)


def test_text_for_people():
    assert "least 33.80°" in run(["solve"], json.dumps(TWIN)).stdout


def test_whatif():
    result = run(["whatif", "--set", "saddle_height=+5", "--json"], json.dumps({**TWIN, "contact": CONTACT}))
    row = json.loads(result.stdout)["knee_flexion_deg"]["min"]
    assert row["rigid_after"] == pytest.approx(31.34, abs=0.005)
    assert row["expected_change"]["value"] == pytest.approx(0.48 * (31.34 - 33.80), abs=0.01)
    assert row["expected_change"]["u"] > 0.3


def test_slopes():
    """Raised by 5 mm the saddle straightens the worked leg by 2.46°, lowered it bends it by 2.30: 0.48 a mm."""
    text = json.dumps({**TWIN, "contact": CONTACT})
    found = json.loads(run(["slopes", "--json"], text).stdout)
    saddle = found["per_unit"]["saddle_height_mm"]["knee_flexion_deg"]
    assert saddle["least_knee_flexion"] == pytest.approx(-0.476, abs=0.01)
    assert found["at_deg"] == {"least_knee_flexion": 173, "greatest_knee_flexion": 356}
    assert -1 < found["per_unit"]["spacer_mm"]["knee_path_mm"]["least_knee_flexion"] < 0
    assert "saddle_height_mm" in run(["slopes"], text).stdout
    assert "contact: is missing" in run(["slopes"], json.dumps(TWIN)).stderr


def without(name: str) -> str:
    return json.dumps({k: v for k, v in TWIN.items() if k != name})


def replaced(**fields: object) -> str:
    return json.dumps({**TWIN, **fields})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("{", "is not JSON"),
        ("[1, 2]", "is not a JSON object"),
        ("9" * 5000, "is not"),
        ("[" * 100_000, "is not JSON"),
        (without("thigh_mm"), "thigh_mm: is missing"),
        (without("pitch_deg"), "pitch_deg: is missing"),
        (replaced(thigh_mm="long"), "thigh_mm: is not a number"),
        (replaced(thigh_mm=True), "thigh_mm: is not a number"),
        (replaced(thigh_mm=17000), "thigh_mm: outside the allowed range"),
        (replaced(crank_mm=float("nan")), "crank_mm: is not a finite number"),
        (replaced(shoe=44), "shoe: unknown field"),
        (replaced(pitch_deg={"mean": 15, "cos": "x"}), "pitch_deg.cos"),
        (replaced(pitch_deg={"cos": [1]}), "pitch_deg.mean: is missing"),
        (replaced(hip_y_mm=900), "cannot reach the pedal at crank angle"),
    ],
)
def test_bad_input_is_one_line_and_exit_two(text, words):
    result = run(["solve", "--json"], text)
    assert result.exit_code == 2
    assert words in result.stderr
    assert result.stderr.count("\n") == 1
    assert "Traceback" not in result.stderr


@pytest.mark.parametrize(
    ("change", "words"),
    [("saddle_height", "--set"), ("saddle_height=up", "--set"), ("mood=+5", "unknown adjustable"),
     ("saddle_height=nan", "hardware's range"), ("saddle_height=-61", "allowed: -60 to 60 mm"),
     ("crank=+20", "hardware's range"), ("saddle_height=+60", "cannot reach")],
)  # fmt: skip
def test_bad_changes(change, words):
    result = run(["whatif", "--set", change], json.dumps({**TWIN, "contact": CONTACT}))
    assert result.exit_code == 2
    assert words in result.stderr


def test_whatif_without_contact_points():
    result = run(["whatif", "--set", "crank=-5"], json.dumps(TWIN))
    assert result.exit_code == 2
    assert "contact: is missing" in result.stderr
    result = run(["whatif", "--set", "crank=-5"], json.dumps({**TWIN, "contact": {"saddle_height_mm": 7}}))
    assert "contact.saddle_setback_mm: is missing" in result.stderr
