"""Time left is told at the mean pace, not before it can be, and in round words."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.studio.time_left import seconds_left, words_left


@given(st.floats(2.0, 3600.0), st.floats(0.02, 1.0))
def test_even_work_ends_when_told(whole_s, share):
    spent = whole_s * share
    left = seconds_left(share, spent)
    assert left is None if spent < 1.0 else left == pytest.approx(whole_s - spent, abs=1e-6 * whole_s)


@pytest.mark.parametrize(("share", "spent_s"), [(0.0, 100.0), (0.01, 5.0), (0.5, 0.2)])
def test_nothing_is_told_before_the_pace_shows(share, spent_s):
    assert seconds_left(share, spent_s) is None
    assert words_left(seconds_left(share, spent_s)) == ""


def test_more_than_all_leaves_nothing():
    assert seconds_left(1.1, 10.0) == 0.0


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.2, "about 1 s left"), (17.4, "about 17 s left"), (41.0, "about 40 s left"), (89.0, "about 90 s left"),
     (95.0, "about 2 min left"), (480.0, "about 8 min left")],
)  # fmt: skip
def test_words(seconds, words):
    assert words_left(seconds).replace("\N{NO-BREAK SPACE}", " ") == words
