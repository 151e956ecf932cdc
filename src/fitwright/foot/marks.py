"""M1 and M5 on one shoe from several ways of measuring them, combined by generalised least squares.

Four coordinates in the sole frame, mm: `m1_x`, `m1_z`, `m5_x`, `m5_z`. Each way of measuring states some of them with
a covariance: a sole photograph all four, a photograph of the inner edge only m1_x, a ruler from the heel both x. What
nobody measured may be guessed (from foot length); a guess never pulls at what was measured.

Estimate and residuals after JCGM 102:2011 and Aitken's theorem; where the readings of one coordinate scatter more
than their uncertainties allow (chi-square, 5 %), its u grows by the Birge ratio √(χ²/(n − 1)) (Birge 1932, Phys Rev
40:207), which for few readings is rather too small than too large (Bodnar & Elster 2014, Metrologia 51:516).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
from scipy.stats import chi2 as chi_square

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import check_across
from fitwright.foot.sole import SolePoint
from fitwright.quantity import Floats, Measured, combine, difference

COORDINATES = ("m1_x", "m1_z", "m5_x", "m5_z")
MARK = {name: name[:2].upper() for name in COORDINATES}
WAY = {name: "fore-aft" if name.endswith("x") else "sideways" for name in COORDINATES}
RANGE_MM = {
    "m1_x": (80.0, 350.0), "m1_z": (-90.0, 90.0), "m5_x": (80.0, 350.0), "m5_z": (-90.0, 90.0),
}  # fmt: skip
CHANCE = 0.05
"""Readings that honest uncertainties would scatter so far in fewer cases than this are called a conflict."""


@dataclass(frozen=True)
class Observation:
    """What one way of measuring says.

    Attributes:
        source: in a practitioner's words ("ruler from the heel").
        names: k of `COORDINATES`. values_mm: (k,). covariance_mm2: (k, k), positive definite.
        guess: nothing was measured; used only for coordinates that no measurement states.

    Raises:
        InputError: unknown or repeated names, numbers that are not finite or out of range, no covariance.
    """

    source: str
    names: tuple[str, ...]
    values_mm: Floats
    covariance_mm2: Floats
    guess: bool = False

    def __post_init__(self) -> None:
        unknown = [n for n in self.names if n not in COORDINATES]
        if unknown or not self.names or len(set(self.names)) != len(self.names):
            raise InputError(
                self.source, "states no coordinate, one twice, or one that is unknown",
                value=", ".join(self.names), allowed=", ".join(COORDINATES),
            )  # fmt: skip
        for name, value in zip(self.names, self.values_mm, strict=True):
            check_range(f"{self.source}, {name}", float(value), *RANGE_MM[name], "mm")
        covariance = np.asarray(self.covariance_mm2, dtype=np.float64)
        k = len(self.names)
        regular = covariance.shape == (k, k) and bool(np.all(np.isfinite(covariance)))
        if not regular or np.linalg.eigvalsh(covariance)[0] <= 0 or not np.allclose(covariance, covariance.T):
            raise InputError(
                self.source, "has no usable uncertainty", allowed="u > 0 mm, or a positive covariance"
            )

    @staticmethod
    def of(source: str, values: Mapping[str, Measured], *, guess: bool = False) -> Observation:
        """From independent values."""
        u = np.array([m.u for m in values.values()])
        return Observation(
            source, tuple(values), np.array([m.value for m in values.values()]), np.diag(u**2), guess
        )

    @staticmethod
    def of_points(source: str, m1: SolePoint | None, m5: SolePoint | None) -> Observation:
        """From points on a sole; what is None is not stated."""
        points = {name: p for name, p in (("m1", m1), ("m5", m5)) if p is not None}
        covariance = np.zeros((2 * len(points), 2 * len(points)))
        for i, p in enumerate(points.values()):
            covariance[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] = p.covariance_mm2
        values = np.concatenate([p.xz for p in points.values()]) if points else np.empty(0)
        return Observation(source, tuple(f"{n}_{a}" for n in points for a in "xz"), values, covariance)

    @property
    def measured(self) -> dict[str, Measured]:
        """Each stated coordinate by name."""
        u = np.sqrt(np.diag(self.covariance_mm2))
        rows = zip(self.names, self.values_mm, u, strict=True)
        return {name: Measured(float(value), float(s), "mm", self.source) for name, value, s in rows}

    def only(self, names: Sequence[str]) -> Observation | None:
        """The part about these coordinates; None when it says nothing about them."""
        kept = [i for i, name in enumerate(self.names) if name in names]
        if not kept:
            return None
        covariance = self.covariance_mm2[np.ix_(kept, kept)]
        named = tuple(self.names[i] for i in kept)
        return Observation(self.source, named, self.values_mm[kept], covariance, self.guess)

    def to_json(self) -> dict[str, Any]:
        """`{"source", "values", "covariance_mm2", "guess"}`, mm."""
        return {
            "source": self.source, "values": dict(zip(self.names, self.values_mm.tolist(), strict=True)),
            "covariance_mm2": np.asarray(self.covariance_mm2).tolist(), "guess": self.guess,
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> Observation:
        """The inverse of `to_json`; instead of a covariance `"u"` may be one number or one for each name.

        Raises InputError naming the source and what is missing.
        """
        source = str(data.get("source") or "observation")
        values, u, covariance = data.get("values"), data.get("u"), data.get("covariance_mm2")
        if not isinstance(values, Mapping):
            raise InputError(source, 'has no "values"', allowed='{"m1_x": 201.0, ...} in mm')
        try:
            numbers = np.array([float(v) for v in values.values()])
            if covariance is None:
                each = [float(u[n] if isinstance(u, Mapping) else u) for n in values]  # type: ignore[arg-type]
                covariance = np.diag(np.copysign(np.square(each), each))
            matrix = np.asarray(covariance, dtype=np.float64)
        except (TypeError, ValueError, KeyError):
            raise InputError(
                source, 'values, "u" or "covariance_mm2" cannot be read',
                allowed='numbers in mm, "u" one number or one for each value',
            ) from None  # fmt: skip
        return Observation(source, tuple(values), numbers, matrix, data.get("guess") is True)


@dataclass(frozen=True)
class Conflict:
    """The two readings of one coordinate that lie furthest apart, when all its readings scatter too much.

    difference_mm: absolute, u that of the difference. birge: factor by which u of the coordinate was widened.
    """

    name: str
    sources: tuple[str, str]
    difference_mm: Measured
    birge: float

    def words(self) -> str:
        """`ruler and sole photograph disagree on M1 by 9.0 mm fore-aft, 3.1 times their uncertainty: ...`"""
        mark, d = MARK[self.name], self.difference_mm
        return (
            f"{self.sources[0]} and {self.sources[1]} disagree on {mark} by {d.value:.1f} mm {WAY[self.name]}, "
            f"{d.value / d.u:.1f} times their uncertainty: measure {mark} again"
            f" (until then its ± is {self.birge:.1f} times as wide)"
        )

    def to_json(self) -> dict[str, Any]:
        """Numbers and words."""
        return {
            "coordinate": self.name, "sources": list(self.sources), "difference_mm": self.difference_mm.to_json(),
            "birge_ratio": self.birge, "words": self.words(),
        }  # fmt: skip


@dataclass(frozen=True)
class CombinedMarks:
    """The four coordinates, as far as they are known.

    Attributes:
        names: known coordinates. values_mm: (k,). covariance_mm2: (k, k), widened where there is a conflict.
        chi2, dof, p_value: of the fit before widening (p 1 when nothing is observed twice).
        residuals: one for each observation, name → (observed − combined)/u of that, 0 for a lone observation.
        guessed: coordinates that nobody measured. impossible: why the marks cannot be used, "" when they can.
    """

    names: tuple[str, ...]
    values_mm: Floats
    covariance_mm2: Floats
    sources: Mapping[str, tuple[str, ...]]
    chi2: float
    dof: int
    p_value: float
    residuals: tuple[Mapping[str, float], ...]
    conflicts: tuple[Conflict, ...]
    guessed: tuple[str, ...]
    impossible: str = ""

    @property
    def measured(self) -> dict[str, Measured]:
        """Each known coordinate by name."""
        u = np.sqrt(np.diag(self.covariance_mm2))
        return {
            name: Measured(float(value), float(s), "mm", "; ".join(self.sources[name]))
            for name, value, s in zip(self.names, self.values_mm, u, strict=True)
        }

    def point(self, mark: str) -> SolePoint | None:
        """ "m1" or "m5" on the sole; None until both its coordinates are known."""
        wanted = (f"{mark}_x", f"{mark}_z")
        if not set(wanted) <= set(self.names):
            return None
        at = [self.names.index(n) for n in wanted]
        x, z = self.values_mm[at].tolist()
        return SolePoint(x, z, self.covariance_mm2[np.ix_(at, at)])

    def to_json(self) -> dict[str, Any]:
        """Everything, `m1_mm` and `m5_mm` as in a sole reading."""
        points = {f"{m}_mm": p.to_json() if (p := self.point(m)) else None for m in ("m1", "m5")}
        return points | {
            "coordinates": {n: m.to_json() for n, m in self.measured.items()},
            "covariance_mm2": self.covariance_mm2.tolist(), "chi2": self.chi2, "dof": self.dof,
            "p_value": self.p_value, "normalised_residuals": [dict(r) for r in self.residuals],
            "conflicts": [c.to_json() for c in self.conflicts], "guessed": list(self.guessed),
            "impossible": self.impossible,
        }  # fmt: skip


def combine_marks(observations: Sequence[Observation]) -> CombinedMarks:
    """The best linear unbiased estimate of M1 and M5 from all observations, with what contradicts what."""
    seen = [o for o in observations if not o.guess]
    measured = tuple(n for n in COORDINATES if any(n in o.names for o in seen))
    absent = [n for n in COORDINATES if n not in measured]
    guesses = [part for o in observations if o.guess and (part := o.only(absent))]
    guessed = tuple(n for n in absent if any(n in o.names for o in guesses))
    x, C, residuals, chi2 = _solve(seen, measured)
    g, G, _, _ = _solve(guesses, guessed)
    conflicts = tuple(c for n in measured if (c := _conflict(n, seen)))
    widen = np.ones(len(measured))
    for c in conflicts:
        widen[measured.index(c.name)] = c.birge
    k = len(measured)
    covariance = np.zeros((k + len(guessed),) * 2)
    covariance[:k, :k], covariance[k:, k:] = C * np.outer(widen, widen), G
    order = [i for n in COORDINATES for i, m in enumerate((*measured, *guessed)) if m == n]
    names = tuple(n for n in COORDINATES if n in (*measured, *guessed))
    dof = sum(len(o.names) for o in seen) - k
    values = np.concatenate([x, g])[order]
    rest = iter(residuals)
    return CombinedMarks(
        names, values, covariance[np.ix_(order, order)],
        {n: tuple(o.source for o in (guesses if n in guessed else seen) if n in o.names) for n in names},
        chi2, dof, float(chi_square.sf(chi2, dof)) if dof else 1.0,
        tuple({} if o.guess else next(rest) for o in observations), conflicts, guessed,
        _impossible(dict(zip(names, values.tolist(), strict=True))),
    )  # fmt: skip


def _solve(
    observations: Sequence[Observation], names: tuple[str, ...]
) -> tuple[Floats, Floats, list[dict[str, float]], float]:
    """Generalised least squares: x (k,), C = (AᵀV⁻¹A)⁻¹ (k, k), normalised residuals, χ².

    Rows are whitened by the Cholesky factor of each observation's covariance, then solved by QR.
    """
    if not names:
        return np.empty(0), np.empty((0, 0)), [{} for _ in observations], 0.0
    picks = [np.array([[float(n == m) for m in names] for n in o.names]) for o in observations]
    factors = [np.linalg.cholesky(o.covariance_mm2) for o in observations]
    A = np.concatenate([np.linalg.solve(L, P) for L, P in zip(factors, picks, strict=True)])
    y = np.concatenate([np.linalg.solve(L, o.values_mm) for L, o in zip(factors, observations, strict=True)])
    Q, R = np.linalg.qr(A)
    x = np.linalg.solve(R, Q.T @ y)
    root = np.linalg.inv(R)
    C = root @ root.T
    residuals = [
        _normalised(o, o.values_mm - P @ x, o.covariance_mm2 - P @ C @ P.T)
        for o, P in zip(observations, picks, strict=True)
    ]
    return x, C, residuals, float(np.sum((y - A @ x) ** 2))


def _normalised(o: Observation, missed: Floats, covariance: Floats) -> dict[str, float]:
    """Residual over its own standard uncertainty; 0 where the estimate is that observation itself."""
    variance, own = np.diag(covariance), np.diag(o.covariance_mm2)
    told = variance > 1e-9 * own
    shares = np.where(told, missed / np.sqrt(np.where(told, variance, 1.0)), 0.0)
    return dict(zip(o.names, shares.tolist(), strict=True))


def _conflict(name: str, observations: Sequence[Observation]) -> Conflict | None:
    """Whether the readings of one coordinate scatter more than their uncertainties allow."""
    readings = [o.measured[name] for o in observations if name in o.names]
    if len(readings) < 2:
        return None
    x, w = np.array([m.value for m in readings]), np.array([m.u**-2 for m in readings])
    scatter = float(np.sum(w * (x - np.sum(w * x) / np.sum(w)) ** 2))
    if chi_square.sf(scatter, len(readings) - 1) >= CHANCE:
        return None
    a, b = max(
        combinations(readings, 2), key=lambda ab: abs(ab[0].value - ab[1].value) / combine(ab[0].u, ab[1].u)
    )
    d = difference(a, b)
    apart = Measured(abs(d.value), d.u, "mm", d.method)
    return Conflict(name, (a.method, b.method), apart, math.sqrt(scatter / (len(readings) - 1)))


def _impossible(at: Mapping[str, float]) -> str:
    try:
        check_marks(at)
    except InputError as error:
        return error.sentence()
    return ""


def check_marks(at: Mapping[str, float], sole_length_mm: float | None = None) -> None:
    """InputError when coordinates (as far as given, by name, mm) cannot be M1 and M5 of one shoe."""
    first, fifth = at.get("m1_x"), at.get("m5_x")
    inner, outer = at.get("m1_z"), at.get("m5_z")
    mirrored = inner is not None and outer is not None and inner >= outer
    behind = first is not None and fifth is not None and first <= fifth
    said = ", ".join(f"{n} {v:.1f}" for n, v in at.items())
    if mirrored or behind:
        raise InputError(
            "M1, M5", "the two marks look swapped", value=f"{said} mm",
            allowed="M1 ahead of M5 and further inward", hint="Exchange M1 and M5, or measure again.",
        )  # fmt: skip
    if inner is not None and outer is not None:
        check_across(inner, outer)
    for name in ("m1_x", "m5_x"):
        if sole_length_mm is not None and (x := at.get(name)) is not None and x > sole_length_mm:
            raise InputError(
                f"{MARK[name]} from the heel", "is longer than the sole", value=f"{x:.1f} mm",
                allowed=f"80 to {sole_length_mm:.0f} mm", hint="Measure from the rearmost point of the heel.",
            )  # fmt: skip
