"""M1 and M5 combined: against numpy.linalg.lstsq, a published evaluation, and properties."""

from __future__ import annotations

import math
from itertools import permutations

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given
from hypothesis import strategies as st

from fitwright.errors import InputError
from fitwright.foot.marks import COORDINATES, Observation, check_marks, combine_marks
from fitwright.foot.marks_prior import guess_from_foot
from fitwright.foot.sole import SolePoint
from fitwright.foot.start import start_setting
from fitwright.quantity import Measured, weighted_mean

TRUTH = dict(zip(COORDINATES, (201.0, -38.0, 172.0, 44.0), strict=True))
RULER = Observation.of("ruler", {"m1_x": Measured(201.5, 1.5, "mm"), "m5_x": Measured(171.0, 1.5, "mm")})
INNER = Observation.of("inner edge", {"m1_x": Measured(200.2, 2.2, "mm")})


def sole(seed: int = 0, u: float = 0.6, source: str = "sole photograph") -> Observation:
    """All four coordinates with a full covariance."""
    rng = np.random.default_rng(seed)
    root = np.eye(4) + 0.3 * rng.normal(size=(4, 4))
    covariance = u**2 * root @ root.T
    values = rng.multivariate_normal(list(TRUTH.values()), covariance)
    return Observation(source, COORDINATES, values, covariance)


def test_the_estimate_is_that_of_whitened_lstsq_and_of_the_normal_equations():
    observations = [sole(1), RULER, INNER, sole(2, 1.1, "after")]
    got = combine_marks(observations)
    A = np.concatenate([[[n == m for m in COORDINATES] for n in o.names] for o in observations]).astype(float)
    y = np.concatenate([o.values_mm for o in observations])
    V = scipy.linalg.block_diag(*[o.covariance_mm2 for o in observations])
    W = np.real(scipy.linalg.inv(scipy.linalg.sqrtm(V)))
    x, rest, rank, _ = np.linalg.lstsq(W @ A, W @ y, rcond=None)
    assert rank == 4
    assert not got.conflicts
    np.testing.assert_allclose(got.values_mm, x, rtol=1e-10)
    np.testing.assert_allclose(got.covariance_mm2, scipy.linalg.inv(A.T @ scipy.linalg.inv(V) @ A), rtol=1e-9)
    assert got.chi2 == pytest.approx(float(rest[0]), rel=1e-9)
    assert got.dof == len(y) - 4
    C = V - A @ got.covariance_mm2 @ A.T
    flat = [v for r in got.residuals for v in r.values()]
    np.testing.assert_allclose(flat, (y - A @ x) / np.sqrt(np.diag(C)), rtol=1e-7)


# Sixteen determinations of the Newtonian constant, 1e-11 m3 kg-1 s-2 (Tiesinga et al. 2021, CODATA 2018, Rev Mod Phys
# 93:025010), with Cochran's Q = 197.8399 of the same values in the tests of metafor (Viechtbauer 2010, J Stat Softw
# 36(3)), from which the Birge ratio is sqrt(197.8399 / 15) = 3.63, as CODATA 2018 says.
G = (
    (6.67248, 43e-5), (6.6729, 50e-5), (6.67398, 70e-5), (6.674255, 9.2e-5), (6.67559, 27e-5), (6.67422, 98e-5),
    (6.67387, 27e-5), (6.67222, 87e-5), (6.67425, 12e-5), (6.67349, 18e-5), (6.67554, 16e-5), (6.67191, 99e-5),
    (6.67435, 13e-5), (6.674184, 7.8e-5), (6.674484, 7.7e-5), (6.67260, 25e-5),
)  # fmt: skip


def test_a_published_evaluation_with_conflict_is_reproduced():
    """The values as millimetres, shifted into the range of a shoe: neither χ² nor the Birge ratio knows a unit."""
    readings = [Measured(200 + 1e3 * (g - 6.674), 1e3 * u, "mm") for g, u in G]
    observations = [Observation.of(f"no. {i}", {"m1_x": m}) for i, m in enumerate(readings)]
    got = combine_marks(observations)
    assert got.chi2 == pytest.approx(197.8399, abs=5e-5)
    assert got.dof == 15
    (conflict,) = got.conflicts
    assert conflict.birge == pytest.approx(3.63, abs=0.005)
    mean = got.measured["m1_x"]
    assert 6.674 + (mean.value - 200) * 1e-3 == pytest.approx(6.674290, abs=1e-6)
    assert mean.u * 1e-3 == pytest.approx(3.8e-5 * 3.63, rel=0.02)
    house = weighted_mean([Measured(g, u, "1") for g, u in G])
    assert mean.u * 1e-3 == pytest.approx(house.u, rel=1e-9)


def test_a_conflict_is_named_in_words_and_widens_only_its_own_coordinate():
    photo, ruler = sole(3), Observation.of("ruler", {"m1_x": Measured(210.0, 2.8, "mm")})
    alone, got = combine_marks([photo]), combine_marks([photo, ruler])
    (conflict,) = got.conflicts
    d = 210.0 - float(photo.values_mm[0])
    u = math.hypot(2.8, math.sqrt(photo.covariance_mm2[0, 0]))
    words = conflict.words()
    assert (
        f"disagree on M1 by {d:.1f} mm fore-aft, {d / u:.1f} times their uncertainty: measure M1 again"
        in words
    )
    assert conflict.birge == pytest.approx(d / u)
    assert got.p_value < 0.05
    assert got.measured["m1_x"].u > 2 * alone.measured["m1_x"].u
    assert got.measured["m5_z"].u <= alone.measured["m5_z"].u + 1e-12
    assert got.residuals[1]["m1_x"] == pytest.approx(d / u)


@given(st.permutations(range(4)))
def test_the_order_of_observations_does_not_matter(order):
    observations = [sole(1), RULER, INNER, sole(2, 1.1, "after")]
    a, b = combine_marks(observations), combine_marks([observations[i] for i in order])
    np.testing.assert_allclose(a.values_mm, b.values_mm, rtol=1e-9)
    np.testing.assert_allclose(a.covariance_mm2, b.covariance_mm2, rtol=1e-8, atol=1e-12)


@given(st.lists(st.tuples(st.sampled_from(COORDINATES), st.floats(0.3, 5), st.floats(-0.6, 0.6)), max_size=8))
def test_more_observations_never_make_it_less_sure_without_conflict(more):
    observations = [sole(4)]
    before = combine_marks(observations)
    for i, (name, u, off) in enumerate(more):
        value = before.measured[name].value + off * u
        observations.append(Observation.of(f"ruler {i}", {name: Measured(value, u, "mm")}))
        after = combine_marks(observations)
        assert not after.conflicts
        assert all(after.measured[n].u <= before.measured[n].u * (1 + 1e-9) for n in COORDINATES)
        before = after


@given(st.integers(0, 200))
def test_a_picture_mirrored_across_the_mid_line_gives_the_mirrored_marks(seed):
    signs = dict(zip(COORDINATES, (1.0, -1.0, 1.0, -1.0), strict=True))

    def mirrored(o: Observation) -> Observation:
        s = np.array([signs[n] for n in o.names])
        return Observation(o.source, o.names, s * o.values_mm, o.covariance_mm2 * np.outer(s, s))

    s = np.array(list(signs.values()))
    a, b = combine_marks([sole(seed), RULER]), combine_marks([mirrored(sole(seed)), RULER])
    np.testing.assert_allclose(s * a.values_mm, b.values_mm, rtol=1e-9)
    np.testing.assert_allclose(a.covariance_mm2 * np.outer(s, s), b.covariance_mm2, rtol=1e-8, atol=1e-12)


def test_conflicts_are_called_in_one_of_twenty_honest_pairs():
    """Two honest readings, 2000 times, seed 5: 5 % are called a conflict, to within chance (± 1.5 %)."""
    rng = np.random.default_rng(5)
    called = 0
    for a, b in rng.normal(0, 1.5, (2000, 2)):
        pair = [Observation.of(s, {"m1_x": Measured(200 + v, 1.5, "mm")}) for s, v in (("a", a), ("b", b))]
        called += bool(combine_marks(pair).conflicts)
    assert called / 2000 == pytest.approx(0.05, abs=0.015)


def test_the_stated_uncertainty_is_the_scatter_of_the_estimate():
    """Monte Carlo, 3000 draws, seed 6, against the covariance (u to 4 %)."""
    rng = np.random.default_rng(6)
    S = sole(1).covariance_mm2
    got = []
    for _ in range(3000):
        photo = Observation("photo", COORDINATES, rng.multivariate_normal(list(TRUTH.values()), S), S)
        ruler = Observation.of("ruler", {"m1_x": Measured(rng.normal(201.0, 0.5), 0.5, "mm")})
        got.append(combine_marks([photo, ruler]).values_mm)
    ruler = Observation.of("ruler", {"m1_x": Measured(201.0, 0.5, "mm")})
    photo = Observation("photo", COORDINATES, np.array([*TRUTH.values()]), S)
    stated = combine_marks([photo, ruler]).covariance_mm2
    np.testing.assert_allclose(np.std(got, axis=0), np.sqrt(np.diag(stated)), rtol=0.04)


# --- the guess ---


def foot_guess() -> Observation:
    length = Measured(265.0, 2.0, "mm")
    ball, breadth = Measured(0.741 * 265, 0.015 * 265, "mm"), Measured(0.376 * 265, 0.017 * 265, "mm")
    return guess_from_foot(length, ball, breadth, "guess from foot length")


def test_a_guess_only_fills_what_nobody_measured():
    got = combine_marks([foot_guess(), RULER])
    assert got.guessed == ("m1_z", "m5_z")
    assert got.measured["m1_x"].value == pytest.approx(201.5)
    assert got.measured["m1_x"].u == pytest.approx(1.5)
    assert got.measured["m1_z"].method == "guess from foot length"
    assert combine_marks([foot_guess(), sole(1)]).guessed == ()
    np.testing.assert_array_equal(
        combine_marks([foot_guess(), sole(1)]).values_mm, combine_marks([sole(1)]).values_mm
    )
    assert combine_marks([foot_guess()]).guessed == COORDINATES


def test_the_guess_has_the_spread_of_its_parts():
    """Monte Carlo of the stated parts, 40 000 draws, seed 7."""
    rng = np.random.default_rng(7)
    n = 40_000
    length, ball = rng.normal(265, 2, n), rng.normal(0.741 * 265, 0.015 * 265, n)
    heel, middle = rng.normal(6, 3, n), rng.normal(2, 4, n)
    half = rng.normal(0.376 * 265, 0.017 * 265, n) / 2 - rng.normal(9, 3, n)
    draws = np.array([heel + ball, middle - half, heel + rng.normal(0.63, 0.02, n) * length, middle + half])
    guess = foot_guess()
    np.testing.assert_allclose(draws.mean(axis=1), guess.values_mm, atol=0.12)
    np.testing.assert_allclose(np.cov(draws), guess.covariance_mm2, atol=0.8)
    assert guess.measured["m1_x"].u == pytest.approx(math.hypot(0.015 * 265, 3))


def test_what_is_not_known_at_all_stays_unknown():
    got = combine_marks([INNER])
    assert got.names == ("m1_x",)
    assert got.point("m1") is None
    assert combine_marks([]).names == ()
    assert combine_marks([sole(1)]).point("m5").z_mm == pytest.approx(44, abs=2)


# --- bad input ---


@pytest.mark.parametrize(
    ("at", "words"),
    [
        ({"m1_x": 172, "m5_x": 201}, "look swapped"),
        ({"m1_z": 44, "m5_z": -38}, "look swapped"),
        ({"m1_z": -10, "m5_z": 20}, "allowed: 40 to 130 mm"),
        ({"m1_z": -80, "m5_z": 80}, "allowed: 40 to 130 mm"),
        ({"m1_x": 300}, "longer than the sole"),
    ],
)
def test_marks_that_cannot_be_are_refused(at, words):
    with pytest.raises(InputError, match=words):
        check_marks(at, 281.0)


def test_a_combination_that_cannot_be_is_said_not_hidden():
    swapped = Observation.of("ruler", {"m1_x": Measured(170, 1, "mm"), "m5_x": Measured(200, 1, "mm")})
    assert "look swapped" in combine_marks([swapped]).impossible
    assert combine_marks([sole(1)]).impossible == ""


@pytest.mark.parametrize(
    ("data", "words"),
    [
        ({"source": "ruler", "values": {"m1_x": 20.1}, "u": 1}, "ruler, m1_x: outside the allowed range"),
        ({"source": "ruler", "values": {"m1_x": -201}, "u": 1}, "80 to 350 mm"),
        ({"source": "ruler", "values": {"m1_x": float("nan")}, "u": 1}, "80 to 350 mm"),
        ({"source": "ruler", "values": {"m1_x": "long"}, "u": 1}, "cannot be read"),
        ({"source": "ruler", "values": {"m1_x": 201}}, "cannot be read"),
        ({"source": "ruler", "values": {"m1_x": 201}, "u": 0}, "no usable uncertainty"),
        ({"source": "ruler", "values": {"m1_x": 201}, "u": -2}, "no usable uncertainty"),
        ({"source": "ruler", "values": {"m9_x": 201}, "u": 1}, "unknown"),
        ({"source": "ruler"}, 'has no "values"'),
        ({"values": {"m1_x": 201, "m5_x": 170}, "covariance_mm2": [[1, 2], [2, 1]]}, "no usable uncertainty"),
        ({"values": {"m1_x": 201}, "covariance_mm2": [[1, 2], [2, 1]]}, "no usable uncertainty"),
    ],
)
def test_an_observation_that_cannot_be_used_is_refused(data, words):
    with pytest.raises(InputError, match=words):
        Observation.from_json(data)


def test_json_round_trip():
    for o in (sole(1), RULER, foot_guess()):
        again = Observation.from_json(o.to_json())
        assert (again.source, again.names, again.guess) == (o.source, o.names, o.guess)
        np.testing.assert_array_equal(again.covariance_mm2, o.covariance_mm2)
    points = [SolePoint(201, -38, np.eye(2)), SolePoint(172, 44, np.eye(2))]
    assert Observation.of_points("photo", *points).names == COORDINATES
    assert Observation.of_points("photo", None, points[1]).names == ("m5_x", "m5_z")


def test_a_start_from_marks_too_near_is_refused():
    near = (SolePoint(201, -10, np.eye(2)), SolePoint(172, 20, np.eye(2)))
    with pytest.raises(InputError, match="allowed: 40 to 130 mm"):
        start_setting(*near, Measured(7, 1, "deg"), 2.0)


def test_every_order_of_three_names_the_same_conflict():
    far = Observation.of("ruler", {"m1_x": Measured(215.0, 1.5, "mm")})
    found = {
        frozenset(combine_marks(list(p)).conflicts[0].sources) for p in permutations([sole(1), INNER, far])
    }
    assert found == {frozenset({"sole photograph", "ruler"})}
