"""Can the shoe touch the front wheel? Wheel straight by a formula, turned by sweeping the steering.

Straight, crank level, seen from the side: clearance = √((F − L)² + d²) − R − s, with F the front axle ahead of the
bottom bracket, L the crank, d the front axle above it, R the tyre's outer radius, s the shoe ahead of the pedal axle.
Below zero the toe reaches into the tyre's circle: it then passes beside a straight wheel and may meet a turned one.
Turned, the wheel swings about the steering axis (head angle γ, fork offset f); shoe points are carried round with the
crank, and the smallest distance between any of them and the tyre is sought over both.

Bike frame: X forward, Y up, Z to the rider's right, origin at the bottom bracket, mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.errors import check_range
from fitwright.quantity import Floats

LIMITS: dict[str, tuple[float, float, str]] = {
    "front_centre_mm": (450, 900, "mm"), "axle_above_bb_mm": (-50, 150, "mm"), "radius_mm": (150, 420, "mm"),
    "tyre_width_mm": (15, 130, "mm"), "head_angle_deg": (55, 85, "deg"), "fork_offset_mm": (0, 110, "mm"),
}  # fmt: skip


@dataclass(frozen=True)
class FrontEnd:
    """Front wheel and steering (bounds in `LIMITS`).

    Attributes:
        front_centre_mm: bottom-bracket axle to front axle, straight line. axle_above_bb_mm: how much higher the front
        axle lies. radius_mm: to the tread. tyre_width_mm. head_angle_deg: steering axis from the horizontal.
        fork_offset_mm: front axle ahead of the steering axis, square to it.
    """

    front_centre_mm: float
    axle_above_bb_mm: float
    radius_mm: float
    tyre_width_mm: float
    head_angle_deg: float
    fork_offset_mm: float

    def __post_init__(self) -> None:
        for name, (low, high, unit) in LIMITS.items():
            check_range(name, getattr(self, name), low, high, unit)

    @property
    def ahead_mm(self) -> float:
        """F: the front axle ahead of the bottom bracket, level."""
        return math.sqrt(self.front_centre_mm**2 - self.axle_above_bb_mm**2)

    @property
    def trail_mm(self) -> float:
        """How far the tyre's contact lies behind the steering axis on the ground."""
        gamma = math.radians(self.head_angle_deg)
        return (self.radius_mm * math.cos(gamma) - self.fork_offset_mm) / math.sin(gamma)

    def wheel(self, steer_deg: Floats) -> tuple[Floats, Floats]:
        """Wheel centre and unit normal, (n, 3) each, at steering angles (positive to the rider's right, deg).

        Rodrigues' rotation about the steering axis through the point of it that lies square behind the front axle.
        """
        gamma, delta = math.radians(self.head_angle_deg), -np.radians(np.atleast_1d(steer_deg))
        axis = np.array([-math.cos(gamma), math.sin(gamma), 0.0])
        ahead = np.array([math.sin(gamma), math.cos(gamma), 0.0])
        foot = np.array([self.ahead_mm, self.axle_above_bb_mm, 0.0]) - self.fork_offset_mm * ahead
        c, s = np.cos(delta)[:, None], np.sin(delta)[:, None]
        sideways = np.array([0.0, 0.0, 1.0])
        centre = foot + self.fork_offset_mm * (c * ahead + s * np.cross(axis, ahead))
        return centre, c * sideways + s * np.cross(axis, sideways)


def straight_clearance(front: FrontEnd, crank_mm: float, shoe_ahead_mm: float) -> float:
    """The formula at the head of this module, mm: wheel straight, crank level and forward."""
    span = math.hypot(front.ahead_mm - crank_mm, front.axle_above_bb_mm)
    return span - front.radius_mm - shoe_ahead_mm


@dataclass(frozen=True)
class ToeOverlap:
    """The tightest place between shoe and tyre within a steering range.

    Attributes: gap_mm (negative: they meet), at crank_deg (of that foot) and steer_deg (positive: the wheel turned to
    the side of this foot); touches_deg: the least steering angle either way at which they meet, None when never;
    straight_mm: smallest gap with the wheel straight.
    """

    gap_mm: float
    crank_deg: float
    steer_deg: float
    touches_deg: float | None
    straight_mm: float

    def to_json(self) -> dict[str, Any]:
        """Plain numbers."""
        return {
            "gap_mm": self.gap_mm, "crank_deg": self.crank_deg, "steer_deg": self.steer_deg,
            "touches_deg": self.touches_deg, "straight_mm": self.straight_mm,
        }  # fmt: skip


def toe_overlap(
    front: FrontEnd, crank_mm: float, shoe_XW: Floats, heights_mm: Sequence[float], *, steer_deg: float = 25.0,
    pitch_deg: float = 10.0, step_deg: float = 1.0,
) -> ToeOverlap:  # fmt: skip
    """Smallest gap between shoe and tyre while the wheel is turned up to ± `steer_deg` and the crank goes round.

    Args:
        shoe_XW: (n, 2) of the shoe's front, ahead of the pedal axle and outward of the mid-plane (`frame.to_bike`).
        heights_mm: levels of the shoe above the axle. pitch_deg: sole pitch while the foot is forward, heel up.

    Both feet are seen alike: outward is positive, and a positive steering angle turns the wheel to this foot's side.
    """
    check_range("crank_mm", crank_mm, 100, 220, "mm")
    check_range("steer_deg", steer_deg, 0, 60, "deg")
    theta = np.arange(20.0, 160.0 + step_deg / 2, step_deg)
    steers = np.linspace(-steer_deg, steer_deg, max(1, 2 * math.ceil(steer_deg / step_deg) + 1))
    shoe = _shoe_points(shoe_XW, heights_mm, theta, crank_mm, pitch_deg)
    gaps = _gaps(front, shoe, *front.wheel(steers)).min(axis=1).T  # (steers, thetas)
    k, t = np.unravel_index(int(np.argmin(gaps)), gaps.shape)
    touching = np.abs(steers[gaps.min(axis=1) <= 0])
    return ToeOverlap(
        float(gaps[k, t]), float(theta[t]), float(steers[k]) + 0.0,
        float(touching.min()) if touching.size else None, float(gaps[len(steers) // 2].min()),
    )  # fmt: skip


def _shoe_points(
    shoe_XW: Floats, heights_mm: Sequence[float], theta_deg: Floats, crank_mm: float, pitch_deg: float
) -> Floats:
    """(thetas, points, 3) of the shoe in the bike frame, outward to +Z."""
    t, beta = np.radians(theta_deg)[:, None], math.radians(pitch_deg)
    x, w = (np.repeat(shoe_XW[:, k], len(heights_mm)) for k in (0, 1))
    y = np.tile(np.asarray(heights_mm, dtype=np.float64), len(shoe_XW))
    X = crank_mm * np.sin(t) + x * math.cos(beta) + y * math.sin(beta)
    Y = crank_mm * np.cos(t) - x * math.sin(beta) + y * math.cos(beta)
    return np.stack([X, Y, np.broadcast_to(w, X.shape)], axis=-1)


def _gaps(front: FrontEnd, shoe: Floats, centres: Floats, normals: Floats) -> Floats:
    """(thetas, points, wheels) distance of each point (thetas, points, 3) to each wheel (centre and unit normal,
    (n, 3) each) with a round tyre; between the spokes, to the wheel's plane."""
    across = shoe @ normals.T - np.sum(centres * normals, axis=1)
    apart_sq = np.sum(shoe**2, axis=-1)[..., None] - 2 * shoe @ centres.T + np.sum(centres**2, axis=1)
    out = np.sqrt(np.maximum(apart_sq - across**2, 0))
    tube = front.tyre_width_mm / 2
    return np.asarray(
        np.hypot(np.maximum(out - (front.radius_mm - tube), 0), across) - tube, dtype=np.float64
    )


def toe_cap(length_mm: float, m1_z_mm: float = -42.0, m5_z_mm: float = 46.0) -> Floats:
    """(9, 2) front of a shoe in the sole frame where nobody found its outline: half an ellipse from the ball on.

    `m1_z_mm`, `m5_z_mm`: the shoe's edges at the ball. Its form is common practice, no source.
    """
    t = np.linspace(-math.pi / 2, math.pi / 2, 9)
    ball = 0.72 * length_mm
    middle, half = (m1_z_mm + m5_z_mm) / 2, (m5_z_mm - m1_z_mm) / 2
    x = ball + (length_mm - ball) * np.cos(t)
    z = middle * (1 - np.cos(t)) + half * np.sin(t)
    return np.column_stack([x, z])


def moved(front: FrontEnd, deltas: Sequence[float]) -> FrontEnd:
    """The same front end with `LIMITS`' six numbers shifted, in their order (for propagation)."""
    values = {n: getattr(front, n) + d for n, d in zip(LIMITS, deltas, strict=True)}
    return replace(front, **values)
