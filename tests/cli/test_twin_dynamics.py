"""`fitwright twin dynamics`: a twin, a ride and outside points; the energy adds up; bad input is one line."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from typer.testing import CliRunner

from fitwright.cli.twin import app
from fitwright.linkage.leg import solve
from fitwright.linkage.read import leg_from_json
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Measured

TWIN = {
    "thigh_mm": 405, "shank_mm": 420, "axle_to_malleolus_x_mm": 125, "axle_to_malleolus_y_mm": 105,
    "crank_mm": 172.5, "hip_x_mm": -190, "hip_y_mm": 741, "pitch_deg": {"mean": 15, "cos": [-6], "sin": [10.4]},
}  # fmt: skip
RIDER = {"mass_kg": 72, "segments": "de_leva_male", "foot_length_mm": 270}
CRANK = list(range(0, 360, 10))
TANGENTIAL = [120 + 180 * math.sin(math.radians(t)) for t in CRANK]
RADIAL = [60 - 150 * math.cos(math.radians(t)) for t in CRANK]
FORCE = {"crank_deg": CRANK, "pedal_tangential_n": TANGENTIAL, "pedal_radial_n": RADIAL}
LEG = {**RIDER, "twin": TWIN, "cadence_rpm": 90, "force": FORCE}


def run(data: object, *arguments: str):
    text = data if isinstance(data, str) else json.dumps(data)
    return CliRunner().invoke(app, ["dynamics", *arguments], input=text)


def told(data: object, *arguments: str) -> dict:
    result = run(data, "--json", *arguments)
    assert result.exit_code == 0, result.stderr
    return json.loads(result.stdout)


def test_pedal_power_is_tangential_force_times_speed_and_comes_from_the_joints():
    energy = told(LEG)["energy"]
    assert energy["pedal_w"] == pytest.approx(120 * 0.1725 * 2 * math.pi * 1.5, rel=1e-3)
    assert energy["joints_w"] + energy["through_hip_w"] == pytest.approx(energy["pedal_w"], abs=1e-6)
    assert energy["greatest_unbalanced_w"] < 1e-6
    assert energy["stored_w"] == pytest.approx(0, abs=1e-6)  # a whole turn at even cadence stores nothing


def test_every_way_of_telling_the_force_gives_the_same_moments(tmp_path):
    crank = np.radians(CRANK)
    x = np.cos(crank) * TANGENTIAL + np.sin(crank) * RADIAL
    y = np.cos(crank) * RADIAL - np.sin(crank) * TANGENTIAL
    first = told(LEG)["joints"]["knee"]["moment_nm"]
    for names, sign in ((("pedal_x_n", "pedal_y_n"), 1), (("foot_x_n", "foot_y_n"), -1)):
        force = dict(
            zip(("crank_deg", *names), (CRANK, (sign * x).tolist(), (sign * y).tolist()), strict=True)
        )
        again = told({**LEG, "force": force})["joints"]["knee"]["moment_nm"]
        # linear between 10° in another frame: not quite the same between the angles given
        assert again["max"] == pytest.approx(first["max"], abs=0.6)
    table = tmp_path / "pedal.csv"
    rows = [f"{c},{t!r},{r!r}" for c, t, r in zip(CRANK, TANGENTIAL, RADIAL, strict=True)]
    table.write_text(
        "# instrumented pedal\ncrank_deg, pedal_tangential_n, pedal_radial_n\n" + "\n".join(rows)
    )
    by_file = told({k: v for k, v in LEG.items() if k != "force"}, "--force", str(table))
    assert by_file["joints"]["knee"]["moment_nm"] == first


def test_a_ride_gives_what_its_twin_gives(tmp_path):
    """Mean curves of the same leg, with noise of 0.3 mm: moments within 1.5 Nm of the exact ones."""
    pose, rng = solve(leg_from_json(TWIN)), np.random.default_rng(2)
    names = [f"{p}_{axis}" for p in ("hip", "knee", "malleolus", "axle") for axis in "xy"]
    curves = {
        n: CycleCurve(n, "mm", np.broadcast_to(getattr(pose, n), 360) + rng.normal(0, 0.3, 360), np.ones(360),
                      np.ones(360), 20) for n in names
    }  # fmt: skip
    curves["sole_pitch"] = CycleCurve("sole_pitch", "deg", pose.pitch_deg, np.ones(360), np.ones(360), 20)
    ride = RideResult("side", Measured(90, 0.3, "rpm"), {"right": 20}, {}, {"right": curves},
                      {"dimension": "2-D", "state": "dynamic"})  # fmt: skip
    file = tmp_path / "side.json"
    file.write_text(json.dumps(ride.to_json()))
    exact, filmed = told(LEG), told({**RIDER, "force": FORCE}, "--ride", str(file))
    for joint in ("hip", "knee", "ankle"):
        a, b = (np.array(t["joints"][joint]["moment_curve_nm"]) for t in (exact, filmed))
        assert np.abs(a - b).max() < 1.5
        assert np.abs(a).max() > 15
    assert filmed["energy"]["pedal_w"] == pytest.approx(exact["energy"]["pedal_w"], rel=0.01)


def test_outside_points_give_the_recomputed_moments(outside_data):
    """Open walking data (GaitAnalysisToolKit, Apache-2.0), same low-pass: within 0.03 Nm/kg off the ends."""
    raw = np.loadtxt(outside_data / "leg2d" / "rawdata.txt", comments="%")
    names = ("hip_mm", "knee_mm", "malleolus_mm", "heel_mm", "toe_mm")

    def pairs(k: int) -> list:
        return [[None if np.isnan(v) else 1000 * v for v in row] for row in raw[:, k : k + 2].tolist()]

    points = {"time_s": raw[:, 0].tolist(), "low_pass_hz": 6, "moment_nm": raw[:, 15].tolist()}
    points |= {n: pairs(k) for n, k in zip(names, range(3, 13, 2), strict=True)}
    force = {"foot_x_n": raw[:, 13].tolist(), "foot_y_n": raw[:, 14].tolist()}
    got = told({"mass_kg": 67.2, "segments": "winter", "points": points, "force": force})
    expected = np.genfromtxt(
        outside_data / "leg2d" / "recomputed_documented_6hz.csv", delimiter=",", names=True
    )
    for joint in ("hip", "knee", "ankle"):
        found = np.array(got["joints"][joint]["moment_curve_nm"]) / 67.2
        assert np.abs(found - expected[f"moment_{joint}_nm_kg"])[15:286].max() < 0.03


def test_text_for_people():
    said = run(LEG).stdout
    assert "knee" in said
    assert "Energy: joints" in said
    assert "de Leva 1996" in said


def without(name: str) -> dict:
    return {k: v for k, v in LEG.items() if k != name}


def force(**columns: object) -> dict:
    return {**LEG, "force": columns}


ONES = [1.0] * 36
POINTS = {"time_s": [0.1 * k for k in range(9)], **{n: [[0, 0]] * 9 for n in ("hip_mm", "knee_mm")}}


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ("", "standard input: is empty"),
        ("[]", "is not a JSON object"),
        (without("mass_kg"), "mass_kg: is missing"),
        ({**LEG, "mass_kg": 7}, "mass_kg: outside the allowed range"),
        (without("segments"), "segments: unknown"),
        ({**LEG, "segments": "mine"}, "de_leva_female"),
        (without("twin"), "motion: is missing"),
        ({**LEG, "ride": {}}, "motion: is given more than once"),
        ({**LEG, "twin": 5}, "twin: is not a JSON object"),
        ({**LEG, "twin": {**TWIN, "hip_y_mm": 900}}, "cannot reach the pedal at crank angle"),
        ({**LEG, "cadence_rpm": "fast"}, "cadence_rpm: is not a number"),
        ({**LEG, "cadence_rpm": 500}, "cadence_rpm: outside"),
        (without("foot_length_mm"), "foot_length_mm: is missing"),
        ({**LEG, "shoe": 44}, "shoe: unknown field"),
        (without("force"), "force: is missing"),
        (force(crank_deg=CRANK), "force: must be told in one way"),
        (force(crank_deg=CRANK, pedal_x_n=ONES, foot_y_n=ONES), "force: must be told in one way"),
        (force(crank_deg=CRANK, pedal_x_n=ONES, pedal_y_n=ONES[:9]), "force: lists of different length"),
        (force(crank_deg=CRANK, pedal_x_n=ONES, pedal_y_n="x"), "force.pedal_y_n: is not a list"),
        (force(crank_deg=CRANK, pedal_x_n=ONES, pedal_y_n=[9e9] * 36), "force.pedal_y_n: outside"),
        (
            force(crank_deg=CRANK, pedal_x_n=ONES, pedal_y_n=[None] * 36),
            "force.pedal_y_n[0]: is not a number",
        ),
        (force(crank_deg=[k % 90 for k in CRANK], pedal_x_n=ONES, pedal_y_n=ONES), "does not cover the turn"),
        (force(pedal_x_n=ONES, pedal_y_n=ONES), "force.crank_deg: is missing"),
        ({**RIDER, "ride": {"curves": 3}, "force": FORCE}, "ride: is not what ride analyse"),
        (
            {"mass_kg": 70, "segments": "winter", "points": POINTS, "force": FORCE},
            "points.malleolus_mm: is missing",
        ),
    ],
)
def test_bad_input_is_one_line_and_exit_two(data, words):
    result = run(data, "--json")
    assert result.exit_code == 2
    assert words in result.stderr
    assert result.stderr.count("\n") == 1
    assert result.stdout == ""


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "has no rows"),
        ("crank_deg,pedal_x_n,pedal_y_n\n", "has no rows"),
        ("crank_deg,pedal_x_n,pedal_y_n\n0,1\n", "line 2 has 2 cells"),
        ("crank_deg,pedal_x_n,pedal_y_n\n0,1,up\n", "line 2, pedal_y_n is not a number"),
        ("angle,fx,fy\n0,1,2\n", "must be told in one way"),
        ("crank_deg,pedal_x_n,pedal_y_n\n0,1,2\n", "does not cover the turn"),
        ("crank_deg,pedal_x_n,pedal_y_n\n0,nan,2\n", "pedal_x_n"),
    ],
)
def test_a_bad_table_names_line_and_column(tmp_path, text, words):
    table = tmp_path / "pedal.csv"
    table.write_text(text)
    result = run(without("force"), "--force", str(table))
    assert result.exit_code == 2
    assert words in result.stderr
    assert result.stderr.count("\n") == 1


def test_files_that_are_not_there_or_twice(tmp_path):
    assert "not found" in run(without("force"), "--force", str(tmp_path / "no.csv")).stderr
    (tmp_path / "f.csv").write_bytes(b"\xff\xfe\x00")
    assert "is not text" in run(without("force"), "--force", str(tmp_path / "f.csv")).stderr
    (tmp_path / "r.json").write_text("{}")
    twice = run({**RIDER, "ride": {}, "force": FORCE}, "--ride", str(tmp_path / "r.json"))
    assert "ride: is given twice" in twice.stderr
