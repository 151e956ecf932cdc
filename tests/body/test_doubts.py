"""What is asked about before it is kept."""

from __future__ import annotations

import pytest

from fitwright.body.doubts import doubts
from fitwright.body.reference import reference, span
from fitwright.body.sided import SIDED, ratio
from fitwright.quantity import Measured

WOMAN = {
    "height_mm": 1650.0, "inseam_mm": 790.0, "thigh_mm": 384.0, "shank_mm": 404.0, "foot_length_left_mm": 246.0,
    "foot_length_right_mm": 247.0, "ball_length_left_mm": 182.0, "foot_breadth_left_mm": 93.0,
    "leg_length_left_mm": 860.0, "leg_length_right_mm": 868.0, "leg_length_difference_mm": 5.0,
}  # fmt: skip


def about(values, sex="F"):
    return [d.about for d in doubts(values, sex)]


def test_a_usual_body_raises_no_question():
    assert doubts(WOMAN, "F") == ()


def test_the_edge_is_0_1_and_99_9_percent():
    low, high = span("stature_mm", "F")
    assert about({"height_mm": low + 0.1}) == about({"height_mm": high - 0.1}) == []
    assert about({"height_mm": low - 0.1}) == about({"height_mm": high + 0.1}) == [("height_mm",)]
    ref = reference("stature_mm", "F")
    assert (high - ref.mean) / ref.sd == pytest.approx(3.0902, abs=1e-4)  # z of 99.9 %


@pytest.mark.parametrize(
    ("change", "asked"),
    [
        ({"ball_length_left_mm": 200.0}, ("ball_length_left_mm", "foot_length_left_mm")),
        ({"foot_breadth_left_mm": 108.0}, ("foot_breadth_left_mm",)),
        ({"inseam_mm": 700.0}, ("inseam_mm", "height_mm")),
        ({"foot_length_right_mm": 262.0}, ("foot_length_right_mm", "foot_length_left_mm")),
        (
            {"leg_length_difference_mm": -20.0},
            ("leg_length_difference_mm", "leg_length_right_mm", "leg_length_left_mm"),
        ),
    ],
)
def test_what_hardly_goes_together(change, asked):
    found = doubts(WOMAN | change, "F")
    assert asked in [d.about for d in found]
    assert all("soldiers" in d.words for d in found if "%" in d.words)


def test_words_name_value_range_and_sample():
    (doubt,) = doubts({"ball_length_left_mm": 132.0}, "F")
    assert "132 mm is outside 152 to 212 mm" in doubt.words
    assert "1986 women, soldiers" in doubt.words
    assert "right side" in doubt.words
    assert "mixed half and half" in doubts({"height_mm": 1000.0})[0].words


def test_limits_hold_the_sample_and_names_are_unique():
    for m in SIDED:
        if m.sample:
            for sex in "MF":
                low, high = span(m.sample, sex)
                assert m.low < low < high < m.high, m.stem
    assert len({m.name("left") for m in SIDED}) == len(SIDED)


def test_arch_height_index_is_a_plain_ratio_with_its_uncertainty():
    index = ratio(Measured(62.0, 2.0, "mm"), Measured(182.0, 3.0, "mm"), "x")
    assert index.value == pytest.approx(0.3407, abs=1e-4)
    draws = (62 + 2 * _normal(1)) / (182 + 3 * _normal(2))
    assert index.u == pytest.approx(draws.std(), rel=0.02)


def _normal(seed):
    import numpy as np

    return np.random.default_rng(seed).normal(size=200_000)
