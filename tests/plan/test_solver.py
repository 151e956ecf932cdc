"""The mixed-integer programme against exhaustive search on small hardware grids, and its intervals."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.plan.solver import (
    FEWEST,
    GENTLEST,
    MIDDLE,
    TASTES,
    Fence,
    Goal,
    Move,
    interval_for,
    objective,
    solve_steps,
)
from fitwright.quantity import Measured, probability_within


@pytest.mark.parametrize("taste", TASTES, ids=lambda t: t.key)
@pytest.mark.parametrize("seed", range(25))
def test_against_every_combination(seed, taste):
    """All step combinations of three adjustables are tried; none is better, and none inside has fewer changes."""
    rng = np.random.default_rng(seed)
    moves = [Move(f"m{j}", 1.0, int(rng.integers(0, 5)), int(rng.integers(1, 6)), float(rng.uniform(0, 1)))
             for j in range(3)]  # fmt: skip
    gain = rng.normal(0, 1.2, (4, 3)) * (rng.uniform(size=(4, 3)) < 0.7)
    goals = []
    for i in range(4):
        low = float(rng.uniform(-3, 3))
        goals.append(Goal(f"g{i}", 0.0, low, low + float(rng.uniform(1, 4)), 1.5))
    answer = solve_steps(moves, goals, gain, taste)
    costs = {
        n: objective(moves, goals, gain, n, taste)
        for n in itertools.product(*(range(-m.down, m.up + 1) for m in moves))
    }
    best = min(costs, key=lambda n: costs[n])
    assert answer.cost == pytest.approx(costs[best], rel=1e-6, abs=1e-6)
    inside = [n for n in costs if _shortfall(goals, gain, n) == 0]
    if taste is FEWEST and inside and _shortfall(goals, gain, answer.steps) == 0:
        assert np.count_nonzero(answer.steps) == min(np.count_nonzero(n) for n in inside)


@pytest.mark.parametrize("seed", range(25))
def test_within_fences_against_every_combination(seed):
    """Bounds of several moves together: the best of all combinations that keep them is found."""
    rng = np.random.default_rng(seed)
    moves = [Move(f"m{j}", 1.0, 4, 4, float(rng.uniform(0, 1))) for j in range(3)]
    gain = rng.normal(0, 1.2, (3, 3))
    goals = [Goal(f"g{i}", 0.0, low := float(rng.uniform(-3, 3)), low + 1.5, 1.5) for i in range(3)]
    fences = [Fence(rng.normal(0, 1, 3), float(rng.uniform(0, 2))) for _ in range(4)]
    kept = [
        n for n in itertools.product(range(-4, 5), repeat=3)
        if all(f.pull @ np.array(n, float) <= f.room + 1e-9 for f in fences)
    ]  # fmt: skip
    best = min(objective(moves, goals, gain, n) for n in kept)
    answer = solve_steps(moves, goals, gain, fences=fences)
    assert answer.steps in kept
    assert answer.cost == pytest.approx(best, rel=1e-6, abs=1e-6)
    assert answer.cost >= solve_steps(moves, goals, gain).cost - 1e-6


def _shortfall(goals, gain, steps) -> float:
    reached = gain @ np.array(steps, float)
    return sum(max(g.low - v, v - g.high, 0.0) for g, v in zip(goals, reached, strict=True))


def test_nothing_to_do_costs_nothing():
    answer = solve_steps([Move("m", 1, 5, 5, 0.1)], [Goal("g", 0.5, 0, 1, 0.5)], np.array([[1.0]]))
    assert answer.steps == (0,)
    assert answer.cost == pytest.approx(0)
    assert solve_steps([], [Goal("g", 2.0, 0, 1, 0.5)], np.zeros((1, 0))).shortfall == (1.0,)


def test_one_bolt_rather_than_two():
    """Half-way with either of two strong bolts and all the way with one: the single change is taken."""
    moves = [Move("a", 1, 3, 3, 0.1), Move("b", 1, 3, 3, 0.1), Move("c", 1, 3, 3, 0.9)]
    goals = [Goal("x", 0, 3, 9, 3), Goal("y", 0, 3, 9, 3)]
    answer = solve_steps(moves, goals, np.array([[1.5, 0, 1.2], [0, 1.5, 1.2]]))
    assert answer.steps == (0, 0, 3)


def test_the_three_tastes_differ_in_kind():
    """One big felt change, or two small ones that are hardly felt, or further to the middle of the band."""
    moves = [Move("bar", 1, 4, 4, 0.9), Move("cleat", 1, 4, 4, 0.1), Move("saddle", 1, 4, 4, 0.1)]
    goals = [Goal("x", 0, 2, 8, 3), Goal("y", 0, 2, 8, 3)]
    gain = np.array([[1.0, 1.0, 0.0], [1.0, 0.0, 1.0]])
    steps = {t.key: solve_steps(moves, goals, gain, t).steps for t in (FEWEST, GENTLEST, MIDDLE)}
    assert steps["fewest"] == (2, 0, 0)
    assert steps["gentlest"] == (0, 2, 2)
    assert (gain @ steps["middle"]).tolist() == [5, 5]


def test_shortfall_when_infeasible_is_the_nearest_miss():
    answer = solve_steps([Move("a", 1, 2, 2, 0.1)], [Goal("x", 0, 5, 6, 0.5)], np.array([[1.0]]))
    assert answer.steps == (2,)
    assert answer.shortfall[0] == pytest.approx(3.0)


def test_empty_interval_is_refused():
    with pytest.raises(InputError, match="empty"):
        solve_steps([Move("a", 1, 2, 2, 0.1)], [Goal("x", 0, 6, 5, 0.5)], np.array([[1.0]]))


@pytest.mark.parametrize(("u", "p"), [(0.5, 0.8), (2.0, 0.8), (2.0, 0.95), (3.0, 0.6)])
def test_ends_of_the_interval_have_the_wanted_probability(u, p):
    low, high = interval_for(30, 40, u, p)
    for end in (low, high):
        assert probability_within(Measured(end, u, "deg"), 30, 40) == pytest.approx(p, abs=1e-6)
    assert low + high == pytest.approx(70)


def test_interval_when_even_the_middle_is_not_sure_enough():
    low, high = interval_for(30, 40, 8.0, 0.8)
    best = probability_within(Measured(35, 8.0, "deg"), 30, 40)
    assert low < 35 < high
    assert probability_within(Measured(low, 8.0, "deg"), 30, 40) == pytest.approx(0.95 * best, abs=1e-6)
    assert interval_for(30, 40, 0.0, 0.8) == (30, 40)
