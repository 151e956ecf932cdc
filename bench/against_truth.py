"""What a film's reading is held against: the simulated truth. And the marks that a hand makes beside the points."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from bench.measurement import rms
from fitwright.demo.camera import SimCamera
from fitwright.demo.scene import axles_mm
from fitwright.demo.truth import Truth
from fitwright.motion.ride import RideResult
from fitwright.motion.side import analyse_side
from fitwright.quantity import Z95, Floats, Measured
from fitwright.studio.film import LANDMARKS
from fitwright.vision.sagittal import SideReading
from fitwright.vision.scene import Scene
from fitwright.vision.track import Tracks

PICK_PX = 0.7
"""How far off a simulated hand marks an axle, per coordinate (SD)."""
EXACT = "stickers sit exactly on their landmarks, so the part for their placement is left out"
Pair = tuple[Measured, float]
"""What is stated, and the truth."""


def marked_axles(camera: SimCamera, seed: int) -> Scene:
    """Both wheel axles as a hand marks them in a side film: the instructions ask for it."""
    rng = np.random.default_rng([seed, 77])
    return Scene(
        {n: camera.project(np.array(p))[0] + rng.normal(0, PICK_PX, 2) for n, p in axles_mm().items()}
    )


def camera_of(truth: Truth) -> SimCamera:
    """The camera that a simulated film was made with."""
    told = {k: v for k, v in truth.data["camera"].items() if k not in ("line_s", "principal_px")}
    return SimCamera(**told)


def side_results(reading: SideReading, crank_mm: float) -> tuple[RideResult, RideResult]:
    """A side film's result as stated, and as if stickers sat exactly."""
    method = {"dimension": "2-D", "state": "dynamic", "landmarks": LANDMARKS["side"]}
    exact = replace(reading.systematic, landmark_u_mm={})
    with_placement, without = (
        analyse_side(reading.trajectories, "right", crank_mm, s, method) for s in (reading.systematic, exact)
    )
    return with_placement, without


def curve_error(got: Floats, true: Floats) -> tuple[float, float, float]:
    """Of a mean curve (360,): RMS error, the shift of crank angle (deg) that explains most of it, RMS without it."""
    theta, shifts = np.arange(360.0), np.arange(-300, 301) / 100
    moved = [
        float(np.sqrt(np.nanmean((got - np.interp(theta + s, theta, true, period=360)) ** 2))) for s in shifts
    ]
    best = int(np.argmin(moved))
    return float(np.sqrt(np.nanmean((got - true) ** 2))), float(shifts[best]), moved[best]


def errors_of(tracks: Tracks, truth: Truth) -> dict[str, tuple[Floats, Floats, float]]:
    """name → (errors (N, 2) px where the sticker is free and was seen, their stated u (N, 2), share of free frames
    seen)."""
    at = np.abs(truth.time_s[None, :] - tracks.time_s[:, None]).argmin(axis=1)
    out = {}
    for i, name in enumerate(tracks.names):
        free = truth.visible(name)[at]
        error, u = (tracks.uv_px[:, i] - truth.px(name)[at])[free], tracks.u_px[:, i][free]
        seen = np.isfinite(error[:, 0])
        wide = np.broadcast_to(u[seen].reshape(int(seen.sum()), -1), (int(seen.sum()), 2))
        out[name] = (error[seen], wide, float(seen.mean()))
    return out


def z_of(pair: Pair) -> float:
    """Error over stated u."""
    return (pair[0].value - pair[1]) / pair[0].u


def held(pairs: Sequence[Pair]) -> float:
    """Share of stated 95 % intervals that hold the truth, %."""
    return 100 * float(np.mean([abs(z_of(p)) <= Z95 for p in pairs]))


def rms_z(pairs: Sequence[Pair]) -> float:
    """RMS of error over u: 1 would be just right."""
    return rms([z_of(p) for p in pairs])


def of_events(
    told: Mapping[str, Measured], true: Mapping[str, float], events: Sequence[str]
) -> dict[str, Pair]:
    """Stated values beside the truth, by event; those that were seen in too few turns are not stated."""
    return {e: (told[e], float(true[e])) for e in events if e in told}
