"""The front film over a grid of roll, lens offset, height, aim and distance: knee paths and the stated intervals
(simulated camera and legs, knee depth from the side film's twin)."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from fitwright.motion.front import analyse_front
from fitwright.vision.camera import Pinhole
from fitwright.vision.frontal import PATELLA_AHEAD_MM, read_front
from simulated_front import KNEE_OUT, front_place, side_twin
from simulated_side import CENTRE, CRANK_MM, seen

METHOD = {"dimension": "2-D", "state": "dynamic", "landmarks": "stickers"}
NAMES = [f"{n}_{s}" for n in ("patella", "pedal") for s in ("left", "right")]


def paths(camera: Pinhole, tape_mm: float | None, late_s: float = 0.010, ahead_mm: float = PATELLA_AHEAD_MM,
          told_ms: float | None = 10.0, seed: int = 1) -> list[tuple[float, float]]:  # fmt: skip
    """(error, u) of both knees at the top, at 90° and at the bottom, sticker placement counted as exact."""
    tracks = seen(
        camera, partial(front_place, ahead_mm=ahead_mm), NAMES, late_s, np.arange(360) / 60, seed=seed
    )
    reading = read_front(tracks, CRANK_MM, tape_mm, side_twin(), told_ms)
    systematic = replace(reading.systematic, landmark_u_mm={})
    ride = analyse_front(reading.trajectories, reading.theta_rad, systematic, METHOD)
    out = []
    for side, (mean, cosine) in KNEE_OUT.items():
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


@pytest.mark.parametrize(("yaw", "tilt"), [(10.0, 0.0), (-10.0, 3.0), (0.0, 5.0)])
def test_a_camera_askew_costs_less_than_two_millimetres(yaw: float, tilt: float) -> None:
    """Aimed beside the bike, so that it is seen off the picture's middle; the side film's phase turns the camera
    about the crank's axle, which rolls a camera askew too: left out, that alone cost 3 mm."""
    camera = Pinhole("front", (3300.0, 600.0, 60.0), 1600.0, CENTRE, yaw, 2.0 + tilt, 1.0, -0.01)
    pairs = paths(camera, float(np.linalg.norm(camera.place_mm)))
    assert np.sqrt(np.mean([e**2 for e, _ in pairs])) < 1.5
    assert np.max([u for _, u in pairs]) < 3.0


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
