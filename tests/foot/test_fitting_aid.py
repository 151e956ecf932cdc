"""The hand's steps: doing them gives the wish."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from fitwright.foot.fitting_aid import (
    HAND_DEG,
    HAND_MM,
    CleatBody,
    fitting_aid,
    imprint_pose,
    shifted,
    spots,
    turned,
)
from fitwright.foot.frame import in_sole
from fitwright.foot.hardware import system
from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.foot.start import start_setting
from fitwright.quantity import Measured

SURE = np.zeros((3, 3))
BODY = CleatBody(34, 30, 60, (25.0, 0.0), "its front bolt")


def pose(x, z, psi, covariance=SURE):
    return CleatPose(x, z, psi, covariance)


def near(low, high):
    return st.floats(low, high, allow_nan=False)


def do(now, aid, body):
    """The steps done by somebody who reads only their amounts."""
    turn, ahead, out = (s.amount for s in aid.steps)
    return shifted(turned(now, turn, body.pivot_mm), ahead, out)


@given(
    near(170, 200),
    near(-8, 8),
    near(-5, 15),
    near(-10, 10),
    near(-6, 6),
    near(-8, 8),
    near(-30, 30),
    near(-9, 9),
)
def test_doing_the_steps_gives_the_wish_to_within_what_a_hand_can_set(x, z, psi, dx, dz, dpsi, px, pz):
    body = replace(BODY, pivot_mm=(px, pz))
    now, to = pose(x, z, psi), pose(x + dx, z + dz, psi + dpsi)
    reached = do(now, fitting_aid(now, to, body), body)
    left = to.vector - reached.vector
    assert np.abs(left[:2]).max() <= HAND_MM / 2 + 1e-9
    assert abs(left[2]) <= HAND_DEG / 2 + 1e-9


@given(near(-10, 10), near(-6, 6), near(-8, 8))
def test_every_amount_is_one_that_a_hand_can_set(dx, dz, dpsi):
    aid = fitting_aid(pose(186, 2, 7), pose(186 + dx, 2 + dz, 7 + dpsi), BODY)
    for step, by in zip(aid.steps, (HAND_DEG, HAND_MM, HAND_MM), strict=True):
        assert step.amount / by == pytest.approx(round(step.amount / by), abs=1e-9)


@given(near(-10, 10), near(-30, 30), near(-20, 20))
def test_a_turn_keeps_the_pivot_and_turns_as_scipy_does(by, px, pz):
    """ψ turns the cleat's axis by −ψ in (x, z): against scipy.spatial.transform.Rotation about the pivot."""
    before = pose(186, 2, 7)
    after = turned(before, by, (px, pz))
    assert in_sole(after, (px, pz)) == pytest.approx(in_sole(before, (px, pz)), abs=1e-9)
    stays = np.append(in_sole(before, (px, pz)), 0.0)
    nose = np.append(in_sole(before, (34, 0)), 0.0)
    expected = Rotation.from_euler("z", -by, degrees=True).apply(nose - stays) + stays
    assert in_sole(after, (34, 0)) == pytest.approx(expected[:2], abs=1e-9)


def test_ends_move_as_they_are_said_to():
    now, to = pose(189.4, 3.0, 5.1), pose(186.4, 2.0, 7.0)
    aid = fitting_aid(now, to, BODY)
    reached = do(now, aid, BODY)
    for at, told, key in (((34, 0), aid.nose_mm, "nose_mm"), ((-30, 0), aid.tail_mm, "tail_mm")):
        assert in_sole(reached, at) - in_sole(now, at) == pytest.approx(told, abs=1e-9)
        assert np.sum([getattr(s, key) for s in aid.steps], axis=0) == pytest.approx(told, abs=1e-9)


def test_the_sentence_is_about_the_centre_and_the_shift_makes_up_for_the_turn():
    aid = fitting_aid(pose(189.4, 3.0, 5.0), pose(186.4, 2.0, 7.0), BODY)
    assert aid.words == "move 3.0 mm towards the heel and 1.0 mm inward, turn the nose 2.0° inward"
    turn, ahead, out = (s.amount for s in aid.steps)
    assert (turn, ahead) == (2.0, -3.0)
    assert out == -2.0  # 1.0 mm asked for, 0.9 mm that the turn about the front bolt took outward
    assert "tail 1.9 mm outward" in aid.steps[0].words


def test_what_is_too_small_to_set_or_to_tell_is_left():
    small = fitting_aid(pose(186.2, 2.1, 7.1), pose(186.4, 2.0, 7.0), BODY)
    assert small.nothing
    assert "less than a hand can set" in small.steps[1].words
    unsure = np.diag([1.0, 0.01, 0.01])
    doubt = fitting_aid(pose(185.0, 4.0, 7.0, unsure), pose(186.4, 2.0, 7.0), BODY)
    assert [s.amount for s in doubt.steps] == [0.0, 0.0, -2.0]
    assert "cannot be told from nothing (± 2.0 mm)" in doubt.steps[1].words
    assert "1.4 mm towards the toe" in doubt.rest


def test_the_worked_figure_is_reached():
    """M1 (201, −38), M5 (172, 44), λ 0.5, φ 7°, z 2: x 186.38 mm."""
    m1, m5 = SolePoint(201, -38, np.eye(2)), SolePoint(172, 44, np.eye(2))
    to = start_setting(m1, m5, Measured(7, 0, "deg"), 2.0).cleat
    now = pose(190, 0, 2)
    reached = do(now, fitting_aid(now, to, BODY), BODY)
    assert reached.x_mm == pytest.approx(186.38, abs=HAND_MM / 2)
    assert reached.z_mm == pytest.approx(2.0, abs=HAND_MM / 2)
    assert reached.psi_deg == pytest.approx(7.0)


def test_both_feet_are_told_the_same():
    """The sole frame is mirrored, so the same numbers give the same words; mirrored on paper they are one drawing."""
    now, to = pose(189.4, 3.0, 5.1), pose(186.4, 2.0, 7.0)
    mirror = np.array([1.0, -1.0])
    other = fitting_aid(pose(189.4, -3.0, -5.1), pose(186.4, -2.0, -7.0), BODY)
    this = fitting_aid(now, to, BODY)
    assert np.array(other.nose_mm) == pytest.approx(mirror * this.nose_mm, abs=1e-9)
    assert np.array(other.tail_mm) == pytest.approx(mirror * this.tail_mm, abs=1e-9)
    assert [s.amount for s in other.steps] == [
        -this.steps[0].amount,
        this.steps[1].amount,
        -this.steps[2].amount,
    ]


def test_the_pivot_is_the_front_bolt_or_the_middle_of_a_pair():
    assert CleatBody.of(system("three_bolt_wide"), None).pivot_mm == (25.0, 0.0)
    assert CleatBody.of(system("two_bolt"), None).pivot_mm == (0.0, 0.0)
    assert "between its bolts" in CleatBody.of(system("two_bolt"), None).pivot_words


def reading(**landmarks):
    cleat = pose(186.4, 2.0, 7.0, np.diag([0.09, 0.06, 0.04]))
    marks = {k: SolePoint(*xz, np.eye(2) * 0.09) for k, xz in landmarks.items()}
    return SoleReading("left", marks, {}, cleat, Measured(281, 0.4, "mm"), {})


def test_ends_that_were_picked_are_used():
    at = pose(186.4, 2.0, 7.0)
    found = CleatBody.of(None, reading(cleat_nose=in_sole(at, (37, 0)), cleat_tail=in_sole(at, (-29, 0))))
    assert (found.nose_mm, found.tail_mm, found.measured) == (pytest.approx(37), pytest.approx(29), True)
    assert not CleatBody.of(None, reading()).measured


def test_the_imprint_of_the_same_cleat_gives_its_pose():
    at = pose(180.0, -1.5, 4.0)
    ends = {"imprint_nose": in_sole(at, (34, 0)), "imprint_tail": in_sole(at, (-30, 0))}
    found = imprint_pose(reading(**ends), BODY)
    assert found.vector == pytest.approx(at.vector, abs=1e-9)
    u_psi = np.degrees(0.3 * np.sqrt(2) / 64)  # two ends 64 mm apart, each ± 0.3 mm
    assert found.u[2] == pytest.approx(u_psi, rel=1e-3)
    assert imprint_pose(reading(), BODY) is None


def test_distances_are_those_of_the_placed_cleat():
    to = pose(186.0, 2.0, 0.0)
    outline = np.array([[0, -30], [0, 30], [280, 45], [280, -45]], dtype=float)
    m1 = SolePoint(200, -38, np.diag([4.0, 0.25]))
    found = {s.words: s.distance for s in spots(to, BODY, Measured(280, 0.4, "mm"), outline, m1)}
    assert found["toe edge to nose"].value == pytest.approx(280 - 220)
    assert found["heel edge to tail"].value == pytest.approx(156)
    assert found["inner edge to side"].value == pytest.approx(30 + 15 * 186 / 280 + (2 - 30))
    assert found["outer edge to side"].value == pytest.approx(30 + 15 * 186 / 280 - (2 + 30))
    assert found["M1 to nose"].value == pytest.approx(np.hypot(20, 40))
    assert found["M1 to nose"].u == pytest.approx(np.hypot(2 * 20, 0.5 * 40) / np.hypot(20, 40))
    assert "M5 to nose" not in found
    assert spots(to, BODY, None) == ()
