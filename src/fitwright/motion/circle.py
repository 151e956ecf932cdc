"""The best circle through a path: algebraic start, geometric fit, covariance.

The algebraic fit (Kåsa 1976: least squares on x² + y² = 2ax + 2by + c) is linear but pulls the radius in when the
noise is large; it only starts the geometric fit, which minimises the distances to the circle.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.quantity import Floats


@dataclass(frozen=True)
class Circle:
    """A fitted circle.

    Attributes:
        x_mm, y_mm, radius_mm: centre and radius. covariance_mm2: (3, 3), order x, y, radius; it takes the
        residuals as independent, so smooth (systematic) residuals make it too small.
        residual_sd_mm: root mean square distance from the circle. residual_max_mm: the largest. points: how many.
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    covariance_mm2: Floats
    residual_sd_mm: float
    residual_max_mm: float
    points: int


def algebraic_circle(x: Floats, y: Floats) -> tuple[float, float, float]:
    """Kåsa's linear fit: centre x, y and radius of (N,) points."""
    x0, y0 = float(x.mean()), float(y.mean())
    a = np.column_stack([2 * (x - x0), 2 * (y - y0), np.ones_like(x)])
    (cx, cy, c), *_ = np.linalg.lstsq(a, (x - x0) ** 2 + (y - y0) ** 2, rcond=None)
    return float(cx) + x0, float(cy) + y0, float(np.sqrt(c + cx**2 + cy**2))


def fit_circle(x: Floats, y: Floats, *, field: str = "path", iterations: int = 30) -> Circle:
    """Geometric least-squares circle through (N,) points; NaN points are left out.

    Raises:
        InputError: fewer than five points, or points on a line or in one spot.
    """
    keep = np.isfinite(x) & np.isfinite(y)
    x, y = x[keep], y[keep]
    if x.size < 5:
        raise InputError(field, "too few points for a circle", value=int(x.size), allowed="5 or more")
    spread = np.linalg.svd(np.column_stack([x - x.mean(), y - y.mean()]), compute_uv=False)
    if spread[1] <= 1e-3 * max(float(spread[0]), 1e-9):
        raise InputError(field, "the points do not go round: they lie on a line or in one spot")
    p = np.array(algebraic_circle(x, y))
    for _ in range(iterations):
        dx, dy = x - p[0], y - p[1]
        d = np.hypot(dx, dy)
        jacobian = np.column_stack([-dx / d, -dy / d, -np.ones_like(d)])
        step, *_ = np.linalg.lstsq(jacobian, -(d - p[2]), rcond=None)
        p = p + step
        if np.abs(step).max() < 1e-10 * max(1.0, p[2]):
            break
    dx, dy = x - p[0], y - p[1]
    d = np.hypot(dx, dy)
    residual = d - p[2]
    jacobian = np.column_stack([-dx / d, -dy / d, -np.ones_like(d)])
    variance = float(residual @ residual) / (x.size - 3)
    covariance = variance * np.linalg.inv(jacobian.T @ jacobian)
    return Circle(
        float(p[0]), float(p[1]), float(p[2]), covariance,
        float(np.sqrt(np.mean(residual**2))), float(np.abs(residual).max()), int(x.size),
    )  # fmt: skip
