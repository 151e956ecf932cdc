"""Findings, bands and their conversions, red flags, adjustables, and the cleat's geometry."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.plan import red_flags
from fitwright.plan.adjustables import Setting, all_names, canonical, instruction, split
from fitwright.plan.findings import asymmetries, find_all, judge, side_notes
from fitwright.plan.reading import axle_under_foot
from fitwright.plan.targets import DYNAMIC_2D, DYNAMIC_3D, STATIC_2D, TARGETS, band_for, convert
from fitwright.plan.types import Target, find
from fitwright.quantity import Measured

BAND = Target("knee_flexion_deg.bdc", "Knee", 30, 40, "deg", "x", "study", DYNAMIC_2D)
STATIC = Target("knee_flexion_deg.bdc", "Knee", 25, 35, "deg", "x", "review", STATIC_2D)


@pytest.mark.parametrize(
    ("value", "u", "state"),
    [
        (35, 1, "in"),
        (25, 1, "low"),
        (45, 1, "high"),
        (31, 1, "unclear"),
        (29, 1, "unclear"),
        (35, 6, "unclear"),
    ],
)
def test_states(value, u, state):
    assert judge(BAND, "right", Measured(value, u, "deg")).state == state


def test_causes_point_the_right_way():
    low, high = judge(BAND, "right", Measured(25, 1, "deg")), judge(BAND, "right", Measured(45, 1, "deg"))
    assert any("saddle high" in c for c in low.causes)
    assert any("saddle low" in c for c in high.causes)
    assert judge(BAND, "right", Measured(35, 1, "deg")).causes == ()


def test_static_band_becomes_dynamic_by_8_2_and_3d_by_2_2():
    """Bini & Hume 2016 (+8.2 ± 5.0°, n = 30) and Fonda 2014 (+2.2°): bands move by the mean."""
    moved = convert(STATIC, DYNAMIC_2D)
    assert (moved.target.low, moved.target.high) == (pytest.approx(33.2), pytest.approx(43.2))
    assert moved.u == pytest.approx(5.0 / math.sqrt(30))
    assert "scatter by 5°" in moved.note
    space = convert(BAND, DYNAMIC_3D).target
    assert (space.low, space.high) == (pytest.approx(32.2), pytest.approx(42.2))
    back = convert(replace(BAND, method=DYNAMIC_3D), DYNAMIC_2D).target
    assert back.low == pytest.approx(27.8)


def test_no_conversion_no_comparison():
    trunk = Target("trunk_inclination_deg.mean", "Trunk", 30, 45, "deg", "x", "opinion", {"state": "static"})
    assert "no published conversion" in convert(trunk, DYNAMIC_2D).refused
    top = replace(STATIC, key="knee_flexion_deg.max")
    assert convert(top, DYNAMIC_2D).refused  # the conversion was measured at the bottom only
    assert "does not say its state" in convert(STATIC, {"dimension": "2-D"}).refused


def test_the_band_of_the_own_method_wins():
    assert band_for([STATIC, BAND], DYNAMIC_2D).target == BAND
    assert band_for([BAND, STATIC], STATIC_2D).target == STATIC
    with pytest.raises(InputError):
        band_for([], DYNAMIC_2D)


def test_every_shipped_band_names_its_source():
    for t in TARGETS:
        assert t.source
        assert t.low < t.high
        assert t.strength in ("study", "review", "opinion", "practice")


def test_one_knee_band_drives_per_method(visit):
    """A 2-D film is judged once near the bottom, not also by the converted static band."""
    ids = [f.id for f in find_all(visit()) if f.target.role == "target" and "knee_flexion" in f.id]
    assert ids == ["right.knee_flexion_deg.crank_in_line"]
    static = visit()
    static = replace(static, ride=replace(static.ride, method=STATIC_2D))
    found = find(find_all(static), "right.knee_flexion_deg.bdc")
    assert (found.target.low, found.target.high) == (25, 35)


def test_refused_comparison_is_shown_with_its_reason(visit):
    odd = Target("knee_flexion_deg.max", "Greatest", 100, 110, "deg", "x", "study", STATIC_2D)
    found = find_all(visit(targets=(odd,)))
    assert found[0].refused
    assert found[0].probability_in == 0.0


def test_worked_cleat_figure(visit):
    """Own worked figure: M1 (201, −38), M5 (172, 44), λ 0.5, φ 7°, z 2 → x 186.38 mm; so λ of that pose is 0.5."""
    zero = np.zeros((2, 2))
    inputs = visit(
        cleats={"right": CleatPose(186.38, 2.0, 7.0, np.zeros((3, 3)))},
        marks={"right": (SolePoint(201, -38, zero), SolePoint(172, 44, zero))},
    )
    value = axle_under_foot(inputs, "right", Measured(7.0, 0.0, "deg"))
    assert value.value == pytest.approx(0.5, abs=2e-4)
    assert value.u == pytest.approx(0.0, abs=1e-6)


def test_lambda_uncertainty_by_simulation(visit):
    """First-order u against 20 000 draws (JCGM 101)."""
    inputs = visit()
    value = axle_under_foot(inputs, "left", Measured(7.0, 1.5, "deg"))
    rng = np.random.default_rng(0)
    n = 20_000
    xc, zc = 193 + rng.normal(0, 0.2, n), 1 + rng.normal(0, 0.2, n)
    s = math.sqrt(0.5)
    x1, z1, x5, z5 = (c + rng.normal(0, s, n) for c in (200, -37.5, 170.5, 45))
    t = np.tan(np.deg2rad(7 + rng.normal(0, 1.5, n)))
    draws = (xc - x1 - (zc - z1) * t) / (x5 - x1 - (z5 - z1) * t)
    assert value.value == pytest.approx(draws.mean(), abs=0.002)
    assert value.u == pytest.approx(draws.std(), rel=0.05)


def test_float_margin_touching_an_end_is_a_finding(visit):
    found = find_all(visit())
    left, right = find(found, "left.float_margin_deg.min"), find(found, "right.float_margin_deg.min")
    assert left.value.value == pytest.approx(0.0)
    assert left.probability_in < 0.5 < right.probability_in
    assert left.causes


def test_knee_travel_is_described_with_pain_in_words(visit):
    f = find(find_all(visit()), "left.knee_path_mm.range")
    assert f.target.role == "describe"
    notes = side_notes(visit())
    assert any("no cause by itself" in n for n in notes)
    assert any("larger than its 95 %" in n for n in asymmetries(visit()))


def test_red_flags():
    assert red_flags.referral({}) == ""
    assert red_flags.referral({q.id: False for q in red_flags.QUESTIONS}) == ""
    for q in red_flags.QUESTIONS:
        text = red_flags.referral({q.id: True})
        assert q.reason in text
        assert "no diagnosis" in text
        assert ("today" in text.split(". ", 1)[1]) == (q.when == red_flags.URGENT)
    assert len(red_flags.unanswered({"weakness": False})) == len(red_flags.QUESTIONS) - 1
    with pytest.raises(InputError, match="unknown question"):
        red_flags.referral({"hungry": True})


def test_names_of_adjustables():
    assert canonical("saddle_height") == "saddle_height_mm"
    assert canonical("spacer_left_mm") == canonical("spacer_mm_left") == "spacer_mm_left"
    assert split("cleat_psi_deg_right") == ("cleat_psi_deg", "right")
    for bad in ("cleat_x_mm", "saddle", "hood_x_mm_left", "", "spacer_mm"):
        with pytest.raises(InputError, match="adjustable"):
            split(bad)
    assert len(all_names()) == len(set(all_names())) == 15


def test_setting_changes_and_comes_back(visit):
    inputs = visit()
    setting = Setting(inputs.contact, inputs.cleats)
    for name in all_names():
        moved = setting.changed({name: 2.0})
        assert moved.value(name) == pytest.approx(setting.value(name) + 2.0)
        assert moved.changed({name: -2.0}).value(name) == pytest.approx(setting.value(name))
    with pytest.raises(InputError, match="not been measured"):
        Setting(inputs.contact, {}).value("cleat_x_mm_left")


def test_words_for_the_hand():
    assert instruction("saddle_height_mm", 718, 710) == "lower the saddle 8 mm: from 718 to 710 mm"
    assert (
        instruction("cleat_x_mm_left", 193, 187) == "move the cleat back 6 mm (left shoe): from 193 to 187 mm"
    )
    assert "2.5 mm" in instruction("crank_mm", 172.5, 170)
