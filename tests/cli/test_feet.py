"""`fitwright feet`, `photo` and `card` as a user types them."""

from __future__ import annotations

import json

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from fitwright.cli import card, feet, photo
from fitwright.vision.boards import find_boards
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.picture import Picture
from rendered_sole import SOLE, picked


@pytest.fixture(scope="module")
def app():
    commands = typer.Typer(pretty_exceptions_enable=False)
    commands.command("card")(card.card)
    commands.add_typer(photo.app, name="photo")
    commands.add_typer(feet.app, name="feet")
    return commands


@pytest.fixture(scope="module")
def run(app):
    def call(*words, code=0):
        result = CliRunner().invoke(app, [str(w) for w in words])
        assert result.exit_code == code, result.output
        if code:
            assert "Traceback" not in result.output
            assert len(result.stderr.strip().splitlines()) == 1
            return result.stderr
        return result.stdout

    return call


@pytest.fixture(scope="module")
def points_file(sole_photo, tmp_path_factory):
    path = tmp_path_factory.mktemp("points") / "points.json"
    path.write_text(json.dumps({"points": picked(*sole_photo[:2])}))
    return path


START = ("feet", "start", "--m1", "201,-38", "--m5", "172,44", "--yaw", "7", "--lateral", "2")


def test_start_prints_the_worked_figure(run):
    data = json.loads(run(*START, "--json"))
    assert data["x_c_mm"] == pytest.approx(186.38, abs=0.005)
    assert (data["z_c_mm"], data["psi_c_deg"]) == (2.0, 7.0)
    assert data["measured"]["x_c_mm"]["u"] > 0
    assert "186.4" in run(*START)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("--m1", "150,-38"), "M1 lies behind M5"),
        (("--m1", "201"), "m1: not understood"),
        (("--yaw", "95"), "yaw: outside the allowed range"),
        (("--lambda", "7"), "lambda: outside"),
        (("--u-mark", "-1"), "u_mark"),
    ],
)
def test_start_with_bad_input_says_one_line_and_exits_with_two(run, change, words):
    assert words in run(*START, *change, code=2)


def test_measure_then_compare(run, sole_file, points_file, tmp_path):
    text = run("feet", "measure", sole_file, "--foot", "left", "--points", points_file, "--json")
    data = json.loads(text)
    assert data["cleat"]["x_c_mm"]["value"] == pytest.approx(187.2, abs=0.3)
    assert set(data["cleat"]["psi_c_deg"]) >= {"value", "u"}
    assert data["m1_mm"]["x"]["value"] == pytest.approx(SOLE["m1"][0], abs=0.4)
    assert data["length_mm"]["value"] == pytest.approx(281, abs=0.4)
    assert set(data["datums"]) == {"datum_1", "datum_2", "datum_3"}
    reading = tmp_path / "left.json"
    reading.write_text(text)
    same = json.loads(run("feet", "compare", reading, reading, "--json"))
    assert same["shift_mm"]["x"]["value"] == pytest.approx(0, abs=1e-9)
    assert same["shift_mm"]["x"]["u"] > 0
    assert not same["distinguishable"]
    assert "leave it" in run("feet", "compare", reading, reading)
    assert "left sole, length 281" in run(
        "feet", "measure", sole_file, "--foot", "left", "--points", points_file
    )


def test_measure_refuses_what_it_cannot_use(run, sole_file, points_file, tmp_path):
    measure = ("feet", "measure", sole_file, "--foot")
    assert "looks like the left sole" in run(*measure, "right", "--points", points_file, code=2)
    assert "does not exist" in run(*measure, "left", "--points", tmp_path / "none.json", code=2)
    assert "check_bar_mm" in run(*measure, "left", "--points", points_file, "--check-bar-mm", "20", code=2)
    assert "not a picture" in run(
        "feet", "measure", points_file, "--foot", "left", "--points", points_file, code=2
    )


def test_photo_measure_maps_points_on_our_card(run, sole_file):
    data = json.loads(
        run("photo", "measure", sole_file, "--point", "800,600", "--point", "812.5,590", "--json")
    )
    assert data["unit"] == "mm"
    assert len(data["points"]) == 2
    assert data["points"][0]["x"]["u"] > 0
    assert "corners" in run("photo", "measure", sole_file)


def test_photo_measure_with_bad_input(run, sole_file, tmp_path):
    assert "outside the picture" in run("photo", "measure", sole_file, "--point", "5000,1", code=2)
    assert "point: not understood" in run("photo", "measure", sole_file, "--point", "a", code=2)
    assert "--square-mm" in run("photo", "measure", sole_file, "--squares", "5x7", code=2)
    assert "is a folder" in run("photo", "measure", tmp_path, code=2)


@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_card_is_written_at_true_size(run, tmp_path, paper):
    """The PDF is rendered by pymupdf at 10 px/mm: every corner found, scale right to 1e-4."""
    pymupdf = pytest.importorskip("pymupdf")
    out = tmp_path / "card.pdf"
    data = json.loads(run("card", "--out", out, "--paper", paper, "--json"))
    assert data["check_bar_mm"] == 100.0
    (page,) = pymupdf.open(out)
    shot = page.get_pixmap(dpi=254, colorspace=pymupdf.csGRAY)
    grey = np.frombuffer(shot.samples, np.uint8).reshape(shot.h, shot.stride)[:, : shot.w].copy()
    for board in find_boards(Picture(grey, "card"), SCALE_CARD.strips):
        assert len(board.corner_ids) == 24
        along = board.corners_px[-1] - board.corners_px[0]
        assert np.hypot(*along) / 10 == pytest.approx(np.hypot(20.0, 220.0), rel=1e-4)
    described = {(b["dictionary"], b["first_id"], b["square_mm"], b["marker_mm"]) for b in data["boards"]}
    assert described == {("DICT_5X5_100", 0, 20.0, 14.0), ("DICT_5X5_100", 20, 20.0, 14.0)}


def test_card_with_bad_input(run, tmp_path):
    assert "allowed: a4 or us-letter" in run("card", "--out", tmp_path / "c.pdf", "--paper", "a3", code=2)
    assert "there is no folder" in run("card", "--out", tmp_path / "none" / "c.pdf", code=2)


@pytest.mark.parametrize(
    "command",
    [
        ("feet", "start"),
        ("feet", "measure"),
        ("feet", "compare"),
        ("feet", "marks"),
        ("photo", "measure"),
        ("card",),
    ],
)
def test_help_shows_an_example(run, command):
    text = run(*command, "--help")
    assert "Example" in text
    assert f"fitwright {' '.join(command)}" in text


OBSERVATIONS = [
    {"source": "sole", "values": {"m1_x": 201, "m1_z": -38, "m5_x": 172, "m5_z": 44}, "u": 0.7},
    {"source": "ruler", "values": {"m1_x": 208}, "u": 1.5},
]


def test_marks_are_combined_and_a_conflict_is_named(run, tmp_path):
    path = tmp_path / "observations.json"
    path.write_text(json.dumps(OBSERVATIONS))
    data = json.loads(run("feet", "marks", path, "--json"))
    w = np.array([0.7**-2, 1.5**-2])
    assert data["m1_mm"]["x"]["value"] == pytest.approx(float(w @ [201, 208] / w.sum()))
    (conflict,) = data["conflicts"]
    assert conflict["coordinate"] == "m1_x"
    assert conflict["difference_mm"]["value"] == pytest.approx(7.0)
    assert data["coordinates"]["m1_x"]["u"] == pytest.approx(conflict["birge_ratio"] / np.sqrt(w.sum()))
    assert data["guessed"] == []
    assert "measure M1 again" in run("feet", "marks", path)
    path.write_text(json.dumps({"observations": OBSERVATIONS[1:]}))
    data = json.loads(run("feet", "marks", path, "--foot-length", "265", "--sex", "M", "--json"))
    assert data["guessed"] == ["m1_z", "m5_x", "m5_z"]
    assert data["coordinates"]["m5_x"]["value"] == pytest.approx(6 + 0.63 * 265)
    assert "m5_x: not known" in run("feet", "marks", path)


def test_marks_with_bad_input(run, tmp_path):
    path = tmp_path / "observations.json"
    for text, words in (
        ("[", "is not JSON"), ("[" * 100_000, "is not JSON"),
        ("7", "no list of observations"), ("[]", "no observation in it"), ("[3]", "no list"),
        ('[{"values": {"m1_x": "long"}, "u": 1}]', "observation 1"),
        ('[{"values": {"m1_x": 201}, "u": -1}]', "observation 1"),
        ('[{"values": {"m1_x": 2010}, "u": 1}]', "80 to 350 mm"),
        ('[{"values": {"m1_x": 201}, "u": NaN}]', "no usable uncertainty"),
        ('[{"values": {"x": 201}, "u": 1}]', "m1_x, m1_z, m5_x, m5_z"),
        ('[{"values": {"m1_x": 172, "m5_x": 201}, "u": 1}]', "look swapped"),
        ('[{"values": {"m1_z": -9, "m5_z": 20}, "u": 1}]', "40 to 130 mm"),
    ):  # fmt: skip
        path.write_text(text)
        assert words in run("feet", "marks", path, code=2)
    path.write_text(json.dumps(OBSERVATIONS))
    assert "foot_length" in run("feet", "marks", path, "--foot-length", "26", code=2)
    assert "sex" in run("feet", "marks", path, "--foot-length", "260", "--sex", "x", code=2)
    assert "does not exist" in run("feet", "marks", tmp_path / "none.json", code=2)


def test_the_example_of_marks_works_as_it_stands(run, tmp_path, monkeypatch):
    """The JSON of the help's example, typed into a file."""
    text = run("feet", "marks", "--help")
    told = text[text.index("echo '") + 6 : text.index("]'") + 1]
    path = tmp_path / "observations.json"
    path.write_text(" ".join(line.strip(" │") for line in told.splitlines()))
    assert json.loads(path.read_text()) == OBSERVATIONS
    assert json.loads(run("feet", "marks", path, "--json"))["conflicts"]
