"""`fitwright ride analyse` on films that go wrong: a value and a word on what is weak, or one line and what to do."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

import bad_films

OPTIONS = ("--view", "side", "--side", "right", "--crank-mm", "172.5")


@pytest.fixture
def film(tmp_path_factory):
    """`film("slow")`: the film; its points lie beside it."""
    return lambda name: bad_films.made(name, tmp_path_factory.getbasetemp())


def call(film: Path, json_out: Path) -> tuple[object, ...]:
    points = film.with_suffix(".json")
    return ("ride", "analyse", film, *OPTIONS, "--points", points, "--json", json_out)


@pytest.mark.parametrize(
    ("name", "said", "do"),
    [
        ("mirrored", "side: the crank runs backward in this picture", "Filmed from the other side, mirrored"),
        ("two_turns", "pedal_axle: turns less than twice", "film half a minute of steady riding"),
        ("dark", "video: the picture is all dark", "film with more light, the lens uncovered"),
        ("slow", "video: too few frames per second", "set the camera to 60 frames per second"),
    ],
)
def test_what_cannot_be_read_is_one_line_with_what_to_do(refused, film, tmp_path, name, said, do):
    path, out = film(name), tmp_path / "out.json"
    before = path.with_suffix(".json").read_bytes()
    line = refused(*call(path, out))
    assert line.startswith(f"fitwright: {said}")
    assert do in line
    assert not list(tmp_path.glob("*out.json*"))
    assert path.with_suffix(".json").read_bytes() == before


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("good", "Only 3 whole turns; 30 or more give a stable mean. Record longer."),
        ("portrait", "Only 3 whole turns"),
        ("stopping", r"The pedals stand still from 2.9 to 4.0 s. Only whole turns at an even pace count"),
        ("moving_camera", "against fixed 1, fixed 2: taken off all points"),
        ("two_riders", "Only 3 whole turns"),
        ("white", "of the picture is burnt out to plain white"),
        ("smeared", "fast points are smeared. More light, or a shorter exposure"),
        ("uneven", "Only 4 whole turns"),
        (
            "torn",
            "The film is damaged: 0.9 s of 3.3 s at its end could not be read; copy it from the camera again",
        ),
        ("large", "Only 3 whole turns"),
    ],
)
def test_what_can_be_read_is_right_and_says_what_is_weak(fitwright_app, film, tmp_path, name, said):
    out = tmp_path / "out.json"
    got = CliRunner().invoke(fitwright_app, [str(w) for w in call(film(name), out)])
    assert got.exit_code == 0, got.output
    told = json.loads(out.read_text("utf-8"))
    knee, truth = told["knee_flexion_deg"]["min"], bad_films.knee_least_deg()
    assert abs(knee["value"] - truth) < min(1.3, 1.96 * knee["u"])
    assert told["cadence_rpm"]["value"] == pytest.approx(bad_films.RPM, abs=0.1)
    assert any(said in note for note in told["advice"]), told["advice"]
    assert said in got.stdout


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("coarse", "the crank turns 24°: too coarse for 100 rpm. Film at 60 frames a second."),
        ("mixed_legs", "it seems to be marked on the other leg's pedal. Mark it again."),
    ],
)
def test_what_must_not_be_trusted_says_so(fitwright_app, film, tmp_path, name, said):
    got = CliRunner().invoke(fitwright_app, [str(w) for w in call(film(name), tmp_path / "out.json")])
    assert got.exit_code == 0, got.output
    assert said in got.stdout


def test_a_picture_that_was_renamed(refused, film, tmp_path):
    from PIL import Image

    path = tmp_path / "rider.mp4"
    Image.new("RGB", (64, 48), "grey").save(path, "JPEG")
    path.with_suffix(".json").write_bytes(film("good").with_suffix(".json").read_bytes())
    line = refused(*call(path, tmp_path / "out.json"))
    assert line == "fitwright: video: rider.mp4 is a picture, not a film. Choose the clip itself\n"
