"""A simulated leg with known truth for the motion tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from fitwright.motion.trajectories import Trajectories

CRANK, THIGH, SHANK, BACK, ABOVE = 172.5, 405.0, 420.0, 125.0, 105.0


def crank_angle(time_s: np.ndarray, rpm: float) -> np.ndarray:
    """Uneven pedalling: the pace swings twice in each turn."""
    w = 2 * np.pi * rpm / 60
    return w * time_s + 0.04 * np.sin(2 * w * time_s) + 0.3


def leg_points(theta: np.ndarray) -> dict[str, np.ndarray]:
    """Points of the worked leg (pitch 15° − 12° cos(θ − 300°), saddle 705 mm), bike frame, mm."""
    beta = np.radians(15 - 12 * np.cos(theta - np.radians(300)))
    axle = CRANK * np.column_stack([np.sin(theta), np.cos(theta)])
    forward = np.column_stack([np.cos(beta), -np.sin(beta)])
    upward = np.column_stack([np.sin(beta), np.cos(beta)])
    ankle = axle - BACK * forward + ABOVE * upward
    seat = np.radians(73.5)
    hip = np.array([-705 * np.cos(seat) + 10, 705 * np.sin(seat) + 75]) + np.zeros_like(axle)
    to_ankle = ankle - hip
    d = np.linalg.norm(to_ankle, axis=1)
    lift = np.arccos((THIGH**2 + d**2 - SHANK**2) / (2 * THIGH * d))
    direction = np.arctan2(to_ankle[:, 1], to_ankle[:, 0]) + lift
    knee = hip + THIGH * np.column_stack([np.cos(direction), np.sin(direction)])
    return {
        "greater_trochanter": hip, "lateral_femoral_condyle": knee, "lateral_malleolus": ankle, "pedal_axle": axle,
        "heel": axle - 200 * forward + 20 * upward, "fifth_metatarsal": axle - 12 * forward + 20 * upward,
        "acromion": hip + np.array([300.0, 400.0]), "elbow": hip + np.array([480.0, 220.0]),
        "wrist": hip + np.array([680.0, 200.0]),
    }  # fmt: skip


@pytest.fixture
def side_film() -> Callable[..., Trajectories]:
    """`side_film(seconds, rpm, noise_mm, rate_hz, jitter, theta)` → simulated side view with true time stamps."""

    def make(
        seconds: float = 12.0, rpm: float = 87.0, noise_mm: float = 0.0, rate_hz: float = 60.0, jitter: float = 0.0,
        theta: np.ndarray | None = None, seed: int = 1,
    ) -> Trajectories:  # fmt: skip
        rng = np.random.default_rng(seed)
        time = np.arange(0.0, seconds, 1 / rate_hz)
        time = time + rng.uniform(-0.5, 0.5, time.size) * jitter / rate_hz
        points = leg_points(crank_angle(time, rpm) if theta is None else theta)
        position = np.stack(list(points.values()), axis=1) + np.array([12.0, -30.0])
        position = position + rng.normal(0, 1, position.shape) * noise_mm
        u = np.full_like(position, max(noise_mm, 0.01))
        return Trajectories(tuple(points), time, position, u, ("X", "Y"), "simulated")

    return make


@pytest.fixture
def worked_leg() -> dict[str, float]:
    """Truth of the simulated leg at a fine step, deg."""
    theta = np.radians(np.arange(0, 360, 0.01))
    p = leg_points(theta)
    a = p["greater_trochanter"] - p["lateral_femoral_condyle"]
    b = p["lateral_malleolus"] - p["lateral_femoral_condyle"]
    cosine = (a * b).sum(1) / np.linalg.norm(a, axis=1) / np.linalg.norm(b, axis=1)
    flexion = 180 - np.degrees(np.arccos(cosine))
    return {
        "min": flexion.min(), "max": flexion.max(), "bdc": flexion[18000],
        "min_at": np.degrees(theta[flexion.argmin()]), "max_at": np.degrees(theta[flexion.argmax()]),
    }  # fmt: skip


@pytest.fixture
def even_crank() -> Callable[[np.ndarray, float], np.ndarray]:
    """The simulated crank angle as a function of time and cadence."""
    return crank_angle
