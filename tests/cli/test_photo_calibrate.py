"""`fitwright photo calibrate` on the published sample pictures, and with what cannot be calibrated."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from fitwright.cli.main import build

BOARD = ("--squares", "9x6", "--square-mm", "25", "--chessboard")


@pytest.fixture(scope="module")
def run(outside_data):
    """Run the command on the left pictures of OpenCV's set (README there: 13 views, focal length 532.76 px)."""
    files = sorted(str(p) for p in (outside_data / "calibration-images").glob("left*.jpg"))
    return lambda *words, some=13: CliRunner().invoke(build(), ["photo", "calibrate", *files[:some], *words])


def test_json_holds_the_calibration(run):
    data = json.loads(run(*BOARD, "--json").stdout)
    assert data["focal_px"]["value"] == pytest.approx(532.76, abs=1.0)
    assert data["focal_px"]["u"] < 1
    assert len(data["pictures"]) == 13
    assert data["outlier"] == ""
    assert set(data["distortion"]) == {"k1", "k2", "k3", "p1", "p2"}


def test_outlier_is_named_and_left_out_on_wish(run):
    words = run(*BOARD, "--window-px", "11").stdout
    assert "left02.jpg misses by 1.2" in words
    data = json.loads(run(*BOARD, "--window-px", "11", "--without", "left02.jpg", "--json").stdout)
    assert data["left_out"] == ["left02.jpg"]
    assert data["rms_px"] < 0.25


def test_counted_squares_are_understood(run):
    data = json.loads(run("--squares", "10x7", "--square-mm", "25", "--chessboard", "--json", some=4).stdout)
    assert len(data["pictures"]) == 4
    assert any("few" in note for note in data["notes"])


@pytest.mark.parametrize(
    ("words", "field"),
    [
        ((), "no scale card found"), (("--chessboard",), "--squares and --square-mm"),
        (("--squares", "9x6", "--square-mm", "25"), "dictionary"),
        (("--squares", "9by6", "--square-mm", "25", "--chessboard"), "squares"),
        (("--squares", "9x6", "--square-mm", "-3", "--chessboard"), "square_mm"),
        ((*BOARD, "--window-px", "0"), "window_px"), ((*BOARD, "--without", "holiday.jpg"), "leave_out"),
    ],
)  # fmt: skip
def test_bad_input_is_one_clear_line(run, words, field):
    done = run(*words, some=3)
    assert done.exit_code == 2
    assert field in done.output
    assert "Traceback" not in done.output
