"""`fitwright feet start`: the worked figure, other rules, and what can be bolted."""

from __future__ import annotations

import pytest

START = ("feet", "start", "--m1", "201,-38", "--m5", "172,44", "--yaw", "7", "--lateral", "2")


def test_the_worked_figure_and_what_others_would_give(answered):
    start = answered(*START, "--json")
    assert start["x_c_mm"] == pytest.approx(186.38, abs=0.005)
    assert (start["z_c_mm"], start["psi_c_deg"], start["lambda"]) == (2.0, 7.0, 0.5)
    others = {o["key"]: o for o in start["others"]}
    assert others["m1"]["x_c_mm"] == pytest.approx(186.38 + 14.5 + 41 * 0.12278, abs=0.01)
    assert "no source" in others["m5"]["rule"]
    assert "midway" not in others  # that is the wish itself


def test_u_of_the_marks_is_taken(answered):
    sure, unsure = (
        answered(*START, "--u-marks", u, "--u-yaw", "0", "--json")["measured"]["x_c_mm"]["u"]
        for u in ("0.5", "2")
    )
    assert unsure == pytest.approx(4 * sure)


def test_what_can_be_bolted(answered):
    near = answered(*START, "--system", "two_bolt", "--pattern", "171,0", "--json")["reachable"]
    assert not near["exact"]
    assert near["words"].startswith("1.9 mm short towards the toe")
    assert near["x_c_mm"] + near["missing"]["x_mm"] == pytest.approx(186.377, abs=0.001)
    assert answered(*START, "--system", "two_bolt", "--pattern", "186,2", "--json")["reachable"]["exact"]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (("--system", "two_bolt"), "one without the other"),
        (("--system", "none", "--pattern", "1,2"), "three_bolt_wide"),
        (("--system", "two_bolt", "--pattern", "here"), "two numbers X,Z"),
    ],
)
def test_half_an_answer_is_asked_for_the_rest(refused, more, words):
    assert words in refused(*START, *more)
