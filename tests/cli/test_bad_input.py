"""The user who does everything wrong: each call ends in one line on stderr that names the field and what is allowed.

Every test here also checks (in `refused`) exit code 2, an empty stdout and no traceback. Bad twins, marker files and
marks have their own tests beside their commands.
"""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from rendered_sole import Scene, photograph, picked

START = ("feet", "start", "--m1", "201,-38", "--m5", "172,44", "--yaw", "7", "--lateral", "2")
MEASURE = ("feet", "measure", "{sole}", "--foot", "left", "--points", "{points}")
BOARD = ("--squares", "5x7", "--square-mm", "20", "--dictionary", "DICT_6X6_250")


@pytest.fixture
def points(sole_photo, tmp_path):
    """`points(m1=(u, v), ...)` writes picked points, some of them changed, and gives the file."""

    def write(**changed: object) -> Path:
        path = tmp_path / "points.json"
        path.write_text(json.dumps({"points": {**picked(*sole_photo[:2]), **changed}}))
        return path

    return write


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("nosuch",), "No such command 'nosuch'"),
        (("--nosuch",), "No such option: --nosuch"),
        (("feet", "start"), "Missing option '--m1'"),
        (("ride", "analyse"), "Missing argument 'video'"),
        (("ride", "import"), "Missing argument"),
        (("visit", "show"), "Missing argument 'visit'"),
        (("visit", "show", "first"), "'visit'.*valid integer"),
        (("visit", "show", "-1"), "No such option: -1"),
        (("plan", "whatif", "1"), "Missing option '--set'"),
        (("serve", "--port", "web"), "'--port'.*valid integer"),
        (("serve", "--studio"), "'--studio' requires an argument"),
        (("demo", "--seconds", "long"), "'--seconds'.*valid number"),
        (("card", "surplus"), "unexpected extra argument"),
        (("photo", "measure", "a.jpg", "--square-mm", "wide"), "'--square-mm'.*valid number"),
        (("ride", "import", "a\0b.trc"), "null byte"),
    ],
)
def test_a_wrong_call_names_the_word_and_where_to_look(refused, words, said):
    line = refused(*words)
    assert re.search(said, line)
    assert line.rstrip().endswith("--help") or "requires an argument" in line


@pytest.mark.parametrize("words", [(), ("visit",), ("photo",), ("feet",), ("ride",), ("twin",), ("plan",)])
def test_nothing_asked_shows_what_can_be_asked(fitwright_app, words):
    got = CliRunner().invoke(fitwright_app, list(words))
    assert got.stderr == ""
    assert "Usage" in got.output
    assert "Commands" in got.output


@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "1e308", "-17000", "17000"])
@pytest.mark.parametrize(
    ("words", "field", "allowed"),
    [
        ((*START, "--yaw"), "yaw", "-30 to 40 deg"),
        ((*START, "--lateral"), "lateral", "-40 to 40 mm"),
        ((*START, "--lambda"), "lambda", "-0.5 to 1.5"),
        ((*START, "--u-marks"), "u_marks", "0 to 20 mm"),
        ((*MEASURE, "--height-mm"), "height_mm", "-100 to 100 mm"),
        ((*MEASURE, "--u-pick-px"), "u_pick_px", "0.02 to 50 px"),
        ((*MEASURE, "--check-bar-mm"), "check_bar_mm", "90 to 110 mm"),
        (("photo", "measure", "{sole}", "--square-mm"), "square_mm", "0.1 to 500 mm"),
        (("photo", "measure", "{sole}", *BOARD, "--marker-mm"), "marker_mm", "4 to 19.6 mm"),
        (("ride", "analyse", "{sole}", "--view", "side", "--side", "left", "--points", "{marks}", "--crank-mm"),
         "crank_mm", "100 to 220 mm"),
        (("demo", "--no-serve", "--seconds"), "seconds", "6 to 60 s"),
    ],
)  # fmt: skip
def test_absurd_numbers_name_the_field_and_the_range(
    refused, sole_file, points, tmp_path, words, field, allowed, number
):
    marks = tmp_path / "marks.json"
    marks.write_text('{"time_s": 0, "points": {"pedal_axle": [3, 4]}}')
    places = {"{sole}": sole_file, "{points}": points(), "{marks}": marks}
    line = refused(*(places.get(w, w) for w in words), number)
    assert line.startswith(f"fitwright: {field}: outside the allowed range (got ")
    assert f"allowed: {allowed}" in line


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--m1", "150,-38"), "M1 lies behind M5"),
        (("--m5", "172,-44"), "M1 must lie further inward than M5"),
        (("--m1", "17000,-38"), "m1 x: outside.*80 to 350 mm"),
        (("--m1", "nan,-38"), "m1 x: outside.*80 to 350 mm"),
        (("--m5", "172,1e999"), "m5 z: outside.*-90 to 90 mm"),
        (("--m1", ""), "m1: not understood.*two numbers"),
        (("--m1", "1,2,3"), "m1: not understood.*two numbers"),
    ],
)
def test_foot_marks_that_cannot_be(refused, words, said):
    assert re.search(said, refused(*START, *words, "--json"))


def test_a_photograph_without_the_card(refused, points, tmp_path):
    import numpy as np
    from PIL import Image

    for name, size in (("across.jpg", (1200, 1600)), ("upright.jpg", (1600, 1200))):
        grain = np.random.default_rng(0).integers(90, 160, size, dtype=np.uint8)
        Image.fromarray(grain).save(tmp_path / name)
        assert "no scale card found" in refused("photo", "measure", tmp_path / name, "--json")
    line = refused("feet", "measure", tmp_path / "across.jpg", "--foot", "left", "--points", points())
    assert "no scale card found" in line


def test_a_card_that_is_partly_hidden_is_used_and_told(answered, sole_photo, points, tmp_path):
    from PIL import Image

    scene = Scene(foot="left", covered_mm=((-130.0, -150.0, -40.0, 60.0),))
    hidden = tmp_path / "halb verdeckt – 鞋.png"
    Image.fromarray(photograph(scene, sole_photo[1])).save(hidden)
    data = answered("feet", "measure", hidden, "--foot", "left", "--points", points(), "--json")
    assert data["cleat"]["x_c_mm"]["value"] == pytest.approx(187.2, abs=0.5)
    assert any(re.search(r"strip A: \d+ of 24 corners seen", note) for note in data["quality"]["notes"])


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"m1": (5000, 10)}, r"m1: lies outside the picture.*u 0 to 1599, v 0 to 1199 px"),
        ({"m1": (float("nan"), 10)}, "m1: lies outside the picture"),
        ({"toe": (float("inf"), 10)}, "toe: lies outside the picture"),
        ({"toe": (10**400, 10)}, "toe: a number far too large"),
        ({"toe": [1, 2, 3]}, r"toe: not a pair.*\[u, v\]"),
        ({"toe": "top"}, "toe: not a pair"),
        ({"nose": (3, 4)}, "unknown point 'nose'; allowed: heel_centre, toe"),
    ],
)
def test_points_that_cannot_be(refused, sole_file, points, changed, said):
    line = refused("feet", "measure", sole_file, "--foot", "left", "--points", points(**changed), "--json")
    assert re.search(said, line)


def test_m1_picked_behind_m5_and_a_sole_without_length(refused, sole_file, sole_photo, points):
    at = picked(*sole_photo[:2])
    along = {
        "m1": (at["m5"][0], at["m1"][1]),
        "m5": (at["m1"][0], at["m5"][1]),
    }  # the photograph lies on its side
    measure = ("feet", "measure", sole_file, "--foot", "left", "--points")
    assert "M1 lies behind M5" in refused(*measure, points(**along))
    assert re.search("unlikely length.*150 to 400 mm", refused(*measure, points(toe=at["heel_centre"])))


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "is not JSON"), (b"{nope", "is not JSON"), (b"[" * 100_000, "is not JSON"),
        (b"[1, 2]", 'no "points" object'),
        (b'{"a": "\xe9"}', "is not text"), (b'{"points": {}}', "heel_centre is missing"), (None, "is a folder"),
    ],
)  # fmt: skip
def test_files_of_points_that_are_none(refused, sole_file, tmp_path, content, said):
    file = tmp_path / "punkte ü.json"
    file.mkdir() if content is None else file.write_bytes(content)
    assert said in refused("feet", "measure", sole_file, "--foot", "left", "--points", file)


def test_a_board_half_described_is_not_ignored(refused, sole_file):
    for option, value in (("--marker-mm", "10"), ("--first-id", "-4")):
        assert "says nothing without a board" in refused("photo", "measure", sole_file, option, value)
    assert "first_id" in refused("photo", "measure", sole_file, *BOARD, "--first-id", "99999")
    assert "allowed: DICT_4X4_100" in refused("photo", "measure", sole_file, *BOARD[:-1], "NONE")


@pytest.mark.parametrize(
    ("command", "paper"),
    [
        (("card", "--paper"), "a3"),
        (("card", "--out", "{out}", "--paper"), "A4"),
        (("card", "--json", "--paper"), ""),
    ],
)
def test_unknown_paper_is_refused_even_when_nothing_is_written(refused, tmp_path, command, paper):
    out = tmp_path / "card.pdf"
    line = refused(*(out if w == "{out}" else w for w in command), paper)
    assert re.search("paper: unknown.*allowed: a4 or us-letter", line)
    assert not out.exists()


@pytest.fixture
def places(tmp_path):
    """Where nothing can be written: a folder, below a file, in no folder, under a name that is too long."""
    (tmp_path / "file").write_text("kept")
    return {
        "folder": tmp_path, "below a file": tmp_path / "file" / "x.pdf", "no folder": tmp_path / "none" / "x.pdf",
        "long name": tmp_path / ("x" * 300),
    }  # fmt: skip


@pytest.mark.parametrize("place", ["folder", "below a file", "no folder", "long name"])
def test_an_unwritable_target_leaves_nothing_behind(refused, tmp_path, places, place):
    before = sorted(tmp_path.rglob("*"))
    assert re.search("out: |file: ", refused("card", "--out", places[place]))
    assert sorted(tmp_path.rglob("*")) == before
    assert (tmp_path / "file").read_text() == "kept"


@pytest.mark.parametrize("place", ["folder", "below a file", "no folder"])
def test_an_unwritable_target_is_told_before_the_film_is_followed(refused, tmp_path, places, place):
    """The film does not exist: the target is looked at first."""
    marks = tmp_path / "marks.json"
    marks.write_text('{"time_s": 0, "points": {"pedal_axle": [3, 4]}}')
    options = (
        "--view",
        "side",
        "--side",
        "left",
        "--points",
        marks,
        "--crank-mm",
        "170",
        "--json",
        places[place],
    )
    assert refused("ride", "analyse", tmp_path / "none.mp4", *options).startswith("fitwright: json: ")


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("none.mp4", None, "does not exist"), ("empty.mp4", b"", "is empty"),
        ("text.mp4", b"words " * 99, "not a film"), ("фильм 片.mov", b"x", "not a film"),
        ("head.mp4", b"\0\0\0\x18ftypmp42" + bytes(600), "not a film that can be read"),
    ],
)  # fmt: skip
def test_what_is_no_film(refused, tmp_path, name, content, said):
    marks, film = tmp_path / "marks.json", tmp_path / name
    marks.write_text('{"time_s": 0, "points": {"pedal_axle": [3, 4]}}')
    if content is not None:
        film.write_bytes(content)
    options = ("--view", "side", "--side", "left", "--points", marks, "--crank-mm", "170", "--json")
    target = tmp_path / "out.json"
    line = refused("ride", "analyse", film, *options, target)
    assert line.startswith("fitwright: video: ")
    assert said in line
    assert name in line
    assert not list(tmp_path.glob("*out.json*"))


def test_an_unknown_choice_lists_what_there_is(refused, tmp_path, sole_file, points):
    marks = tmp_path / "marks.json"
    marks.write_text('{"time_s": 0, "points": {"pedal_axle": [3, 4]}}')
    foot = refused("feet", "measure", sole_file, "--foot", "middle", "--points", points())
    assert "foot: must be one of two (got 'middle'); allowed: left, right" in foot
    view = refused("ride", "analyse", sole_file, "--view", "above", "--points", marks, "--crank-mm", "170")
    assert "view: unknown (got 'above'); allowed: side, front" in view


COMMANDS = (
    "serve", "demo", "card", "visit list", "visit show", "visit position", "visit papers", "photo calibrate",
    "photo measure", "body hanging", "feet marks", "feet start", "feet measure", "feet compare",
    "ride import", "ride analyse", "ride export", "ride still", "twin solve", "twin whatif",
    "twin slopes", "twin dynamics", "plan solve", "plan whatif", "plan record", "ride guess",
    "studio backup", "studio check", "studio restore", "studio storage",
)  # fmt: skip


def test_every_command_is_listed_here(fitwright_app):
    import typer

    root = typer.main.get_command(fitwright_app)
    found = {
        f"{name} {sub}".strip()
        for name, command in root.commands.items()
        for sub in (getattr(command, "commands", None) or [""])
    }
    assert found == set(COMMANDS)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_an_example_that_is_a_real_call(fitwright_app, command):
    """Each example's words are a command with options that it has."""
    text = CliRunner().invoke(fitwright_app, [*command.split(), "--help"], env={"COLUMNS": "300"}).output
    examples = re.findall(
        rf"fitwright {command}([^\n│]*)", text.split("Example", 1)[1] if "Example" in text else ""
    )
    assert examples, f"no example in the help of {command}"
    known = set(re.findall(r"--[a-z][a-z0-9-]*", text.split("Options", 1)[1]))
    for example in examples:
        assert set(re.findall(r"--[a-z][a-z0-9-]*", example)) <= known


@pytest.mark.parametrize("command", [c for c in COMMANDS if c != "serve"])
def test_every_command_can_answer_in_json(fitwright_app, command):
    assert (
        "--json"
        in CliRunner().invoke(fitwright_app, [*command.split(), "--help"], env={"COLUMNS": "300"}).output
    )


def test_the_twin_in_the_help_works(fitwright_app, answered):
    text = CliRunner().invoke(fitwright_app, ["twin", "solve", "--help"], env={"COLUMNS": "200"}).output
    twin = json.loads(re.search(r"\{.*\}\}", text, re.DOTALL)[0])
    knee = answered("twin", "solve", "--json", given=json.dumps(twin))["knee_flexion_deg"]
    assert 20 < knee["min"] < knee["max"] < 130


@pytest.mark.django_db
class TestVisitsThatAreNotThere:
    """On a studio with one empty visit."""

    @pytest.fixture(autouse=True)
    def one_visit(self, db, settings, tmp_path):
        from fitwright.studio.visits import new_rider, open_visit

        settings.STUDIO_DIR = tmp_path / "studio"
        self.number = open_visit(new_rider("Rosa Lind", simulated=True)).pk

    @pytest.mark.parametrize("number", ["0", "99", "9" * 30])
    @pytest.mark.parametrize("words", [("visit", "show"), ("visit", "position"), ("plan", "solve")])
    def test_the_numbers_that_exist_are_told(self, refused, words, number):
        line = refused(*words, number, "--json")
        assert (
            line
            == f"fitwright: visit: there is none with this number (got {int(number)}); allowed: {self.number}\n"
        )

    def test_papers(self, refused, tmp_path):
        out = tmp_path / "papers"
        assert "there is none" in refused("visit", "papers", "99", "--out", out)
        assert "allowed: a4, us-letter" in refused(
            "visit", "papers", self.number, "--out", out, "--paper", "a3"
        )
        assert not out.exists()
        out.write_text("kept")
        assert re.search(
            "out: .* is a file; allowed: a folder", refused("visit", "papers", self.number, "--out", out)
        )
        assert "file: " in refused("visit", "papers", self.number, "--out", out / "deeper")
        assert out.read_text() == "kept"

    def test_a_plan_without_a_ride_says_what_is_missing(self, refused):
        assert "ride: there is none from the side" in refused("plan", "solve", self.number)
        assert "ride" in refused("plan", "whatif", self.number, "--set", "saddle_height=+5")

    @pytest.mark.parametrize("change", ["saddle_height", "saddle_height=up", "", "=", "saddle_height=5=6"])
    def test_a_change_that_is_none(self, refused, change):
        assert "--set: is not NAME=NUMBER" in refused("plan", "whatif", self.number, "--set", change)

    def test_what_is_there_is_strict_json_and_says_simulated(self, answered):
        assert answered("visit", "list", "--json")["visits"][0]["simulated"] is True
        assert answered("visit", "show", self.number, "--json")["simulated"] is True
        assert answered("visit", "position", self.number, "--json")["simulated"] is True
