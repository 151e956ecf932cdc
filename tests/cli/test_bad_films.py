"""`fitwright ride analyse` on films that go wrong: a value and a word on what is weak, or one line and what to do."""

from __future__ import annotations

import json
import math
import re
from contextlib import contextmanager
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
        ("two_turns", "pedal_axle: turns less than twice", "Film half a minute of steady riding"),
        ("dark", "video: the picture is all dark", "Film with more light, the lens uncovered"),
        ("slow", "video: too few frames per second", "Set the camera to 60 frames per second"),
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


@pytest.mark.parametrize("name", bad_films.NO_FILMS)
def test_what_is_no_film_is_one_line(refused, film, tmp_path, name):
    path, out = tmp_path / name, tmp_path / "out.json"
    path.write_bytes(bad_films.no_films(film("good"))[name])
    path.with_suffix(".json").write_bytes(film("good").with_suffix(".json").read_bytes())
    line = refused(*call(path, out))
    assert line.startswith(f"fitwright: video: {name} ")
    assert bad_films.NO_FILMS[name] in line
    assert re.search("Copy the clip from the camera again|Choose the clip itself", line)
    assert not out.exists()


ELSEWHERE = {"patella_left": [100, 100], "pedal_left": [100, 120]}


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"heel": [5000, 10]}, "heel: outside the picture.*allowed: across 0 to 639, down 0 to 359 px"),
        ({"heel": [-1, 10]}, "heel: outside the picture"),
        ({"heel": [math.nan, 10]}, "heel: not a number.*a finite number"),
        ({"heel": [10**400, 10]}, "heel: not a number.*a finite number"),
        ({"heel": "left"}, r"heel: not a pair of pixels.*\[u, v\]"),
        (
            {"heel": [100.0, 90.0], "pedal_axle": [100.2, 90.1]},
            "heel: is marked at the same place as pedal_axle",
        ),
        ({"pedal_axle": None}, "pedal_axle: not a pair of pixels"),
        (ELSEWHERE, "points: not a point of the side view.*patella_left, pedal_left.*allowed: acromion"),
    ],
)
def test_points_that_cannot_be_are_named_with_what_can(refused, film, tmp_path, changed, said):
    path = film("good")
    told = json.loads(path.with_suffix(".json").read_text("utf-8"))
    points, out = tmp_path / "points.json", tmp_path / "out.json"
    points.write_text(json.dumps(told | {"points": told["points"] | changed}), "utf-8")
    line = refused("ride", "analyse", path, *OPTIONS, "--points", points, "--json", out)
    assert re.match(f"fitwright: {said}", line), line
    assert not out.exists()


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "points.json is not JSON"),
        ("heel 3 4", "points.json is not JSON"),
        ("[" * 100_000, "points.json is not JSON"),
        ("\N{PILE OF POO}".encode("utf-16"), "points.json is not text; allowed: JSON in UTF-8"),
        (b" " * 1_000_001, "points.json is too large for marked points.*Is it the film?"),
        ("[1, 2]", 'not the form expected; allowed: {"time_s": t, "points"'),
        ('{"time_s": 0}', "not the form expected"),
        (None, "points.json does not exist"),
    ],
)
def test_a_file_of_points_that_is_none_is_named(refused, film, tmp_path, text, said):
    points, out = tmp_path / "points.json", tmp_path / "out.json"
    if text is not None:
        points.write_bytes(text.encode() if isinstance(text, str) else text)
    line = refused("ride", "analyse", film("good"), *OPTIONS, "--points", points, "--json", out)
    assert line.startswith("fitwright: points: ")
    assert re.search(said.replace("{", r"\{"), line), line
    assert not out.exists()


@pytest.mark.parametrize(
    ("time_s", "said"),
    [
        (99, r"time_s: after the end of the film \(got 99.0\); allowed: 0 to 2.30 s"),
        (-1, r"time_s: outside the allowed range \(got -1.0\); allowed: 0 to 36000 s"),
        (math.nan, "time_s: not a number"),
        ("soon", "time_s: not a number"),
    ],
)
def test_a_time_that_is_none_of_the_film_is_named(refused, film, tmp_path, time_s, said):
    path, points = film("good"), tmp_path / "points.json"
    told = json.loads(path.with_suffix(".json").read_text("utf-8"))
    points.write_text(json.dumps(told | {"time_s": time_s}), "utf-8")
    line = refused("ride", "analyse", path, *OPTIONS, "--points", points)
    assert re.match(f"fitwright: {said}", line), line


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--crank-mm", "0"), "crank_mm: outside the allowed range.*100 to 220 mm"),
        (("--crank-mm", "1725"), "crank_mm: outside the allowed range.*100 to 220 mm"),
        (("--crank-mm", "long"), "Invalid value for '--crank-mm'.*number.*See: .*--help"),
        (("--side", "left"), "side: the crank runs backward in this picture"),
        (("--side", "up"), "side: say which side was filmed.*left, right"),
        (("--view", "above"), "view: unknown.*side, front"),
        (("--view", "front"), "points: not a point of the front view.*allowed: .*patella_left"),
        (("--twin", "{points}"), "twin: good.json is not the result of a side film"),
        (("--twin", "none.json"), "twin: none.json does not exist"),
    ],
)
def test_what_is_asked_of_a_good_film_can_be_wrong_too(refused, film, tmp_path, words, said):
    path, out = film("good"), tmp_path / "out.json"
    asked = [path.with_suffix(".json") if w == "{points}" else w for w in words]
    line = refused(*call(path, out), *asked)
    assert re.match(f"fitwright: {said}", line), line
    assert not out.exists()


def test_points_of_a_leg_on_no_crank_are_refused_in_words(refused, film, tmp_path):
    """Marked in a row beside the rider: whatever is followed there, no traceback comes of it."""
    path, points = film("good"), tmp_path / "points.json"
    told = json.loads(path.with_suffix(".json").read_text("utf-8"))
    row = {n: [40.0 + 20.0 * k, 60.0] for k, n in enumerate(told["points"])}
    points.write_text(json.dumps(told | {"points": row}), "utf-8")
    line = refused("ride", "analyse", path, *OPTIONS, "--points", points)
    assert re.match("fitwright: (pedal_axle|points|video|cycles|side): ", line), line


def test_ten_minutes_are_stopped_at_will_and_nothing_half_is_left(fitwright_app, film, tmp_path, monkeypatch):
    from fitwright.cli import ride_analyse

    path, out = film("ten_minutes"), tmp_path / "out.json"
    seen: list[float] = []

    @contextmanager
    def pressed_soon():
        def tell(share: float, words: str) -> None:
            seen.append(share)
            raise KeyboardInterrupt

        yield tell

    monkeypatch.setattr(ride_analyse, "progress_line", pressed_soon)
    got = CliRunner().invoke(fitwright_app, [str(w) for w in call(path, out)])
    assert got.exit_code == 130, got.output
    assert "interrupted" in got.stderr
    assert "Traceback" not in got.output
    assert 0 < seen[0] < 0.2
    assert not list(tmp_path.glob("*out.json*"))
