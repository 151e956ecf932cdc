"""Convex regions of the plane: hull, nearest point, what a line cuts out."""

from __future__ import annotations

import numpy as np

from fitwright.quantity import Floats


def convex_hull(points: Floats) -> Floats:
    """Corners of the convex hull, in order round (Andrew 1979, monotone chain)."""
    ordered = sorted({(round(float(x), 9), round(float(z), 9)) for x, z in points})
    if len(ordered) < 3:
        return np.array(ordered)

    def chain(line: list[tuple[float, float]]) -> list[tuple[float, float]]:
        hull: list[tuple[float, float]] = []
        for p in line:
            while len(hull) > 1:
                (ax, az), (bx, bz) = hull[-2], hull[-1]
                if (bx - ax) * (p[1] - az) - (bz - az) * (p[0] - ax) > 0:
                    break
                hull.pop()
            hull.append(p)
        return hull[:-1]

    return np.array(chain(ordered) + chain(ordered[::-1]))


def area_of(polygon: Floats) -> float:
    """Area of a polygon whose corners are in order round."""
    x, z = polygon.T
    return float(abs(np.sum(x * np.roll(z, -1) - z * np.roll(x, -1))) / 2)


def inside(polygon: Floats, point: Floats) -> bool:
    """Whether a convex polygon (corners in order, some area) holds the point; its edge belongs to it."""
    edge, to = np.roll(polygon, -1, axis=0) - polygon, point - polygon
    side = edge[:, 0] * to[:, 1] - edge[:, 1] * to[:, 0]
    one_sided = bool(np.all(side >= 0) or np.all(side <= 0))
    return one_sided and bool(np.any(side != 0)) and area_of(polygon) > 1e-12


def nearest_in_polygon(polygon: Floats, point: Floats) -> Floats:
    """The point of a convex polygon (corners in order) that is nearest to `point` (itself when inside)."""
    if inside(polygon, point):
        return np.asarray(point, dtype=np.float64)
    edge, to = np.roll(polygon, -1, axis=0) - polygon, point - polygon
    share = np.clip(np.sum(to * edge, axis=1) / np.maximum(np.sum(edge**2, axis=1), 1e-18), 0, 1)
    feet = polygon + share[:, None] * edge
    return np.asarray(feet[np.argmin(np.sum((feet - point) ** 2, axis=1))], dtype=np.float64)


def nearest_on_line(polygon: Floats, origin: Floats, direction: Floats, point: Floats) -> Floats | None:
    """The point of polygon ∩ line that is nearest to `point`; None when the line misses the polygon."""
    along = direction / np.linalg.norm(direction)
    across = np.array([-along[1], along[0]])
    off, run = (polygon - origin) @ across, (polygon - origin) @ along
    off2, run2 = np.roll(off, -1), np.roll(run, -1)
    meets = np.concatenate([run[np.abs(off) < 1e-9], _crossings(off, off2, run, run2)])
    if len(meets) == 0:
        return None
    place = np.clip((point - origin) @ along, meets.min(), meets.max())
    return np.asarray(origin + place * along, dtype=np.float64)


def _crossings(off: Floats, off2: Floats, run: Floats, run2: Floats) -> Floats:
    cut = off * off2 < 0
    share = off[cut] / (off[cut] - off2[cut])
    return np.asarray(run[cut] + share * (run2[cut] - run[cut]), dtype=np.float64)
