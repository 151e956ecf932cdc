"""How far a cleat has moved, and how to bring it back."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from fitwright.errors import InputError
from fitwright.foot.datums import match_marks
from fitwright.foot.frame import cleat_marks, read_sole
from fitwright.foot.remount import compare, compare_poses
from fitwright.foot.rigid import rigid_fit, stretch, turn_matrix
from fitwright.foot.sole import SolePoint, SoleReading
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
    return replace(r, length_mm=r.length_mm.widened(relative * r.length_mm.value))


def test_nothing_moved_is_called_not_distinguishable():
    rng = np.random.default_rng(1)
    result = compare(reading(187, 1, 5, rng=rng), reading(187, 1, 5, rng=rng))
    assert not result.distinguishable
    assert "not distinguishable" in result.words


def marks(points):
    return {f"datum_{i + 1}": SolePoint(x, z, np.eye(2) * 0.01) for i, (x, z) in enumerate(points)}


def test_exchanged_foreign_and_mirrored_marks_are_named():
    with pytest.raises(InputError, match=r"look exchanged \(datum_2 is the recorded datum_1"):
        match_marks(marks(MARKS), marks(MARKS[[1, 0, 2, 3]]))
    with pytest.raises(InputError, match="not the recorded ones"):
        match_marks(marks(MARKS), marks(MARKS * [1.3, 0.8] + 3))
    with pytest.raises(InputError, match="mirrored"):
        match_marks(marks(MARKS), marks(MARKS * [1, -1]))
    assert len(match_marks(marks(MARKS), marks(MARKS + 4))) == 4


def test_three_marks_of_equal_sides_named_round_are_not_taken_for_a_turn():
    triangle = 30 * np.array([[1, 0], [-0.5, 0.866], [-0.5, -0.866]])
    with pytest.raises(InputError, match="look exchanged"):
        match_marks(marks(triangle), marks(triangle[[1, 2, 0]]))


def test_marks_under_other_names_are_recognised():
    renamed = {f"datum_{i + 5}": p for i, p in enumerate(marks(MARKS[[2, 0, 1, 3]] + 2).values())}
    with pytest.raises(InputError, match=r"named differently \(datum_6 is the recorded datum_1"):
        match_marks(marks(MARKS), renamed)
    with pytest.raises(InputError, match="share too few names"):
        match_marks(marks(MARKS), {f"datum_{i + 5}": p for i, p in enumerate(marks(MARKS * 1.4).values())})


def test_marks_on_one_line_are_refused_with_the_reason():
    line = np.array([[0.0, 0.0], [20.0, 1.0], [45.0, -1.0]])
    with pytest.raises(InputError, match=r"lie on one line \(recorded\).*mirrored they would fit"):
        match_marks(marks(line), marks(line))


def without(r, *names):
    """The same reading with some datum marks not picked."""
    keep = [n for n in r.names if n not in names]
    at = [2 * r.names.index(n) + k for n in keep for k in (0, 1)]
    datums = {n: p for n, p in r.datums.items() if n not in names}
    return replace(r, datums=datums, joint_mm2=r.joint_mm2[np.ix_(at, at)])


def test_with_fewer_marks_the_interval_grows_and_it_says_what_is_lost():
    pair = reading(187, 1, 5), reading(188, 1, 4)
    whole, two, one = (
        compare(pair[0], without(pair[1], *gone))
        for gone in ((), ("datum_3", "datum_4"), ("datum_2", "datum_3", "datum_4"))
    )
    assert whole.psi.u < two.psi.u <= one.psi.u
    assert not whole.notes
    assert "only 2 datum marks in common (datum_1, datum_2)" in two.notes[0]
    assert "nose and tail alone" in one.notes[0]
    assert (two.x.value, one.psi.value) == pytest.approx((1.0, -1.0), abs=1e-6)


def test_without_a_cleat_two_marks_do_and_one_does_not():
    pair = [replace(reading(x, 1, 5), cleat=None) for x in (187, 188)]
    two = compare(*(without(r, "datum_3", "datum_4") for r in pair))
    assert two.x.value == pytest.approx(1.0, abs=1e-6)
    assert "no mark can be checked" in two.notes[0]
    with pytest.raises(InputError, match="too few to see the cleat"):
        compare(*(without(r, "datum_2", "datum_3", "datum_4") for r in pair))


@pytest.mark.parametrize("bad", ["datum_2", "cleat_nose"])
def test_one_bad_point_is_found_named_and_left_out(bad):
    """A dot rubbed off and guessed 3 mm away, or a nose worn by 3 mm: the others agree without it."""
    before, after = reading(187, 1, 5), reading(188.2, 0.4, 4.2)
    points = dict(after.datums) | {k: p for k, p in after.landmarks.items() if k == bad}
    moved = SolePoint(points[bad].x_mm - 2.4, points[bad].z_mm + 1.8, points[bad].covariance_mm2)
    where = "datums" if bad.startswith("datum") else "landmarks"
    spoiled = replace(after, **{where: {**getattr(after, where), bad: moved}})
    result = compare(before, spoiled)
    assert result.bad == bad
    assert any(n.startswith(f"{bad} lies 3.0 mm from where the other points put it") for n in result.notes)
    assert (result.x.value, result.z.value, result.psi.value) == pytest.approx((1.2, -0.6, -0.8), abs=1e-6)


def test_good_marks_are_seldom_called_bad():
    rng = np.random.default_rng(6)
    pairs = [(reading(187, 1, 5, rng=rng), reading(188, 1, 4, rng=rng)) for _ in range(120)]
    assert sum(bool(compare(*pair).bad) for pair in pairs) <= 2


def test_a_card_of_another_scale_is_noticed_by_the_marks():
    wider = reading(187, 1, 5, scale=1.03)
    assert any("3.0 % farther apart" in n for n in compare(reading(187, 1, 5), wider).notes)


def test_a_cleat_of_another_shape_is_restored_by_its_centre_less_surely():
    before, after = reading(187, 1, 5), reading(188.2, 0.4, 4.2, marks_on="none")
    result, by_marks = compare_poses(before, after), compare(before, reading(188.2, 0.4, 4.2))
    assert (result.x.value, result.z.value, result.psi.value) == pytest.approx((1.2, -0.6, -0.8), abs=1e-6)
    assert result.psi.u > by_marks.psi.u
    assert any("dots on the old cleat are gone" in n for n in result.notes)
    with pytest.raises(InputError, match="each cleat"):
        compare_poses(before, replace(after, cleat=None))


def test_what_all_points_of_a_photograph_share_neither_hides_nor_feigns():
    """Two photographs whose scale is each 0.3 % off, stated as shared by all points: half a millimetre at the cleat,
    most of it taken back because one shoe has one length; what remains is inside the interval (simulated)."""
    rng = np.random.default_rng(4)
    scaled, errors = [], []
    for _ in range(100):
        pair = [shared_scale(pose, 0.003, rng) for pose in ((187, 1, 5), (188, 1, 5))]
        c = compare(*pair)
        scaled.append(pair[1].length_mm.value - pair[0].length_mm.value)
        errors.append([(c.x.value - 1) / c.x.u, c.z.value / c.z.u, c.psi.value / c.psi.u])
    assert np.std(scaled) > 0.8
    assert np.all(np.mean(np.abs(errors) < 1.96, axis=0) > 0.88)
    assert np.all(np.mean(np.abs(errors) < 1.0, axis=0) < 0.9)  # nor is the interval a mere blanket
    assert c.x.u < 0.25


def shared_scale(pose, u_scale, rng):
    exact = reading(*pose)
    xz = np.array([{**exact.landmarks, **exact.datums}[n].xz for n in exact.names]).ravel()
    found = (1 + rng.normal(0, u_scale)) * xz + rng.normal(0, 0.09, xz.size)
    covariance = u_scale**2 * np.outer(xz, xz) + 0.09**2 * np.eye(xz.size)
    plane = np.column_stack([found[1::2], -found[::2]])
    turn = np.kron(np.eye(len(plane)), [[0.0, 1.0], [-1.0, 0.0]])
    return read_sole(
        "left", list(exact.names), plane, turn @ covariance @ turn.T, quality={"u_mark_mm": 0.09}
    )


def test_a_reading_keeps_what_its_points_share_when_written_and_read():
    r = reading(187, 1, 5)
    again = SoleReading.from_json(json.loads(json.dumps(r.to_json())))
    assert again.joint_mm2 == pytest.approx(r.joint_mm2, abs=1e-6)
    older = {k: v for k, v in r.to_json().items() if k != "joint_mm2"}
    old = compare(SoleReading.from_json(older), reading(188.2, 0.4, 4.2))
    assert old.x.value == pytest.approx(1.2, abs=1e-6)


# --- against libraries that are not ours ---


@pytest.mark.parametrize("turn", [-14.0, 0.4, 35.0])
def test_rigid_fit_agrees_with_scipy_and_scikit_image(turn):
    """scipy.spatial.transform.Rotation.align_vectors and skimage.transform.EuclideanTransform on noisy marks."""
    transform = pytest.importorskip("skimage.transform")
    rng = np.random.default_rng(3)
    moved = MARKS @ turn_matrix(turn).T + [2.1, -0.7] + rng.normal(0, 0.3, MARKS.shape)
    ours = rigid_fit(MARKS, moved, 0.1)
    flat = [np.column_stack([p - p.mean(axis=0), np.zeros(len(p))]) for p in (moved, MARKS)]
    rotation, _ = Rotation.align_vectors(*flat)
    assert ours.turn_deg == pytest.approx(rotation.as_euler("zyx", degrees=True)[0], abs=1e-6)
    theirs = transform.EuclideanTransform.from_estimate(MARKS, moved)
    assert ours.turn_deg == pytest.approx(np.degrees(theirs.rotation), abs=1e-9)
    assert ours.apply(MARKS) == pytest.approx(theirs(MARKS), abs=1e-9)
    similar = transform.SimilarityTransform.from_estimate(MARKS, moved * 1.01)
    assert stretch(MARKS, moved * 1.01) == pytest.approx(similar.scale, abs=1e-9)


@pytest.mark.parametrize("foot", ["left", "right"])
def test_the_whole_fit_with_equal_errors_is_kabschs(foot):
    """Nose, tail and marks of the cleat, equal independent errors, no error of heel and toe: the general fit is the
    library's rigid motion of those points."""
    rng = np.random.default_rng(9)
    before, after = reading(187, 1, 5, foot=foot), reading(188.2, 0.4, 4.2, rng=rng, foot=foot)
    names = ("cleat_nose", "cleat_tail", *before.datums)
    known = [{**r.landmarks, **r.datums} for r in (before, after)]
    a, b = (np.array([k[n].xz for n in names]) for k in known)
    flat = [np.column_stack([p - p.mean(axis=0), np.zeros(len(p))]) for p in (b, a)]
    turn = Rotation.align_vectors(*flat)[0].as_euler("zyx", degrees=True)[0]
    sure = [
        replace(r, joint_mm2=None, quality={"u_mark_mm": 1e-4}) if r is before else r for r in (before, after)
    ]
    result = compare(*sure)
    assert -result.psi.value == pytest.approx(
        turn, abs=0.12
    )  # the length of the sole says a little about heel and toe
    assert result.marks_on == "cleat"


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
