"""The best circle through a path: algebraic start, geometric fit, covariance; and the ellipse a slanted one becomes.

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
    u, v = x - x0, y - y0
    square = u * u + v * v
    # about the centroid the constant stands alone, and two equations are left for the centre
    spread = np.array([[u @ u, u @ v], [u @ v, v @ v]])
    cx, cy = (float(c) for c in np.linalg.solve(2 * spread, [u @ square, v @ square]))
    return cx + x0, cy + y0, float(np.sqrt(square.mean() + cx**2 + cy**2))


def fit_circle(x: Floats, y: Floats, *, field: str = "path", iterations: int = 30) -> Circle:
    """Geometric least-squares circle through (N,) points; NaN points are left out.

    Raises:
        InputError: fewer than five points, or points on a line or in one spot.
    """
    keep = np.isfinite(x) & np.isfinite(y)
    x, y = x[keep], y[keep]
    if x.size < 5:
        raise InputError(field, "too few points for a circle", value=int(x.size), allowed="5 or more")
    u, v = x - x.mean(), y - y.mean()
    uu, uv, vv = float(u @ u), float(u @ v), float(v @ v)
    middle, half = (uu + vv) / 2, float(np.hypot((uu - vv) / 2, uv))  # of the two spreads squared
    if max(middle - half, 0.0) <= 1e-6 * max(middle + half, 1e-12):
        raise InputError(field, "the points do not go round: they lie on a line or in one spot")
    p = np.array(algebraic_circle(x, y))
    for _ in range(iterations):
        residual, normal, right = _off_circle(x, y, p)
        step = np.linalg.solve(normal, right)
        p = p + step
        if np.abs(step).max() < 1e-10 * max(1.0, p[2]):
            break
    residual, normal, _ = _off_circle(x, y, p)
    variance = float(residual @ residual) / (x.size - 3)
    covariance: Floats = variance * np.asarray(np.linalg.inv(normal), dtype=np.float64)
    return Circle(
        float(p[0]), float(p[1]), float(p[2]), covariance,
        float(np.sqrt(np.mean(residual**2))), float(np.abs(residual).max()), int(x.size),
    )  # fmt: skip


def _off_circle(x: Floats, y: Floats, p: Floats) -> tuple[Floats, Floats, Floats]:
    """(N,) distances of points from the circle p (x, y, radius); least-squares normal matrix (3, 3) and right side
    (3,) for a step of p."""
    dx, dy = x - p[0], y - p[1]
    d = np.sqrt(dx * dx + dy * dy)
    c, s, residual = dx / d, dy / d, d - p[2]
    cc, cs, c_all, s_all = c @ c, c @ s, c.sum(), s.sum()
    normal = np.array([[cc, cs, c_all], [cs, d.size - cc, s_all], [c_all, s_all, d.size]])
    return residual, normal, np.array([c @ residual, s @ residual, residual.sum()])


@dataclass(frozen=True)
class Ellipse:
    """An ellipse: centre x_mm, y_mm; half axes long_mm ≥ short_mm; turn_rad of the long one from x, −π/2 to π/2 (the
    unit is whatever the points had)."""

    x_mm: float
    y_mm: float
    long_mm: float
    short_mm: float
    turn_rad: float

    @property
    def to_unit_circle(self) -> Floats:
        """(2, 2) symmetric matrix that makes offsets from the centre a circle of radius 1, without a turn."""
        c, s = np.cos(self.turn_rad), np.sin(self.turn_rad)
        axes = np.array([[c, -s], [s, c]])
        return np.asarray(axes @ np.diag([1 / self.long_mm, 1 / self.short_mm]) @ axes.T)


def fit_ellipse(x: Floats, y: Floats, *, field: str = "path") -> Ellipse:
    """Direct least-squares ellipse through (N,) points (Fitzgibbon 1999 in the stable form of Halir & Flusser 1998).

    Raises:
        InputError: fewer than six points, or points that are on no ellipse.
    """
    if x.size < 6:
        raise InputError(field, "too few points for an ellipse", value=int(x.size), allowed="6 or more")
    middle, size = np.array([x.mean(), y.mean()]), float(np.hypot(x.std(), y.std())) or 1.0
    u, v = (x - middle[0]) / size, (y - middle[1]) / size
    square, straight = np.column_stack([u * u, u * v, v * v]), np.column_stack([u, v, np.ones_like(u)])
    try:
        back = -np.linalg.solve(straight.T @ straight, straight.T @ square)
        scatter = square.T @ square + square.T @ straight @ back
        half = np.array(
            [scatter[2] / 2, -scatter[1], scatter[0] / 2]
        )  # inverse of the constraint 4ac − b² = 1
        _, vectors = np.linalg.eig(half)
    except np.linalg.LinAlgError as error:
        raise InputError(field, "the points lie on no ellipse") from error
    vectors = vectors.real
    inside = 4 * vectors[0] * vectors[2] - vectors[1] ** 2
    if not np.isfinite(inside).all() or inside.max() <= 0:
        raise InputError(field, "the points lie on no ellipse")
    a, b, c = vectors[:, int(inside.argmax())]
    d, e, f = back @ np.array([a, b, c])
    form = np.array([[a, b / 2], [b / 2, c]])
    centre = np.linalg.solve(form, [-d / 2, -e / 2])
    level = float(centre @ form @ centre) - f
    scale, axes = np.linalg.eigh(form / level)  # 1/half axis², rising: the long axis comes first
    turn = float(np.arctan2(axes[1, 0], axes[0, 0]))
    turn = (turn + np.pi / 2) % np.pi - np.pi / 2
    centre = centre * size + middle
    long, short = size / np.sqrt(scale)
    return Ellipse(float(centre[0]), float(centre[1]), float(long), float(short), turn)
