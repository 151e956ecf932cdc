"""`fitwright ride guess`: marks that name their guesses, words for a frame or a file that cannot be used."""

from __future__ import annotations

import json

import numpy as np
import pytest
from typer.testing import CliRunner

from fitwright.cli.ride import app
from fitwright.studio.film import Marks
from fitwright.vision.landmark_net import describe
from landmark_file import leg_film, onnx_body

LEG = np.array([[150.0, 90.0], [190.0, 130.0], [165.0, 185.0]])
"""Hip, knee, ankle, px."""
GUESSED = ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "heel", "fifth_metatarsal")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A film of 1.5 s in which the leg moves a little and once is too long, and a network."""
    made = tmp_path_factory.mktemp("guess")
    legs = [LEG + 3 * np.sin(i / 5) for i in range(30)]
    legs[4] = LEG * [1.0, 1.2]
    leg_film(made / "side.mp4", legs)
    (made / "net.onnx").write_bytes(onnx_body())
    (made / "wavers.onnx").write_bytes(onnx_body(stuck=0.5))
    return made


@pytest.fixture
def run(folder):
    """Call `ride guess` on the film with a network by name, its digest stated."""

    def call(*more: object, net: str = "net.onnx", stated: bool = True, film: str = "side.mp4"):
        digest = ["--sha256", describe(folder / net).sha256] if stated else []
        words = ["guess", folder / film, "--side", "right", "--model", folder / net, *digest, *more]
        return CliRunner().invoke(app, [str(w) for w in words])

    return call


def said(done) -> str:
    assert done.exit_code == 2, done.output
    assert "Traceback" not in done.output
    return done.output


def test_the_points_are_marks_that_name_what_is_guessed(run, folder):
    out = folder / "points.json"
    done = run("--at", "0.8", "--json", out)
    assert done.exit_code == 0, done.output
    assert "a guess, ±" in done.output
    assert "estimate ± 12°" in done.output
    assert "pedal_axle is no place of the body" in done.output
    told = json.loads(out.read_text("utf-8"))
    assert tuple(told["points"]) == GUESSED
    assert set(told["guessed"]) == set(GUESSED)
    assert told["time_s"] == pytest.approx(0.8)
    assert told["points"]["lateral_femoral_condyle"] == pytest.approx(LEG[1] + 3 * np.sin(16 / 5), abs=1.5)
    assert told["model"]["sha256"] == describe(folder / "net.onnx").sha256
    marks = Marks.read(out)
    assert marks.guessed == set(GUESSED)
    least = told["scale"]["px_per_mm"] * np.array([25, 25, 35, 35, 35])
    assert [told["guessed"][n]["u_px"] for n in GUESSED] == pytest.approx(least, abs=0.01)
    assert least[0] >= 25 * np.hypot(*(LEG[2] - LEG[1])) / 423


def test_what_a_hand_marked_stays_and_is_no_guess(run, folder):
    hand = folder / "hand.json"
    places = {"pedal_axle": [170, 220], "bottom_bracket": [170, 180], "lateral_femoral_condyle": [191, 131]}
    hand.write_text(json.dumps({"time_s": 0.8, "points": places}), "utf-8")
    told = json.loads(run("--points", hand, "--crank-mm", "172.5", "--json", "-").stdout)
    assert told["points"]["lateral_femoral_condyle"] == [191, 131]
    assert set(told["guessed"]) == set(GUESSED) - {"lateral_femoral_condyle"}
    assert "crank" in told["scale"]["from"]
    assert told["scale"]["px_per_mm"] == pytest.approx(40 / 172.5, rel=0.03)
    assert told["notes"] == []


def test_without_a_moment_a_steady_frame_is_found(run):
    told = json.loads(run("--json", "-").stdout)
    assert told["time_s"] != pytest.approx(0.2, abs=0.01)
    assert told["spread_deg"] <= 3.0


def test_a_rejected_frame_is_said_with_others_to_try(run):
    words = said(run("--at", "0.2"))
    assert "shank is" in words or "thigh is" in words
    assert "Try " in words
    assert "knee’s angle differs" in said(run("--at", "0.8", net="wavers.onnx"))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--view", "front"), "nothing is guessed from there"),
        (("--at", "99"), "after the end of the film"),
        (("--box", "1,2,3"), "left,top,right,bottom"),
        (("--box", "0,0,900,100"), "within 320 × 240 px"),
        (("--crank-mm", "17"), "100 to 220 mm"),
        (("--side", "above"), "left, right"),
    ],
)
def test_wrongs_are_one_line(run, more, words):
    assert words in said(run(*more))


def test_files_that_are_none_are_told_apart(run, folder):
    assert "SHA-256" in said(run(stated=False))
    (folder / "picture.tflite").write_bytes(b"\xff\xd8\xff" + bytes(99))
    words = ["guess", str(folder / "side.mp4"), "--side", "right", "--model", str(folder / "picture.tflite")]
    assert "a picture (JPEG), no network" in said(CliRunner().invoke(app, words))
    (folder / "no.mp4").write_bytes(b"no film")
    assert "no.mp4" in said(run(film="no.mp4"))
