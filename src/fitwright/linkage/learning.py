"""What before/after pairs teach about a rider's shares, and what other riders teach about the next one.

One rider: seen = by_share · shares + error, so a normal prior stays normal (conjugate, closed form). Many riders:
each has shares of his own about a mean that riders have in common; the mean, and how far riders scatter about it, are
estimated by expectation–maximisation (Dempster, Laird & Rubin 1977, J R Stat Soc B 39:1; from memory) with the
published prior as a few riders' worth of evidence. The next rider's prior is what the estimate predicts for him.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.optimize import brentq

from fitwright.linkage.response import NAMES, ResponseModel, rows_of
from fitwright.quantity import Floats, Measured

MEAN_SHARE = (
    0.2  # of the prior's variance is doubt of the mean, the rest is scatter between riders; our choice
)
SCATTER_WORTH = 10.0  # riders' worth of evidence for the prior's scatter; our choice
WIDEST = 100.0  # times the prior's variance
ROUNDS, STILL = 300, 1e-7


@dataclass(frozen=True)
class Pair:
    """One before/after pair: by_share (5,), deg per unit of each share of `NAMES`; the change that was measured."""

    by_share: tuple[float, ...]
    seen_deg: Measured

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {"by_share": list(self.by_share), "seen_deg": self.seen_deg.to_json()}

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Pair:
        """The inverse of `to_json`."""
        return Pair(tuple(float(v) for v in data["by_share"]), Measured.from_json(data["seen_deg"]))


def updated(model: ResponseModel, pairs: Sequence[Pair]) -> ResponseModel:
    """The shares after this rider's own before/after pairs.

    When the pairs lie far from what the prior expects, this rider is not one of the prior's: its covariance is first
    widened by the factor that makes the pairs most likely (type-II maximum likelihood, never below 1), else a
    confident prior would keep the intervals too narrow.
    """
    pairs = _telling(pairs)
    if not pairs:
        return model
    rows, seen = _weighed(pairs)
    prior = model.matrix * _widening(rows @ model.matrix @ rows.T, seen - rows @ model.vector)
    gain = prior @ rows.T @ np.linalg.inv(rows @ prior @ rows.T + np.eye(len(seen)))
    mean = model.vector + gain @ (seen - rows @ model.vector)
    left = np.eye(len(NAMES)) - gain @ rows
    covariance = left @ prior @ left.T + gain @ gain.T
    source = model.source if model.pairs else f"{model.source}; this rider's own changes"
    return replace(
        model, mean=tuple(mean.tolist()), covariance=rows_of(covariance), pairs=model.pairs + len(pairs),
        source=source,
    )  # fmt: skip


def _telling(pairs: Sequence[Pair]) -> list[Pair]:
    """The pairs that say something: a change was expected, and both numbers are finite."""
    return [
        p for p in pairs
        if any(p.by_share) and math.isfinite(p.seen_deg.value) and math.isfinite(math.fsum(p.by_share))
    ]  # fmt: skip


def _weighed(pairs: Sequence[Pair]) -> tuple[Floats, Floats]:
    """Rows (n, 5) and values (n,) in units of each pair's own u."""
    u = np.array([max(p.seen_deg.u, 1e-6) for p in pairs])
    return np.array([p.by_share for p in pairs]) / u[:, None], np.array([p.seen_deg.value for p in pairs]) / u


def _widening(expected: Floats, miss: Floats) -> float:
    """The factor s ≥ 1 on the prior's part of the pairs' covariance (n, n), in units of error, that makes the misses
    (n,) most likely: Σ log(1 + s λ) + z² / (1 + s λ) is least."""
    along, directions = np.linalg.eigh(expected)
    lengths, z2 = np.maximum(along, 0.0), (directions.T @ miss) ** 2

    def rise(s: float) -> float:
        one = 1 + s * lengths
        return float(np.sum(lengths * (one - z2) / one**2))

    if rise(1.0) >= 0:
        return 1.0
    return WIDEST if rise(WIDEST) <= 0 else float(brentq(rise, 1.0, WIDEST))


def from_riders(
    riders: Sequence[Sequence[Pair]], published: ResponseModel | None = None, *,
    mean_share: float = MEAN_SHARE, scatter_worth: float = SCATTER_WORTH,
) -> ResponseModel:  # fmt: skip
    """The prior for the next rider, from the pairs of all riders so far; the published one where there are none.

    Args:
        riders: pairs by rider. mean_share: of the published variance that is doubt of the mean, 0 to 1.
        scatter_worth: how many riders the published scatter counts for.

    Returns:
        mean of the shares, and covariance = scatter between riders + what is left of the doubt of the mean.
    """
    start = published or ResponseModel()
    told = [t for pairs in riders if (t := _telling(pairs))]
    if not told:
        return start
    weighed = [_weighed(pairs) for pairs in told]
    information = np.stack([rows.T @ rows for rows, _ in weighed])
    evidence = np.stack([rows.T @ seen for rows, seen in weighed])
    scatter0, doubt0 = (1 - mean_share) * start.matrix, mean_share * start.matrix
    mean, scatter = start.vector, scatter0
    for _ in range(ROUNDS):
        own, spread = _riders(mean, scatter, information, evidence)
        new_mean = _common(start.vector, doubt0, scatter, own)
        off = own - new_mean
        new = (scatter_worth * scatter0 + off.T @ off + spread.sum(axis=0)) / (scatter_worth + len(told))
        moved = max(float(np.abs(new_mean - mean).max()), float(np.abs(new - scatter).max()))
        mean, scatter = new_mean, new
        if moved < STILL:
            break
    known = np.linalg.inv(doubt0) + np.sum(_marginal(scatter, information), axis=0)
    return ResponseModel(
        tuple(mean.tolist()), rows_of(scatter + np.linalg.inv(known)), 0, len(told),
        f"{start.source}; {len(told)} riders of this archive",
    )  # fmt: skip


def _riders(mean: Floats, scatter: Floats, information: Floats, evidence: Floats) -> tuple[Floats, Floats]:
    """Every rider's own shares (R, 5) and their covariance (R, 5, 5), given mean and scatter."""
    held = np.linalg.inv(scatter)
    spread = np.linalg.inv(held + information)
    return np.einsum("rij,rj->ri", spread, held @ mean + evidence), np.asarray(spread, dtype=np.float64)


def _common(mean0: Floats, doubt0: Floats, scatter: Floats, own: Floats) -> Floats:
    """The mean that riders have in common, given each rider's own."""
    first, held = np.linalg.inv(doubt0), np.linalg.inv(scatter)
    return np.asarray(np.linalg.solve(first + len(own) * held, first @ mean0 + held @ own.sum(axis=0)))


def _marginal(scatter: Floats, information: Floats) -> Floats:
    """(R, 5, 5) what each rider tells about the common mean: (scatter + information⁻¹)⁻¹ without inverting either."""
    held = np.linalg.inv(scatter)
    return np.asarray(held - held @ np.linalg.inv(held + information) @ held)
