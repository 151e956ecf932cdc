"""Do the strips lie in one plane? The second strip is let loose: how far is it tilted against the first?

A strip that lies higher or lower looks like a plane that leans, and is measured as one; what a plane cannot explain
is that one strip leans and the other does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from fitwright.quantity import Z95, Floats, Measured
from fitwright.vision.lens import distort
from fitwright.vision.plane import CAMERA, OPTICS, CardPlane, place, rotation, shift

NOISE_PX = 0.08  # of a corner at best; what is left of the fit says whether it is more
TWIST_DEG = 1.0
"""A smaller tilt moves nothing on a sole by more than about 0.1 mm (our choice)."""


@dataclass(frozen=True)
class Twist:
    """How the second strip is tilted out of the first one's plane: about its length and about its width, deg."""

    names: tuple[str, str]
    about_length: Measured
    about_width: Measured

    @property
    def tilt_deg(self) -> Measured:
        """Angle between both planes."""
        a, b = self.about_length, self.about_width
        size = math.hypot(a.value, b.value)
        u = math.hypot(a.value * a.u, b.value * b.u) / size if size > 0 else math.hypot(a.u, b.u)
        return Measured(size, u, "deg", "both strips fitted by themselves")

    @property
    def matters(self) -> bool:
        """Whether it is surely there, and large enough to be worth a word."""
        sure = any(abs(m.value) > 2 * Z95 * m.u for m in (self.about_length, self.about_width))
        return sure and self.tilt_deg.value > TWIST_DEG

    @property
    def words(self) -> str:
        """`strip B is tilted by 4.1 ± 0.3° against strip A`."""
        first, second = self.names
        return f"strip {second} is tilted by {self.tilt_deg} against strip {first}"


def twist_of(plane: CardPlane) -> Twist | None:
    """The tilt between the first two strips of a fitted plane; None with one strip.

    Both poses and the lens are fitted anew from the plane's solution; the lens stays within its prior.
    """
    if len(plane.boards) < 2:
        return None
    first, second = plane.boards[:2]
    scale = plane.print_scale.value
    mm = [np.column_stack([b.corners_mm * scale, np.zeros(len(b.corner_ids))]) for b in (first, second)]
    middle = mm[1].mean(axis=0)
    p, spread = plane.parameters, plane.prior.spread
    R, turn = rotation(p, plane.start_rotation), _turned(np.array([0, 0, p[CAMERA + 2]]))
    at = np.array([*place(middle[None, :2], p, 1)[0], 0.0])
    seen = np.concatenate([first.corners_px, second.corners_px])
    start = np.linalg.lstsq(spread, p[OPTICS] - plane.prior.mean, rcond=None)[0]

    def misfit(z: Floats) -> Floats:
        """z (..., k): turn and shift of the first strip, of the second against it, and the lens's directions."""
        own = (mm[1] - middle) @ _flip(turn @ _turned(z[..., 6:9])) + at + z[..., None, 9:12]
        both = np.concatenate([np.broadcast_to(mm[0], (*z.shape[:-1], *mm[0].shape)), own], axis=-2)
        view = both @ _flip(R @ _turned(z[..., :3])) + shift(p) + z[..., None, 3:6]
        lens = z[..., 12:]
        pixels = distort(p[OPTICS] + lens @ spread.T, view[..., :2] / view[..., 2:])
        miss = ((pixels - seen) / NOISE_PX).reshape(*z.shape[:-1], -1)
        return np.concatenate([miss, lens + start], axis=-1)

    steps = np.array([0.1] * 3 + [10, 10, 50] + [0.1] * 3 + [10] * 3 + [1.0] * spread.shape[1])
    h = 1e-5 * steps

    def slopes(z: Floats) -> Floats:
        return np.asarray((misfit(z + np.diag(h)) - misfit(z - np.diag(h))).T / (2 * h), dtype=np.float64)

    fit = least_squares(misfit, np.zeros(len(steps)), slopes, method="lm", x_scale=steps)
    J = slopes(fit.x)
    noise = max(1.0, float(np.sum(fit.fun**2)) / max(1, seen.size - 12))
    u = np.degrees(np.sqrt(np.diag(np.linalg.pinv(J.T @ J, hermitian=True, rcond=1e-18)) * noise))
    width, length = (
        Measured(math.degrees(fit.x[i]), float(u[i]), "deg", "strip fitted by itself") for i in (6, 7)
    )
    return Twist((first.layout.name, second.layout.name), length, width)


def _turned(w: Floats) -> Floats:
    return rotation(w, np.eye(3))


def _flip(matrix: Floats) -> Floats:
    return np.swapaxes(matrix, -1, -2)
