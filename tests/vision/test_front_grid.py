"""The front film over a grid of roll, lens offset, height, aim and distance: knee paths and the stated intervals
(simulated camera and legs, knee depth from the side film's twin)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.motion.front import analyse_front
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Measured
from fitwright.vision.camera import Pinhole
from fitwright.vision.frontal import PATELLA_AHEAD_MM, read_front
from simulated_side import CENTRE, CRANK_MM, leg_at, seen, theta_of

METHOD = {"dimension": "2-D", "state": "dynamic", "landmarks": "stickers"}
OUT = {"right": (-8.0, 4.0), "left": (-3.0, -10.0)}
"""Mean and cosine of the knee's place outward of the pedal, mm."""
NAMES = [f"{n}_{s}" for n in ("patella", "pedal") for s in ("left", "right")]


def place(name: str, times: np.ndarray, ahead_mm: float = PATELLA_AHEAD_MM) -> np.ndarray:
    side = name.split("_")[1]
    sign, angle = (1.0, theta_of(times)) if side == "right" else (-1.0, theta_of(times) + np.pi)
    leg = leg_at(angle)
    if name.startswith("pedal"):
        return np.column_stack([leg["pedal_axle"], np.full(len(times), sign * 128.0)])
    along = leg["greater_trochanter"] - leg["lateral_malleolus"]
    ahead = np.stack([along[:, 1], -along[:, 0]], axis=1) / np.linalg.norm(along, axis=1, keepdims=True)
    mean, cosine = OUT[side]
    return np.column_stack([leg["lateral_femoral_condyle"] + ahead_mm * ahead,
                            sign * (128.0 + mean + cosine * np.cos(angle))])  # fmt: skip


def twin() -> RideResult:
    pose = leg_at(np.radians(np.arange(360.0)))
    short = {"greater_trochanter": "hip", "lateral_femoral_condyle": "knee", "lateral_malleolus": "malleolus"}
    zero = np.zeros(360)
    curves = {f"{s}_{a}": CycleCurve(f"{s}_{a}", "mm", pose[n][:, i], zero, zero, 20)
              for n, s in short.items() for i, a in enumerate("xy")}  # fmt: skip
    return RideResult("side", Measured(88, 0.01, "rpm"), {"right": 20}, {"right": {}}, {"right": curves}, {})


def paths(camera: Pinhole, tape_mm: float | None, late_s: float = 0.010, ahead_mm: float = PATELLA_AHEAD_MM,
          told_ms: float | None = 10.0, seed: int = 1) -> list[tuple[float, float]]:  # fmt: skip
    """(error, u) of both knees at the top, at 90° and at the bottom, sticker placement counted as exact."""
    tracks = seen(camera, lambda n, t: place(n, t, ahead_mm), NAMES, late_s, np.arange(360) / 60, seed=seed)
    reading = read_front(tracks, CRANK_MM, tape_mm, twin(), told_ms)
    systematic = replace(reading.systematic, landmark_u_mm={})
    ride = analyse_front(reading.trajectories, reading.theta_rad, systematic, METHOD)
    out = []
    for side, (mean, cosine) in OUT.items():
        told = ride.quantities[side]["knee_path_mm"]
        out += [
            (told[e].value - mean - cosine * c, told[e].u) for e, c in (("top", 1), ("q90", 0), ("bdc", -1))
        ]
    return out


@pytest.mark.parametrize("roll", [-3.0, 1.2, 3.0])
@pytest.mark.parametrize(("offset", "distance"), [(-250.0, 2600.0), (0.0, 3300.0), (250.0, 4300.0)])
def test_roll_offset_and_distance_cost_less_than_two_millimetres(
    roll: float, offset: float, distance: float
) -> None:
    """Read plainly a roll of 3° alone would shift a knee by 30 mm against its pedal."""
    yaw = -np.degrees(np.arctan2(offset, distance))
    camera = Pinhole("front", (distance, 600.0, offset), 0.62 * distance, CENTRE, yaw, 1.2, roll, -0.012)
    tape = float(np.linalg.norm(camera.place_mm))
    errors = [e for e, _ in paths(camera, tape)]
    assert np.sqrt(np.mean(np.square(errors))) < 2.0


def test_stated_intervals_hold_the_knee() -> None:
    """Random cameras, lenses, readouts, tapes and depths of the patella: 95 % intervals over 24 films, 144 values."""
    rng = np.random.default_rng(9)
    pairs = []
    for k in range(24):
        distance, offset = rng.uniform(2600, 4300), rng.normal(0, 120)
        yaw = -np.degrees(np.arctan2(offset, distance)) + rng.normal(0, 1.5)
        camera = Pinhole("front", (distance, rng.uniform(350, 850), offset), 0.6 * distance, CENTRE, yaw,
                         rng.normal(0, 2.0), rng.normal(0, 2.0), rng.normal(0, 0.015))  # fmt: skip
        tape = float(np.linalg.norm(camera.place_mm)) + rng.normal(0, 15) if k % 2 else None
        late = float(np.clip(rng.normal(0.010, 0.005), 0, 0.02))
        pairs += paths(camera, tape, late, PATELLA_AHEAD_MM + rng.normal(0, 14), None, k)
    z = np.array([e / u for e, u in pairs])
    assert len(z) == 144
    assert np.mean(np.abs(z) < 1.96) >= 0.90
    assert 0.3 < np.sqrt(np.mean(z**2)) < 1.2
