"""Cloth and skin that swing, turn, fold and are lit unevenly (simulated), without a marker."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter

from bench.drawn import Film, film_to
from fitwright.quantity import Floats
from fitwright.vision.track import track_points

FPS, SIZE = 60.0, (480, 360)
MIDDLE = np.array([240.0, 170.0])
SWING = {"hip": np.array([3.0, 5.0]), "knee": np.array([22.0, 32.0])}


@dataclass(frozen=True)
class Fabric:
    """What is seen and where: grain (px) and contrast (grey levels, SD) of its pattern, folds (px) that come and go
    once a turn, how far it turns (deg), and the joint whose swing it shares."""

    name: str
    grain_px: float
    contrast: float
    fold_px: float
    tilt_deg: float
    joint: str


FABRICS = (
    Fabric("patterned cloth at the hip", 2.5, 26.0, 0.3, 4.0, "hip"),
    Fabric("plain knit at the hip", 1.6, 7.0, 0.3, 4.0, "hip"),
    Fabric("patterned cloth at the knee", 2.5, 26.0, 0.5, 14.0, "knee"),
    Fabric("skin at the knee", 3.5, 6.0, 0.3, 14.0, "knee"),
)


def place(fabric: Fabric, t: float) -> Floats:
    """Where the marked spot is."""
    turn = t * 85 / 60 * 2 * np.pi
    return np.asarray(MIDDLE + SWING[fabric.joint] * [np.sin(turn), np.cos(turn)])


def cloth_film(fabric: Fabric, seconds: float, seed: int = 3) -> tuple[Floats, Floats]:
    """Errors (T, 2) px of the marked spot followed through a film of it, and the stated u."""
    rng = np.random.default_rng(seed)
    grain = gaussian_filter(rng.normal(0, 1, (420, 420)), fabric.grain_px)
    sheet = (120 + fabric.contrast * grain / grain.std()).astype(np.float32)
    v, u = np.mgrid[0 : SIZE[1], 0 : SIZE[0]].astype(np.float32)
    middle = np.array([209.5, 209.5])

    def drawn(film: Film, t: float, background: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        turn = t * 85 / 60 * 2 * np.pi
        angle = np.radians(fabric.tilt_deg) * np.sin(turn)
        at = place(fabric, t)
        c, s = np.cos(angle), np.sin(angle)
        x, y = c * (u - at[0]) + s * (v - at[1]), -s * (u - at[0]) + c * (v - at[1])
        fold = fabric.fold_px * np.sin(turn)  # the spot itself does not fold away
        x = x + fold * np.sin(y / 17)
        y = y + fold * np.sin(x / 23)
        luma = cv2.remap(
            sheet, (x + middle[0]).astype(np.float32), (y + middle[1]).astype(np.float32), cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REFLECT,
        )  # fmt: skip
        light = 1 + 0.12 * np.sin(0.7 * t) + 0.06 * (u / SIZE[0] - 0.5) * np.cos(0.4 * t)
        return np.clip(np.rint(luma * light + rng.normal(0, 1.6, luma.shape)), 0, 255).astype(np.uint8)

    times = np.arange(round(seconds * FPS)) / FPS
    with tempfile.TemporaryDirectory() as folder:
        path = film_to(Path(folder) / "cloth.mp4", Film({}, times, size=SIZE), seed, drawn)
        tracks = track_points(path, 0.0, {"greater_trochanter": place(fabric, 0.0)})
    true = np.stack([place(fabric, t) for t in tracks.time_s])
    return tracks.uv_px[:, 0] - true, tracks.u_px[:, 0]
