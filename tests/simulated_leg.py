"""A simulated leg on the pedals at even cadence, with exact derivatives, and a pedal force for it."""

from __future__ import annotations

import numpy as np

from fitwright.linkage.dynamics import LegMotion, over_turn
from fitwright.linkage.leg import pose_arrays
from fitwright.quantity import Floats


def pedalling(rpm: float = 90.0, n: int = 720) -> tuple[LegMotion, Floats]:
    """One turn of a rigid foot's leg at even cadence, and the axle's path (n, 2) in m."""
    theta = np.arange(n) * 360 / n
    beta = 15 + 12 * np.cos(np.radians(theta - 300))
    p = pose_arrays(thigh=405, shank=420, a=125, b=105, crank=172.5, hip_x=-190, hip_y=741, beta_deg=beta,
                    theta_deg=theta)  # fmt: skip
    turn = 60 / rpm

    def point(x, y):
        return over_turn(np.stack([x, y], axis=1) / 1000, turn)

    c, s = np.cos(np.radians(beta)), np.sin(np.radians(beta))

    def on_foot(along, up):
        return point(p.axle_x + along * c + up * s, p.axle_y - along * s + up * c)

    motion = LegMotion(
        point(p.hip_x + 0 * theta, p.hip_y + 0 * theta), point(p.knee_x, p.knee_y),
        point(p.malleolus_x, p.malleolus_y), on_foot(-180, 20), on_foot(70, 10),
    )  # fmt: skip
    return motion, np.stack([p.axle_x, p.axle_y], axis=1) / 1000


def pedal_force(n: int) -> Floats:
    """(n, 2) N, by the pedal on the foot: upward, least at the top."""
    theta = np.arange(n) * 2 * np.pi / n
    return np.stack([-40 + 60 * np.cos(theta), 120 - 200 * np.sin(theta)], axis=1)
