"""Outlines in the sole frame (x forward from the heel, z lateral, mm): a plain sole and plain cleats.

They stand in where nobody measured an outline; every drawing that uses them says so. A cleat is told by its
bolt pattern and its size, not by its maker.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import axle_fraction
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.quantity import Floats
from fitwright.sheets.side_shapes import closed_curve

CLEAT_SIZE_MM = {"three-bolt": (66.0, 60.0), "two-bolt": (52.0, 32.0)}
"""Length × width of the plain cleat of each pattern (common practice, no source; give your own where measured)."""

_SOLE = (
    (0.000, 0.00), (0.020, 0.19), (0.090, 0.31), (0.240, 0.30), (0.400, 0.35), (0.540, 0.46), (0.640, 0.510),
    (0.740, 0.490), (0.850, 0.385), (0.935, 0.225), (0.982, 0.085), (1.000, -0.055), (0.982, -0.195), (0.930, -0.345),
    (0.830, -0.455), (0.730, -0.480), (0.620, -0.430), (0.470, -0.305), (0.330, -0.265), (0.190, -0.295),
    (0.080, -0.285), (0.020, -0.18),
)  # fmt: skip
_THREE_BOLT = (
    (0.5, 0.0),
    (0.44, 0.16),
    (0.16, 0.30),
    (-0.10, 0.47),
    (-0.34, 0.50),
    (-0.48, 0.40),
    (-0.5, 0.12),
)
_TWO_BOLT = ((0.5, 0.0), (0.47, 0.26), (0.30, 0.40), (0.10, 0.50), (-0.14, 0.50), (-0.34, 0.36), (-0.48, 0.24),
             (-0.5, 0.0))  # fmt: skip


def sole_outline(length_mm: float, width_mm: float | None = None) -> Floats:
    """(n, 2) x, z of a plain sole: heel at x = 0, toe at x = length; width is its widest place (0.335 length)."""
    length = check_range("sole length_mm", length_mm, 150, 400, "mm")
    width = check_range("sole width_mm", 0.335 * length if width_mm is None else width_mm, 50, 160, "mm")
    return _plain_sole(length, width).copy()


@lru_cache(maxsize=16)
def _plain_sole(length: float, width: float) -> Floats:
    """A drawing asks for the same sole many times."""
    curve = closed_curve([(x * length, z * width) for x, z in _SOLE], 5)
    span = np.ptp(curve[:, 0]), np.ptp(curve[:, 1])
    curve[:, 0] = (curve[:, 0] - curve[:, 0].min()) * length / span[0]
    curve[:, 1] *= width / span[1]
    return curve


def width_for(length_mm: float, m1: SolePoint | None, m5: SolePoint | None) -> float:
    """A width that leaves 7 mm outside both marks on the plain sole."""
    wide = 0.335 * length_mm
    if m1 is None or m5 is None:
        return wide
    return float(np.clip(max(wide, (abs(m1.z_mm) + 7) / 0.475, (abs(m5.z_mm) + 7) / 0.485), 50, 160))


def cleat_outline(
    pattern: str = "three-bolt", length_mm: float | None = None, width_mm: float | None = None
) -> Floats:
    """(n, 2) outline in the cleat frame (origin at the cleat centre, first axis forward) of a plain cleat."""
    if pattern not in CLEAT_SIZE_MM:
        raise InputError("bolt pattern", "unknown", value=pattern, allowed=", ".join(CLEAT_SIZE_MM))
    long, wide = CLEAT_SIZE_MM[pattern]
    long = check_range("cleat length_mm", long if length_mm is None else length_mm, 20, 120, "mm")
    wide = check_range("cleat width_mm", wide if width_mm is None else width_mm, 15, 100, "mm")
    half = _THREE_BOLT if pattern == "three-bolt" else _TWO_BOLT
    other = [(x, -z) for x, z in reversed(half) if abs(z) > 1e-9]
    return _rounded(np.array([*half, *other]) * [long, wide], 5.0 if pattern == "three-bolt" else 3.5)


def _rounded(corners: Floats, radius: float) -> Floats:
    """(n, 2) the polygon with each corner replaced by a quadratic curve of about `radius`."""
    out = []
    for k, corner in enumerate(corners):
        before, after = corners[k - 1], corners[(k + 1) % len(corners)]
        starts = [corner + (p - corner) * min(0.45, radius / max(math.hypot(*(p - corner)), 1e-9))
                  for p in (before, after)]  # fmt: skip
        for t in np.linspace(0, 1, 5):
            out.append((1 - t) ** 2 * starts[0] + 2 * t * (1 - t) * corner + t**2 * starts[1])
    return np.asarray(out)


def axle_crossing(pose: CleatPose, m1: SolePoint, m5: SolePoint) -> tuple[float, Floats] | None:
    """λ (0 under M1, 1 under M5) where the axle line crosses M1–M5, and the place; None when it runs along it."""
    try:
        share = axle_fraction(m1.xz, m5.xz, pose.vector[:2], pose.psi_deg)
    except InputError:
        return None
    return share, m1.xz + share * (m5.xz - m1.xz)


def ellipse95(centre: Floats, covariance: Floats, times: float = 1.0) -> Floats:
    """(n, 2) the 95 % ellipse of a point (χ² with two degrees of freedom: 5.991), drawn `times` as large."""
    values, vectors = np.linalg.eigh(np.asarray(covariance, dtype=np.float64)[:2, :2])
    t = np.linspace(0, 2 * math.pi, 24, endpoint=False)
    axes = math.sqrt(5.991464547) * times * np.sqrt(np.clip(values, 0, None))
    turned = (np.column_stack([np.cos(t), np.sin(t)]) * axes) @ vectors.T
    return np.asarray(np.asarray(centre) + turned, dtype=np.float64)
