"""When it feels worse: by how much, against what, and what to do."""

from __future__ import annotations

import pytest

from fitwright.plan.feeling import Moment, advice, worse_now

KNEE, BACK, ALL = ("pain", "knee_left"), ("pain", "lower_back"), ("comfort", "overall")
WORDS = {KNEE: "Knee, left", BACK: "Lower back", ALL: "Comfort overall"}


def course(*said: dict) -> list[Moment]:
    labels = ["on arrival", "lower the saddle 8 mm", "move the cleat back 3 mm", "raise the bar 5 mm"]
    return [Moment(label, ratings) for label, ratings in zip(labels, said, strict=False)]


def test_nothing_is_said_while_nothing_feels_worse():
    assert advice(course({KNEE: 4}, {KNEE: 3, ALL: 6}), WORDS) == ()
    assert advice(course({KNEE: 4}), WORDS) == ()


def test_two_points_end_the_day():
    words = advice(course({KNEE: 2}, {KNEE: 4}), WORDS)
    assert words[0] == "Knee, left: pain rose from 2 to 4 of 10"
    assert words[-1].startswith("Undo the last step (lower the saddle 8 mm), and stop for today")


def test_one_point_is_asked_again():
    words = advice(course({KNEE: 2}, {KNEE: 3}), WORDS)
    assert "ask again" in words[-1]
    assert not any("Undo" in w for w in words)


def test_one_point_twice_is_two_since_arrival():
    (worse,) = worse_now(course({KNEE: 2}, {KNEE: 3}, {KNEE: 4}))
    assert (worse.before, worse.stop) == (2, True)


def test_a_pain_that_got_better_and_came_back_is_told():
    (worse,) = worse_now(course({KNEE: 6}, {KNEE: 2}, {KNEE: 4}))
    assert (worse.before, worse.now, worse.stop) == (2, 4, True)


@pytest.mark.parametrize(("now", "stop"), [(1, False), (2, True)])
def test_a_pain_that_nobody_named_is_new(now, stop):
    (worse,) = worse_now(course({KNEE: 2}, {KNEE: 2, BACK: now}))
    assert (worse.site, worse.before, worse.stop) == (BACK, None, stop)
    assert "was not named before" in advice(course({KNEE: 2}, {KNEE: 2, BACK: now}), WORDS)[0]


def test_comfort_counts_the_other_way():
    assert worse_now(course({ALL: 5}, {ALL: 7})) == ()
    assert worse_now(course({ALL: 5}, {ALL: 4})) == ()
    (worse,) = worse_now(course({ALL: 5}, {ALL: 7}, {ALL: 4}))
    assert worse.stop


def test_a_step_that_was_taken_back_already_is_not_asked_back():
    moments = [*course({KNEE: 2}), Moment("undone: lower the saddle 8 mm", {KNEE: 5}, undone=True)]
    assert advice(moments, WORDS)[-1].startswith("It was taken back already, and stop for today")
