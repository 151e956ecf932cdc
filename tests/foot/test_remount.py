"""How far a cleat has moved, and how to bring it back."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.foot.frame import cleat_marks, read_sole
from fitwright.foot.remount import compare, match_marks, rigid_fit, turn_matrix
from fitwright.foot.sole import SolePoint
from fitwright.foot.words import motion_words

FRAME = {"heel_centre": (0.0, 0.0), "toe": (281.0, 0.0)}
ON_CLEAT = np.array([[28.0, 24.0], [-27.0, 26.0], [-10.0, -30.0], [15.0, -27.0]])
ON_SOLE = {"datum_1": (228.0, -20.0), "datum_2": (148.0, -24.0), "datum_3": (150.0, 33.0)}
MARKS = np.array([[10.0, 3.0], [60.0, -8.0], [35.0, 40.0], [22.0, -30.0]])


def reading(x, z, psi, *, marks_on="cleat", u=0.09, rng=None, foot="left", scale=1.0):
    """A reading of a sole whose cleat sits at x, z, ψ; picks with standard deviation u mm."""
    nose, tail = cleat_marks(x, z, psi, 35, 35)
    points = {**FRAME, "cleat_nose": nose, "cleat_tail": tail}
    if marks_on == "cleat":
        placed = ON_CLEAT @ turn_matrix(-psi).T + [x, z]
        points |= {f"datum_{i + 1}": p for i, p in enumerate(placed)}
    elif marks_on == "sole":
        points |= ON_SOLE
    xz = np.array([*points.values()]) * scale
    plane = np.column_stack([xz[:, 1] if foot == "left" else -xz[:, 1], -xz[:, 0]])
    if rng is not None:
        plane = plane + rng.normal(0, u, plane.shape)
    quality = {"u_mark_mm": u}
    return read_sole(foot, list(points), plane, np.eye(2 * len(points)) * u**2, quality=quality)


@given(st.floats(-170, 170), st.floats(-50, 50), st.floats(-50, 50))
def test_rigid_fit_gives_back_any_motion(turn, dx, dz):
    moved = MARKS @ turn_matrix(turn).T + [dx, dz]
    fit = rigid_fit(MARKS, moved, 0.1)
    assert fit.turn_deg == pytest.approx(turn, abs=1e-9)
    assert fit.residual_mm < 1e-9
    assert fit.apply(MARKS) == pytest.approx(moved, abs=1e-9)
    assert fit.at(np.zeros(2)).apply(MARKS) == pytest.approx(moved, abs=1e-9)
    assert fit.at(np.zeros(2)).shift_mm == pytest.approx([dx, dz], abs=1e-9)


def test_uncertainty_formulas_agree_with_monte_carlo():
    """u(turn) = u/√Σr², u(shift) = u/√n, and the shift of a far point: 20 000 draws (JCGM 101, simulated)."""
    u, far = 0.12, np.array([120.0, -15.0])
    stated = rigid_fit(MARKS, MARKS, u)
    rng = np.random.default_rng(2)
    fits = [rigid_fit(MARKS, MARKS + rng.normal(0, u, MARKS.shape), u) for _ in range(4000)]
    r = MARKS - MARKS.mean(axis=0)
    assert np.sqrt(stated.covariance[2, 2]) == pytest.approx(np.degrees(u / np.sqrt(np.sum(r**2))))
    assert np.sqrt(stated.covariance[0, 0]) == pytest.approx(u / 2)
    assert np.std([f.turn_deg for f in fits]) == pytest.approx(np.sqrt(stated.covariance[2, 2]), rel=0.05)
    drawn = np.array([[*f.at(far).shift_mm, f.at(far).turn_deg] for f in fits])
    assert np.cov(drawn.T) == pytest.approx(stated.at(far).covariance, rel=0.12, abs=6e-4)


@pytest.mark.parametrize("marks_on", ["cleat", "sole", "none"])
@pytest.mark.parametrize("foot", ["left", "right"])
def test_exact_motion_is_found_wherever_the_marks_are(marks_on, foot):
    before = reading(187, 1, 5, marks_on=marks_on, foot=foot)
    after = reading(188.2, 0.4, 4.2, marks_on=marks_on, foot=foot)
    result = compare(before, after)
    assert (result.x.value, result.z.value, result.psi.value) == pytest.approx((1.2, -0.6, -0.8), abs=1e-6)
    assert result.marks_on == marks_on
    assert result.distinguishable
    assert result.words == "move 1.2 mm towards the heel and 0.6 mm outward, turn the nose 0.8° inward"


@pytest.mark.parametrize(("marks_on", "goal_deg"), [("cleat", 0.3), ("sole", 0.35)])
def test_interval_holds_the_truth_and_reaches_half_a_millimetre(marks_on, goal_deg):
    """150 pairs of simulated readings, picks of 0.09 mm, each picture with its own scale error: 95 % of the errors
    within 0.5 mm and 0.3°. With marks on the sole only nose and tail show the turn: a little more than 0.3°."""
    rng = np.random.default_rng(8)
    inside, errors = [], []
    for _ in range(150):
        d = rng.normal(0, [1.0, 0.7, 1.0])
        pair = [
            reading(*pose, marks_on=marks_on, rng=rng, scale=1 + rng.normal(0, 0.0015))
            for pose in ((187, 1, 5), np.array([187, 1, 5]) + d)
        ]
        # what a photograph adds for its scale stands in the length's uncertainty
        pair = [with_scale_u(r, 0.0015) for r in pair]
        result = compare(*pair)
        e = np.array([result.x.value, result.z.value, result.psi.value]) - d
        inside.append(np.abs(e) <= 1.96 * np.array([result.x.u, result.z.u, result.psi.u]))
        errors.append(e)
    share = np.mean(inside, axis=0)
    assert np.all(share > 0.90)
    reached = np.percentile(np.abs(errors), 95, axis=0)
    assert np.all(reached < [0.5, 0.5, goal_deg])


def with_scale_u(r, relative):
    from dataclasses import replace

    return replace(r, length_mm=r.length_mm.widened(relative * r.length_mm.value))


def test_nothing_moved_is_called_not_distinguishable():
    rng = np.random.default_rng(1)
    result = compare(reading(187, 1, 5, rng=rng), reading(187, 1, 5, rng=rng))
    assert not result.distinguishable
    assert "not distinguishable" in result.words


def marks(points):
    return {f"datum_{i + 1}": SolePoint(x, z, np.eye(2) * 0.01) for i, (x, z) in enumerate(points)}


def test_exchanged_missing_and_foreign_marks_are_named():
    with pytest.raises(InputError, match=r"look exchanged \(datum_2 is the recorded datum_1"):
        match_marks(marks(MARKS), marks(MARKS[[1, 0, 2, 3]]))
    with pytest.raises(InputError, match="only 2 in common"):
        match_marks(marks(MARKS), marks(MARKS[:2]))
    with pytest.raises(InputError, match="not the recorded ones"):
        match_marks(marks(MARKS), marks(MARKS * [1.3, 0.8] + 3))
    assert len(match_marks(marks(MARKS), marks(MARKS + 4))) == 4


def test_other_foot_and_unknown_place_are_refused():
    with pytest.raises(InputError, match="left sole"):
        compare(reading(187, 1, 5), reading(187, 1, 5, foot="right"))
    with pytest.raises(InputError, match="marks_on"):
        compare(reading(187, 1, 5), reading(187, 1, 5), "shoe")
    with pytest.raises(InputError, match="too few"):
        rigid_fit(MARKS[:1], MARKS[:1], 0.1)
    with pytest.raises(InputError, match="close together"):
        rigid_fit(MARKS * 1e-3, MARKS * 1e-3, 0.1)


def test_another_length_is_noted():
    result = compare(reading(187, 1, 5), reading(187, 1, 5, scale=1.02))
    assert any("longer than recorded" in n for n in result.notes)


@pytest.mark.parametrize(
    ("motion", "words"),
    [
        ((1.24, 0.0, 0.0), "move 1.2 mm towards the toe"),
        ((0.0, -0.5, 0.0), "move 0.5 mm inward"),
        ((-3.0, 1.0, -2.0), "move 3.0 mm towards the heel and 1.0 mm outward, turn the nose 2.0° outward"),
        ((0.01, 0.02, 0.03), "leave it as it is"),
    ],
)
def test_words_for_the_hand(motion, words):
    assert motion_words(*motion) == words
