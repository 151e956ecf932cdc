"""The plan against brute force: every combination of steps is tried; none that reaches the bands turns fewer bolts.

First the programme alone on random linear grids; then the whole search on the nonlinear twins of simulated riders,
with few enough parts free that everything can be tried.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bench.faults import OWN_BANDS, everything_wrong
from bench.measurement import Measurement, Row
from fitwright.plan.findings import find_all
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.search import Task, deltas_of, solve, task_of
from fitwright.plan.solver import Goal, Move, objective, solve_steps
from fitwright.plan.targets import TARGETS
from fitwright.quantity import Measured, probability_within

LINEAR = 500


def linear(seed: int) -> tuple[list[Move], list[Goal], np.ndarray]:
    """A random grid of 2 to 4 adjustables and 2 to 6 quantities."""
    rng = np.random.default_rng(seed)
    k, m = int(rng.integers(2, 5)), int(rng.integers(2, 7))
    moves = [
        Move(f"m{j}", 1.0, int(rng.integers(0, 5)), int(rng.integers(1, 6)), float(rng.uniform()))
        for j in range(k)
    ]
    gain = rng.normal(0, 1.2, (m, k)) * (rng.uniform(size=(m, k)) < 0.6)
    # Bands about what some setting of this grid gives, so that most can be reached.
    some = gain @ np.array([rng.integers(-v.down, v.up + 1) for v in moves])
    low = some - rng.uniform(0.2, 1.5, m)
    return (
        moves,
        [
            Goal(f"g{i}", 0.0, a, a + b, 1.5)
            for i, (a, b) in enumerate(zip(low, rng.uniform(1, 3, m), strict=True))
        ],
        gain,
    )


def against_linear(seed: int) -> tuple[bool, bool, bool]:
    """Whether the bands can be reached, whether the programme turns more bolts, whether something costs less."""
    moves, goals, gain = linear(seed)
    every = np.array(list(itertools.product(*(range(-m.down, m.up + 1) for m in moves))))
    reached = every @ gain.T
    low, high = np.array([g.low for g in goals]), np.array([g.high for g in goals])
    inside = ((reached >= low - 1e-9) & (reached <= high + 1e-9)).all(axis=1)
    answer = solve_steps(moves, goals, gain)
    best = min(objective(moves, goals, gain, n.tolist()) for n in every)
    least = np.count_nonzero(every[inside], axis=1).min() if inside.any() else 0
    more = bool(inside.any() and np.count_nonzero(answer.steps) > least)
    return bool(inside.any()), more, answer.cost > best + 1e-6


def inside(task: Task, steps: Sequence[int]) -> bool:
    """Whether all that is acted on is as surely in its band as wanted, and nothing else is less sure than it was."""
    expected = task.forecast.expected(deltas_of(task, steps))
    return all(
        probability_within(expected[f.id], f.target.low, f.target.high)
        >= (task.probability if f.id in task.acted else min(task.probability, f.probability_in)) - 1e-6
        for f in task.findings
    )  # fmt: skip


def against_nonlinear(task: Task) -> tuple[bool, bool]:
    """Whether any combination of steps reaches the bands, and whether the search turns more bolts than the best."""
    found = [n for n in itertools.product(*(range(-m.down, m.up + 1) for m in task.moves)) if inside(task, n)]
    if not found:
        return False, False
    deltas = solve(task).deltas
    mine = tuple(round(deltas.get(m.name, 0.0) / m.step) for m in task.moves)
    fewest = min(sum(map(bool, n)) for n in found)
    return True, not inside(task, mine) or sum(map(bool, mine)) > fewest


def riders() -> list[PlanInputs]:
    """The rider on whom nearly everything is wrong, with a few parts measured and bands or wishes moved about."""
    whole = everything_wrong()
    bare = replace(whole, cleats={}, front_ride=None, upper=None, probability=0.65)
    by_key = {t.key: t for t in TARGETS if t.role == "target" and (not t.uses or "road" in t.uses)}
    knee, trunk = by_key["knee_flexion_deg.crank_in_line"], by_key["trunk_inclination_deg.mean"]
    greatest = OWN_BANDS[0]
    saddles = [
        replace(bare, targets=(replace(knee, low=low, high=low + 16), replace(greatest, high=high)))
        for low in (11, 14, 17, 28, 30, 32) for high in (114, 117, 120)
    ]  # fmt: skip
    bars = [
        replace(bare, upper=whole.upper, targets=(replace(trunk, low=low, high=low + 10),))
        for low in (16, 17, 18, 19, 28, 29, 30, 31)
    ]
    feet = tuple(
        t for t in TARGETS if t.key.startswith(("axle_under_foot", "cleat_rotation", "float_margin"))
    )
    shoes = [
        replace(bare, targets=feet, cleats={side: whole.cleats[side]}, wanted_lambda={side: wish},
                hanging_yaw_deg={side: Measured(yaw, 0.8, "deg")})
        for side, wish, yaw in (("left", 0.1, 4.0), ("left", 0.35, 7.0), ("left", 0.5, 3.5), ("right", 0.6, 10.0),
                                ("right", 0.45, 6.0), ("right", 0.8, 13.0))
    ]  # fmt: skip
    return [*saddles, *bars, *shoes]


def counted() -> list[Row]:
    """Grids tried, and on how many the plan was not the best."""
    told = [against_linear(seed) for seed in range(LINEAR)]
    tasks = [task_of(inputs, find_all(inputs)) for inputs in riders()]
    twins = [against_nonlinear(task) for task in tasks if task.moves]
    reachable, on_twins = sum(t[0] for t in told), sum(t[0] for t in twins)
    return [
        Row("random linear grids on which the programme turns more bolts", sum(t[1] for t in told), "", "≤ 0",
            f"{reachable} grids whose bands can be reached, of {LINEAR}; 2 to 4 adjustables, 2 to 6 quantities"),
        Row("random linear grids on which some combination costs less", sum(t[2] for t in told), "", "≤ 0",
            f"of {LINEAR}, those that cannot be reached included"),
        Row("grids of the nonlinear twins on which the search turns more", sum(t[1] for t in twins), "", "≤ 0",
            f"simulated; {on_twins} grids whose bands can be reached, of {len(twins)}"),
    ]  # fmt: skip


MEASUREMENTS = (Measurement("grids", "Plan: against brute force", counted),)
