"""Fewest and smallest changes that bring quantities into their intervals: a mixed-integer linear programme.

Unknowns per adjustable j: whole steps up and down (n⁺, n⁻), whether it is touched (y), and per quantity i a
shortfall s and a distance from the middle d. With G the change per step:
    low_i − s_i h_i ≤ now_i + Σ_j G_ij (n⁺_j − n⁻_j) ≤ high_i + s_i h_i,   n⁺_j ≤ N⁺_j y_j,   n⁻_j ≤ N⁻_j y_j
    |now_i + Σ_j G_ij (n⁺_j − n⁻_j) − middle_i| ≤ d_i h_i
    minimise  SHORT Σ s_i + Σ_j touch_j y_j + Σ_j size_j (n⁺_j + n⁻_j) + off Σ d_i
A `Taste` sets touch, size and off. With the first one a change is worth making when it takes away at least a tenth of
the band's half-width h of shortfall; among plans equal in that, fewer changes win, then the least felt and smallest.
Solved by HiGHS through scipy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from fitwright.errors import FitwrightError, InputError
from fitwright.quantity import Floats, Measured, probability_within

SHORT = 100.0


@dataclass(frozen=True)
class Taste:
    """What a plan spares first. All weights are our choice; a shortfall of one half-width always weighs 100.

    Attributes: key, label; touch: per adjustable touched; felt: what being felt adds to that, per unit of
    `Move.felt`; size: all steps of all adjustables together; felt_size: how much a felt step counts beside 0.5; off:
    per half-width that a quantity lies off the middle of its interval.
    """

    key: str
    label: str
    touch: float
    felt: float
    size: float
    felt_size: float = 1.0
    off: float = 0.0


FEWEST = Taste("fewest", "fewest changes", touch=10.0, felt=1.0, size=4.0)
GENTLEST = Taste("gentlest", "least felt", touch=0.5, felt=0.0, size=40.0, felt_size=20.0)
MIDDLE = Taste("middle", "closest to the middle", touch=0.5, felt=0.5, size=0.5, off=20.0)
TASTES = (FEWEST, GENTLEST, MIDDLE)


@dataclass(frozen=True)
class Move:
    """One adjustable in whole steps: from −down to +up steps of `step`, with how much it is felt (0 to 1)."""

    name: str
    step: float
    down: int
    up: int
    felt: float


@dataclass(frozen=True)
class Goal:
    """One quantity: today's value, the interval its expected value must reach, and the scale of
    a shortfall (the band's half-width, or less)."""

    id: str
    now: float
    low: float
    high: float
    half: float


@dataclass(frozen=True)
class Fence:
    """What several moves together may not pass: Σ_j pull_j (n⁺_j − n⁻_j) ≤ room; (k,) pull per step of each move."""

    pull: Floats
    room: float


@dataclass(frozen=True)
class Steps:
    """The answer: whole steps per move, shortfall per goal (in the goal's unit), and the objective."""

    steps: tuple[int, ...]
    shortfall: tuple[float, ...]
    cost: float


def size_cost(moves: Sequence[Move], taste: Taste = FEWEST) -> Floats:
    """(k,) cost of one step; with the first taste all steps of all moves together cost less than one change more."""
    widest = np.array([max(m.up, m.down, 1) for m in moves], dtype=np.float64)
    felt = np.array([0.5 + taste.felt_size * m.felt for m in moves]) / (0.5 + taste.felt_size) * 1.5
    return np.asarray(taste.size * felt / widest / max(len(moves), 1), dtype=np.float64)


def objective(
    moves: Sequence[Move], goals: Sequence[Goal], gain: Floats, steps: Sequence[int], taste: Taste = FEWEST
) -> float:
    """The programme's cost of given steps (used to compare with an exhaustive search)."""
    n = np.asarray(steps, dtype=np.float64)
    reached = (np.array([g.now for g in goals]) + gain @ n).tolist()
    short = sum(max(g.low - v, v - g.high, 0.0) / g.half for g, v in zip(goals, reached, strict=True))
    off = sum(abs(v - (g.low + g.high) / 2) / g.half for g, v in zip(goals, reached, strict=True))
    touched = sum(taste.touch + taste.felt * m.felt for m, k in zip(moves, steps, strict=True) if k)
    return float(SHORT * short + touched + size_cost(moves, taste) @ np.abs(n) + taste.off * off)


def solve_steps(
    moves: Sequence[Move], goals: Sequence[Goal], gain: Floats, taste: Taste = FEWEST,
    fences: Sequence[Fence] = (),
) -> Steps:  # fmt: skip
    """Solve the programme.

    Args:
        moves: (k,) what may be turned. goals: (m,) what must come inside; low ≤ high each.
        gain: (m, k) change of each quantity per step of each move. taste: what to spare first. fences: bounds of
            several moves together; standing still must lie inside of each.

    Raises:
        InputError: a goal whose interval is empty. FitwrightError: the solver gave up (says how).
    """
    for g in goals:
        if g.low > g.high:
            raise InputError(g.id, "the interval to reach is empty", value=f"{g.low:g} to {g.high:g}")
    k, m = len(moves), len(goals)
    if m == 0 or k == 0:
        reached = [max(g.low - g.now, g.now - g.high, 0.0) for g in goals]
        return Steps((0,) * k, tuple(reached), objective(moves, goals, gain, (0,) * k, taste))
    up, down = np.array([v.up for v in moves], float), np.array([v.down for v in moves], float)
    size, felt = size_cost(moves, taste), np.array([v.felt for v in moves])
    half = np.array([g.half for g in goals])
    now = np.array([g.now for g in goals])
    low, high = np.array([g.low for g in goals]), np.array([g.high for g in goals])
    # Column order: n⁺ (k), n⁻ (k), y (k), s (m), d (m).
    cost = np.concatenate(
        [size, size, taste.touch + taste.felt * felt, np.full(m, SHORT), np.full(m, taste.off)]
    )
    zero, wide, none_m = np.zeros((m, k)), np.diag(half), np.zeros((m, m))
    eye, none, rest = np.eye(k), np.zeros((k, k)), np.zeros((k, 2 * m))
    rows = [
        LinearConstraint(np.hstack([gain, -gain, zero, wide, none_m]), low - now, np.inf),
        LinearConstraint(np.hstack([gain, -gain, zero, -wide, none_m]), -np.inf, high - now),
        LinearConstraint(np.hstack([eye, none, -np.diag(up), rest]), -np.inf, 0),
        LinearConstraint(np.hstack([none, eye, -np.diag(down), rest]), -np.inf, 0),
    ]
    for fence in fences:
        row = np.concatenate([fence.pull, -fence.pull, np.zeros(k + 2 * m)])
        rows.append(LinearConstraint(row[None], -np.inf, max(fence.room, 0.0)))
    if taste.off:
        middle = (low + high) / 2 - now
        rows += [
            LinearConstraint(np.hstack([gain, -gain, zero, none_m, wide]), middle, np.inf),
            LinearConstraint(np.hstack([gain, -gain, zero, none_m, -wide]), -np.inf, middle),
        ]
    result = milp(
        cost, constraints=rows, integrality=np.concatenate([np.ones(3 * k), np.zeros(2 * m)]),
        bounds=Bounds(np.zeros(3 * k + 2 * m), np.concatenate([up, down, np.ones(k), np.full(2 * m, np.inf)])),
        options={"mip_rel_gap": 1e-9, "time_limit": 20.0},
    )  # fmt: skip
    if result.x is None:
        raise FitwrightError(f"the plan could not be solved: {result.message}")
    n = np.rint(result.x[:k]) - np.rint(result.x[k : 2 * k])
    steps = tuple(int(v) for v in n)
    return Steps(
        steps,
        tuple(float(v) for v in result.x[3 * k : 3 * k + m] * half),
        objective(moves, goals, gain, steps, taste),
    )


def interval_for(low: float, high: float, u: float, probability: float) -> tuple[float, float]:
    """Where an expected value with standard uncertainty u must lie so that P(low ≤ true ≤ high) ≥ probability.

    Empty intervals do not occur: when even the middle of the band is less sure than wanted, 95 % of what the
    middle gives is asked for instead (`attainable` is then False, and the plan says so).
    """
    middle, half = (low + high) / 2, (high - low) / 2
    if u <= 0:
        return low, high
    best = probability_within(Measured(middle, u, "1"), low, high)
    wanted = probability if attainable(low, high, u, probability) else 0.95 * best
    # One-sided first guess, then bisection of the monotone fall of probability from the middle outward.
    inner, outer = 0.0, half + max(0.0, -NormalDist().inv_cdf(min(wanted, 0.999)) * u) + 4 * u
    for _ in range(60):
        mid = (inner + outer) / 2
        if probability_within(Measured(middle + mid, u, "1"), low, high) >= wanted:
            inner = mid
        else:
            outer = mid
    return middle - inner, middle + inner


def attainable(low: float, high: float, u: float, probability: float) -> bool:
    """Whether a value in the middle of the band is as surely inside as wanted."""
    return probability_within(Measured((low + high) / 2, u, "1"), low, high) >= probability
