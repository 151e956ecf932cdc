"""Edges and lines to a fraction of a pixel: where an edge crosses a normal, and the line through many such places."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError
from fitwright.quantity import Floats
from fitwright.vision.picture import Grey

STEP_PX = 0.25
"""Spacing of samples along a normal."""


@dataclass(frozen=True)
class Line:
    """A straight line by total least squares.

    Attributes:
        centre: (2,) mean of its points. direction: (2,) unit vector. rms: of the points' distances. n: points used.
        u_angle_deg: standard uncertainty of the direction, from the residuals. length: span of the points.
        Units are those of the points (px or mm).
    """

    centre: Floats
    direction: Floats
    rms: float
    n: int
    u_angle_deg: float
    length: float

    @property
    def angle_deg(self) -> float:
        """Direction, −90 < angle ≤ 90, from x towards y."""
        angle = math.degrees(math.atan2(self.direction[1], self.direction[0]))
        return angle - 180 * math.ceil((angle - 90) / 180)

    @property
    def normal(self) -> Floats:
        """(2,) unit vector across."""
        return np.array([-self.direction[1], self.direction[0]])

    def distance(self, points: Floats) -> Floats:
        """(n,) signed distance of points (n, 2)."""
        return np.asarray((points - self.centre) @ self.normal)

    def nearest(self, point: Floats) -> Floats:
        """(2,) foot of the perpendicular from a point."""
        return np.asarray(self.centre + self.direction * float((point - self.centre) @ self.direction))

    def crossing(self, other: Line) -> Floats:
        """(2,) where two lines cross; InputError when they are parallel."""
        across = float(self.direction @ other.normal)
        if abs(across) < 1e-6:
            raise InputError("lines", "are parallel: they do not cross", hint="Pick two lines that meet.")
        return np.asarray(
            self.centre + self.direction * float((other.centre - self.centre) @ other.normal) / across
        )

    def crossing_outline(self, outline: Floats, near: Floats, within: float) -> Floats | None:
        """(2,) where the line crosses a closed polygon (n, 2), nearest to a place; None when not within reach."""
        d = self.distance(outline)
        after = np.roll(d, -1)
        (k,) = np.nonzero((d < 0) != (after < 0))
        share = d[k] / (d[k] - after[k])
        places = outline[k] + share[:, None] * (np.roll(outline, -1, axis=0)[k] - outline[k])
        far = np.hypot(*(places - near).T)
        return np.asarray(places[np.argmin(far)]) if len(k) and far.min() <= within else None


def fit_line(points: Floats, weights: Floats | None = None) -> Line:
    """Total-least-squares line through points (n, 2): the axis of least scatter (Pearson 1901, Phil Mag 2:559).

    u(direction) = s / √Σ t² with t along the line and s² = Σ d² / (n − 2), as for independent distances d.
    """
    points = np.asarray(points, dtype=np.float64)
    n = len(points)
    if n < 3:
        raise InputError("edge", "too few points for a line", value=n, allowed="at least 3")
    w = np.ones(n) if weights is None else np.asarray(weights, dtype=np.float64)
    centre = (w[:, None] * points).sum(axis=0) / w.sum()
    a = points - centre
    values, vectors = np.linalg.eigh((a * w[:, None]).T @ a / w.sum())
    direction = vectors[:, 1]
    along, across = a @ direction, a @ vectors[:, 0]
    s2 = float(np.sum(w * across**2) / w.sum()) * n / max(n - 2, 1)
    spread = float(np.sum(w * along**2) / w.sum()) * n
    u = math.degrees(math.sqrt(s2 / max(spread, 1e-12)))
    return Line(centre, direction, math.sqrt(max(float(values[0]), 0.0)), n, u, float(np.ptp(along)))


def fit_line_robustly(points: Floats, least_share: float = 0.5) -> Line:
    """The same without points that lie far off (beyond three times the median distance), repeated until it stays."""
    keep = np.ones(len(points), dtype=bool)
    line = fit_line(points)
    for _ in range(10):
        distance = np.abs(line.distance(points))
        now = distance <= max(3 * 1.4826 * float(np.median(distance)), 0.05)
        if now.sum() < max(3, least_share * len(points)):
            raise InputError(
                "edge", "its points do not lie on one straight line", hint="Pick its ends again."
            )
        if np.array_equal(now, keep):
            break
        keep, line = now, fit_line(points[now])
    return line


def edge_profiles(
    grey: Grey, base_px: Floats, direction: Floats, reach_px: float, breadth_px: float
) -> NDArray[np.float32]:
    """(n, m) grey levels along each normal from −reach to +reach every `STEP_PX`, averaged over ±breadth."""
    s = np.arange(-reach_px, reach_px + STEP_PX / 2, STEP_PX)
    along = np.column_stack([-direction[:, 1], direction[:, 0]])
    lanes = np.linspace(-breadth_px, breadth_px, 5)
    u, v = (
        base_px[:, k, None, None] + s[None, None, :] * direction[:, k, None, None]
        + lanes[None, :, None] * along[:, k, None, None]
        for k in (0, 1)
    )  # fmt: skip
    n, m = len(base_px), len(s)
    flat = (n * len(lanes), m)
    seen = cv2.remap(
        grey, u.reshape(flat).astype(np.float32), v.reshape(flat).astype(np.float32), cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )  # fmt: skip
    return np.asarray(seen.reshape(n, len(lanes), m).mean(axis=1, dtype=np.float32))


def edge_offsets(
    grey: Grey, base_px: Floats, direction: Floats, reach_px: float, breadth_px: float = 2.0
) -> tuple[Floats, Floats]:
    """Where the strongest edge crosses each normal.

    Args:
        base_px: (n, 2) points near the edge. direction: (n, 2) unit vectors across it. reach_px: how far to look
            either way. breadth_px: half-breadth that is averaged along the edge.

    Returns:
        offset (n,) along the direction, px: centroid of the slope around its peak; strength (n,): grey levels
        between both sides.
    """
    s = np.arange(-reach_px - 2, reach_px + 2 + STEP_PX / 2, STEP_PX)
    n, m = len(base_px), len(s)
    profile = edge_profiles(grey, base_px, direction, reach_px + 2, breadth_px)
    profile = cv2.GaussianBlur(profile, (9, 1), 0.7 / STEP_PX, borderType=cv2.BORDER_REPLICATE)
    slope = np.gradient(profile, STEP_PX, axis=1)
    inner = np.abs(s) <= reach_px
    peak = np.argmax(np.where(inner, np.abs(slope), 0.0), axis=1)
    sign = np.sign(slope[np.arange(n), peak])
    height = np.abs(slope[np.arange(n), peak])
    near = np.abs(s[None, :] - s[peak][:, None]) <= 2.5
    weight = np.where(near, np.maximum(slope * sign[:, None] - 0.15 * height[:, None], 0.0), 0.0)
    offset = (weight * s).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    rows, side = np.arange(n), round(2.5 / STEP_PX)
    sides = [profile[rows, np.clip(peak + k, 0, m - 1)] for k in (-side, side)]
    return np.asarray(offset, dtype=np.float64), np.abs(sides[1] - sides[0]).astype(np.float64)


def corner_near(grey: Grey, uv_px: Floats, window_px: float) -> Floats | None:
    """The corner or crossing of lines near a place (all edges point at it: Förstner & Gülch 1987), or None when the
    search leaves the window."""
    half = int(np.clip(window_px, 3, 40))
    start = np.asarray(uv_px, dtype=np.float32).reshape(1, 1, 2)
    height, width = grey.shape
    if not (half + 2 < uv_px[0] < width - half - 3 and half + 2 < uv_px[1] < height - half - 3):
        return None
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-3)
    found = cv2.cornerSubPix(grey, start.copy(), (half, half), (-1, -1), stop).reshape(2).astype(np.float64)
    moved = float(np.hypot(*(found - uv_px)))
    return found if 0 < moved < half - 0.5 else None
