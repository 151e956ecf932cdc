"""A rigid motion of marks in the sole's plane: Kabsch's fit without scale.

Kabsch 1976 (Acta Cryst A32:922), Umeyama 1991 (IEEE TPAMI 13:376). With equal independent errors u_mark of each
coordinate, u(turn) = u_mark / √Σ r² about the marks' centre and u(shift of that centre) = u_mark / √n.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from fitwright.errors import InputError
from fitwright.quantity import Floats


@dataclass(frozen=True)
class RigidMotion:
    """A turn about `about` followed by a shift, sole frame.

    Attributes: turn_deg, from x towards z; shift (2,) mm of the point `about` (2,) mm; residual_mm, rms distance
    of the marks after the fit; covariance (3, 3) of shift x, shift z (mm), turn (deg).
    """

    turn_deg: float
    shift_mm: Floats
    about_mm: Floats
    residual_mm: float
    covariance: Floats

    def apply(self, points_mm: Floats) -> Floats:
        """(n, 2) points moved."""
        return np.asarray(
            (points_mm - self.about_mm) @ turn_matrix(self.turn_deg).T + self.about_mm + self.shift_mm
        )

    def at(self, point_mm: Floats) -> RigidMotion:
        """The same motion described by the shift of another point, with that point's covariance."""
        arm = turn_matrix(self.turn_deg) @ (point_mm - self.about_mm)
        J = np.eye(3)
        J[:2, 2] = np.radians([-arm[1], arm[0]])  # d(shift)/d(turn)
        shift = self.apply(point_mm[None])[0] - point_mm
        return replace(self, shift_mm=shift, about_mm=point_mm, covariance=J @ self.covariance @ J.T)


def turn_matrix(turn_deg: float) -> Floats:
    """(2, 2) rotation from x towards z."""
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.array([[c, -s], [s, c]])


def rigid_fit(source_mm: Floats, target_mm: Floats, u_mark_mm: float) -> RigidMotion:
    """Best rigid motion source → target (least squares, no scale), about the centre of the source marks.

    Args:
        source_mm, target_mm: (n, 2) the same marks in the same order. u_mark_mm: standard uncertainty of a
            mark's coordinate, both photographs together.

    Raises:
        InputError: fewer than two marks, or all in one place.
    """
    source, target = np.asarray(source_mm, dtype=np.float64), np.asarray(target_mm, dtype=np.float64)
    n = len(source)
    if n < 2:
        raise InputError("marks", "too few to see a turn", value=n, allowed="at least 2")
    centre, other = source.mean(axis=0), target.mean(axis=0)
    a, b = source - centre, target - other
    spread = float(np.sum(a**2))
    if spread < n * 1.0:
        raise InputError(
            "marks", "lie too close together", allowed="more than 1 mm from their centre on average"
        )
    turn = math.atan2(float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])), float(np.sum(a * b)))
    residual = b - a @ turn_matrix(math.degrees(turn)).T
    rms = math.sqrt(float(np.mean(np.sum(residual**2, axis=1))))
    u_turn = math.degrees(u_mark_mm / math.sqrt(spread))
    covariance = np.diag([u_mark_mm**2 / n, u_mark_mm**2 / n, u_turn**2])
    return RigidMotion(math.degrees(turn), other - centre, centre, rms, covariance)


def stretch(source_mm: Floats, target_mm: Floats) -> float:
    """How much larger the target figure is than the source (Umeyama's scale); 1 when only moved."""
    motion = rigid_fit(source_mm, target_mm, 1.0)
    a = (source_mm - source_mm.mean(axis=0)) @ turn_matrix(motion.turn_deg).T
    b = target_mm - target_mm.mean(axis=0)
    return float(np.sum(a * b) / np.sum(a**2))
