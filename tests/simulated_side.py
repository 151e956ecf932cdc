"""A simulated side film as tracks: a known leg, a known pinhole camera with a rolling shutter, no pictures drawn."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from fitwright.linkage.leg import solve
from fitwright.linkage.twin import LegTwin
from fitwright.vision.camera import Pinhole
from fitwright.vision.track import Tracks
from fitwright.vision.video import ClipInfo

LEG = LegTwin(405.0, 420.0, 125.0, 105.0, 172.5, -190.0, 751.0, 15.0, (-6.0, 0.0), (10.4, 0.0))
CRANK_MM = 172.5
SIZE = (1920, 1080)
CENTRE = ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)
INFO = ClipInfo("simulated", "h264", *SIZE, 60.0, 10.0, 0, 8, 15e6, 0.002)
SIDE = Pinhole("side", (-100.0, 600.0, 3600.0), 2300.0, CENTRE)
DEPTH_MM = {
    "pedal_axle": 186.0, "greater_trochanter": 160.0, "lateral_femoral_condyle": 176.0, "lateral_malleolus": 150.0,
    "heel": 140.0, "fifth_metatarsal": 165.0,
}  # fmt: skip
POSE = {
    "pedal_axle": "axle", "greater_trochanter": "hip", "lateral_femoral_condyle": "knee",
    "lateral_malleolus": "malleolus",
}  # fmt: skip
SHOE = {"heel": (-165.0, 55.0), "fifth_metatarsal": (-15.0, 40.0)}
"""Points of the shoe ahead of and above the axle, in the sole's frame, mm."""
LEG_POINTS = tuple(POSE)


def theta_of(t: np.ndarray, rpm: float = 88.0) -> np.ndarray:
    """Crank angle with a surge twice a turn, rad."""
    steady = 0.4 + t * rpm / 60 * 2 * np.pi
    return steady + 0.012 * np.sin(2 * steady)


def leg_at(angle_rad: np.ndarray) -> dict[str, np.ndarray]:
    """name → (T, 2) mm at those crank angles."""
    pose = solve(LEG, np.degrees(angle_rad))
    out = {
        n: np.stack([getattr(pose, f"{k}_{a}") + 0 * angle_rad for a in "xy"], axis=1)
        for n, k in POSE.items()
    }
    back = out["pedal_axle"] - out["lateral_malleolus"]
    pitch = np.arctan2(105.0, -125.0) - np.arctan2(-back[:, 1], -back[:, 0])  # heel-up positive
    c, s = np.cos(pitch), np.sin(pitch)
    for name, (ahead, above) in SHOE.items():
        out[name] = out["pedal_axle"] + np.column_stack([ahead * c + above * s, -ahead * s + above * c])
    return out


def seen(
    camera: Pinhole, place: Callable[[str, np.ndarray], np.ndarray], names: list[str], readout_s: float,
    t: np.ndarray, noise_px: float = 0.03, seed: int = 5,
) -> Tracks:  # fmt: skip
    """Tracks of points `place(name, times) -> (T, 3)` by a rolling-shutter camera."""
    rng = np.random.default_rng(seed)
    uv = np.empty((len(t), len(names), 2))
    for i, n in enumerate(names):
        own = t.copy()
        for _ in range(4):
            px = camera.project(place(n, own))
            own = t + px[:, 1] / SIZE[1] * readout_s
        uv[:, i] = px + rng.normal(0, noise_px, px.shape)
    quality = {n: {"seen": 1.0} for n in names}
    return Tracks(
        tuple(names), t, uv, np.full(uv.shape, max(noise_px, 0.02)), ("disc",) * len(names), INFO, quality
    )


def side_tracks(
    camera: Pinhole, seconds: float = 12.0, readout_s: float = 0.01, names: tuple[str, ...] = LEG_POINTS,
    still: Mapping[str, tuple[float, float, float]] | None = None, depth_mm: Mapping[str, float] = DEPTH_MM,
    rpm: float = 88.0, noise_px: float = 0.03, seed: int = 5, rate: float = 60.0,
) -> Tracks:  # fmt: skip
    """The rider from the right; `still`: name → place of points that do not move."""
    still = still or {}

    def place(name: str, times: np.ndarray) -> np.ndarray:
        if name in still:
            return np.tile(np.array(still[name]), (len(times), 1))
        xy = leg_at(theta_of(times, rpm))[name]
        return np.column_stack([xy, np.full(len(xy), depth_mm[name])])

    return seen(
        camera, place, [*names, *still], readout_s, np.arange(int(seconds * rate)) / rate, noise_px, seed
    )
