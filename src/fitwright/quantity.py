"""Values that carry their uncertainty.

Terms after JCGM 100:2008 ("GUM"): `u` is a standard uncertainty (one standard deviation of what the value may
reasonably be), an expanded interval is ± 1.96 u (95 %, normal). Formulas for SEM and MDC after Weir 2005
(J Strength Cond Res 19:231; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Z95 = NormalDist().inv_cdf(0.975)


@dataclass(frozen=True, slots=True)
class Measured:
    """A value with its standard uncertainty, unit and method.

    Attributes:
        value: the best estimate, in `unit`.
        u: standard uncertainty, in `unit`, >= 0.
        unit: "mm", "deg", "rpm", "s", "kg", "%" or "1".
        method: how it was measured, in a few words a practitioner reads.
        estimate: it hangs from a point that was guessed and confirmed by nobody: printed as an estimate, and
            nothing acts on it.
    """

    value: float
    u: float
    unit: str
    method: str = ""
    estimate: bool = False

    def __post_init__(self) -> None:
        if self.u < 0:
            raise ValueError(f"a standard uncertainty cannot be negative: {self.u}")

    @property
    def interval95(self) -> tuple[float, float]:
        """Lower and upper end of the 95 % interval."""
        return self.value - Z95 * self.u, self.value + Z95 * self.u

    def widened(self, *u: float) -> Measured:
        """The same value with further independent standard uncertainties added in quadrature."""
        return replace(self, u=combine(self.u, *u))

    def to_json(self) -> dict[str, Any]:
        """`{"value", "u", "unit", "method"}`, and `"estimate": true` where it is one."""
        told = {"value": self.value, "u": self.u, "unit": self.unit, "method": self.method}
        return told | {"estimate": True} if self.estimate else told

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Measured:
        """The inverse of `to_json`."""
        return Measured(
            float(data["value"]), float(data["u"]), str(data["unit"]), str(data.get("method", "")),
            bool(data.get("estimate", False)),
        )  # fmt: skip

    def __str__(self) -> str:
        return format_pm(self)


def format_pm(m: Measured) -> str:
    """`33.8 ± 1.1°`: the value ± its 95 % half-width, rounded to what the uncertainty supports; an estimate reads
    `34°, estimate ± 12°`.

    A value with u = 0 stands alone; a half-width that would round to nothing is given as "< 0.01".
    """
    half = Z95 * m.u
    decimals = 0 if half >= 9.5 else 1 if half == 0 else min(2, max(0, 1 - math.floor(math.log10(half))))
    decimals = decimals if m.unit != "1" else 2
    decimals = min(decimals, 1) if m.unit in ("mm", "deg") else decimals
    tail = {"deg": "°", "1": "", "%": " %", "mm2": " mm²"}.get(m.unit, f" {m.unit}")
    value = round(m.value, decimals) + 0.0  # + 0.0 turns -0.0 into 0.0
    if half == 0:
        return f"{value:.{decimals}f}{tail}".replace("-", "−")
    least = 10.0**-decimals
    spread = f"{half:.{decimals}f}" if half >= least / 2 else f"< {least:.{decimals}f}"
    word = f"{tail}, estimate" if m.estimate else ""
    return f"{value:.{decimals}f}{word} ± {spread}{tail}".replace("-", "−")


def listed(values: Floats, decimals: int) -> list[float | None]:
    """Numbers (N,) as a record keeps them: rounded, None where not known."""
    rounded = np.round(values, decimals)
    out: list[float | None] = rounded.tolist()
    for k in np.flatnonzero(~np.isfinite(rounded)).tolist():
        out[k] = None
    return out


def combine(*u: float) -> float:
    """Root sum of squares of independent standard uncertainties (JCGM 100, 5.1.2)."""
    return math.sqrt(math.fsum(x * x for x in u))


def mdc95(sem: float) -> float:
    """Minimal detectable change at 95 %: 1.96 √2 SEM (Weir 2005)."""
    return Z95 * math.sqrt(2.0) * sem


def difference(after: Measured, before: Measured) -> Measured:
    """after − before with independent errors; units must agree."""
    if after.unit != before.unit:
        raise ValueError(f"cannot subtract {before.unit} from {after.unit}")
    method = after.method if after.method == before.method else f"{after.method} − {before.method}"
    u, estimate = combine(after.u, before.u), after.estimate or before.estimate
    return Measured(after.value - before.value, u, after.unit, method, estimate)


def distinguishable(after: Measured, before: Measured) -> bool:
    """Whether the difference exceeds its 95 % half-width; with equal u it is the MDC95 rule. Never of an estimate."""
    d = difference(after, before)
    return not d.estimate and abs(d.value) > Z95 * d.u


def repeated(values: Sequence[float], unit: str, method: str, u_single_floor: float = 0.0) -> Measured:
    """Mean of repeated trials with the SEM of the mean (JCGM 100, 4.2.3).

    `u_single_floor` is what one reading cannot beat (instrument, landmark): it does not shrink with repeats.
    """
    x = np.asarray(values, dtype=np.float64)
    if x.size == 0:
        raise ValueError("no trial given")
    sem = float(x.std(ddof=1) / math.sqrt(x.size)) if x.size > 1 else 0.0
    return Measured(float(x.mean()), combine(sem, u_single_floor), unit, method)


def weighted_mean(values: Sequence[Measured]) -> Measured:
    """Inverse-variance mean; u is enlarged by the Birge ratio when the readings disagree (never reduced)."""
    if not values:
        raise ValueError("nothing to average")
    w = np.array([1.0 / max(m.u, 1e-12) ** 2 for m in values])
    x = np.array([m.value for m in values])
    mean = float(np.sum(w * x) / np.sum(w))
    u = float(1.0 / math.sqrt(np.sum(w)))
    if len(values) > 1:
        u *= max(1.0, math.sqrt(float(np.sum(w * (x - mean) ** 2)) / (len(values) - 1)))
    method = "; ".join(dict.fromkeys(m.method for m in values))
    return Measured(mean, u, values[0].unit, method, any(m.estimate for m in values))


def probability_within(m: Measured, low: float, high: float) -> float:
    """Probability that the true value lies in [low, high], normal with sd u (u = 0 gives 0 or 1)."""
    if m.u == 0:
        return float(low <= m.value <= high)
    normal = NormalDist(m.value, m.u)
    return normal.cdf(high) - normal.cdf(low)


def propagate(
    function: Callable[[Floats], ArrayLike], mean: ArrayLike, covariance: ArrayLike, step: float = 1e-4,
    *, batched: bool = False,
) -> tuple[Floats, Floats]:  # fmt: skip
    """First-order propagation (JCGM 100, 5.2) with a central-difference Jacobian.

    Args:
        function: maps a vector (n,) to a vector (m,); when `batched`, vectors (k, n) to (k, m) in one call.
        mean: (n,) input values. covariance: (n, n).
        step: difference step as a share of each input's standard uncertainty (or absolute where that is 0).

    Returns:
        the function's value (m,) and its covariance (m, m).
    """
    value, slopes = sensitivities(function, mean, covariance, step, batched=batched)
    return value, slopes @ np.asarray(covariance, dtype=np.float64) @ slopes.T


def sensitivities(
    function: Callable[[Floats], ArrayLike], mean: ArrayLike, covariance: ArrayLike, step: float = 1e-4,
    *, batched: bool = False,
) -> tuple[Floats, Floats]:  # fmt: skip
    """The function's value (m,) and its Jacobian (m, n), for shares of an uncertainty; arguments as `propagate`."""
    x0 = np.asarray(mean, dtype=np.float64)
    sd = np.sqrt(np.diag(np.asarray(covariance, dtype=np.float64)))
    h = np.where(sd > 0, step * sd, step)
    inputs = np.concatenate([x0[None], x0 + np.diag(h), x0 - np.diag(h)])
    rows = function(inputs) if batched else [np.atleast_1d(np.asarray(function(x))) for x in inputs]
    y = np.asarray(rows, dtype=np.float64)
    n = x0.size
    return y[0], ((y[1 : n + 1] - y[n + 1 :]) / (2 * h[:, None])).T
