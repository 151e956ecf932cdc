"""Contrast discs drawn analytically: sub-pixel edges, averaged over the exposure, row by row.

A pixel in row v sees the disc where it is during [t_v − T/2, t_v + T/2] with t_v = pts + v · line. The disc's path
around its own mid-exposure time is taken to second order: its neglected third-order term stays below 2e-4 px here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.demo.camera import SimCamera
from fitwright.quantity import Floats

OUTER_MM, INNER_MM = 12.0, 7.2
LIGHT, DARK = 222.0, 34.0
EDGE_PX = 1.5  # width of the edge: pixel area and lens blur together


@dataclass(frozen=True)
class StickerTrack:
    """One sticker over a clip at its own mid-exposure times.

    centre_px (F, 2), speed (F, 2) px/s, acceleration (F, 2) px/s², jacobian (F, 2, 2) px per mm of its plane,
    visible (F,) bool.
    """

    name: str
    centre_px: Floats
    speed_px_s: Floats
    accel_px_s2: Floats
    jacobian: Floats
    visible: np.ndarray


def coverage(
    track: StickerTrack, frame: int, camera: SimCamera, sub: int
) -> tuple[tuple[int, int], Floats, Floats]:
    """Top-left pixel (u, v) and the outer and inner discs' coverage (h, w) in [0, 1] of one frame.

    `sub` midpoints sample the exposure.
    """
    c, v, a = track.centre_px[frame], track.speed_px_s[frame], track.accel_px_s2[frame]
    jac = track.jacobian[frame]
    reach = OUTER_MM * np.linalg.norm(jac, 2) + EDGE_PX + np.abs(v) * camera.exposure_s / 2 + 1
    low, high = np.floor(c - reach).astype(int), np.ceil(c + reach).astype(int)
    u = np.arange(low[0], high[0] + 1, dtype=np.float32)
    row = np.arange(low[1], high[1] + 1, dtype=np.float32)
    steps = (np.arange(sub, dtype=np.float32) + 0.5) / sub - 0.5
    tau = steps[:, None] * camera.exposure_s + (row - c[1])[None, :] * camera.line_s  # (sub, h)
    du = u[None, None, :] - (c[0] + v[0] * tau + a[0] / 2 * tau**2)[:, :, None]
    dv = (row[None, :] - (c[1] + v[1] * tau + a[1] / 2 * tau**2))[:, :, None]
    inverse = np.linalg.inv(jac)
    x = inverse[0, 0] * du + inverse[0, 1] * dv
    z = inverse[1, 0] * du + inverse[1, 1] * dv
    r = np.sqrt(x * x + z * z)
    per_px = np.sqrt(abs(np.linalg.det(jac)))
    outer, inner = (_edge((R - r) * per_px).mean(axis=0) for R in (OUTER_MM, INNER_MM))
    return (int(low[0]), int(low[1])), outer, inner


def _edge(signed_px: Floats) -> Floats:
    """0 outside, 1 inside, a smooth step of `EDGE_PX` between (odd about ½, so it shifts no centre)."""
    s = np.clip(0.5 + signed_px / EDGE_PX, 0.0, 1.0)
    return np.asarray(s * s * (3 - 2 * s))


def stamp(luma: np.ndarray, track: StickerTrack, frame: int, camera: SimCamera) -> None:
    """Draws the disc into `luma` (H, W) uint8 in place; nothing when it lies outside."""
    blur = float(np.linalg.norm(track.speed_px_s[frame])) * camera.exposure_s
    (u0, v0), outer, inner = coverage(track, frame, camera, int(np.clip(np.ceil(3 * blur), 2, 16)))
    h, w = outer.shape
    a, b = max(0, -v0), max(0, -u0)
    c, d = min(h, luma.shape[0] - v0), min(w, luma.shape[1] - u0)
    if a >= c or b >= d:
        return
    outer, inner = outer[a:c, b:d], inner[a:c, b:d]
    patch = luma[v0 + a : v0 + c, u0 + b : u0 + d]
    shown = patch * (1 - outer) + LIGHT * (outer - inner) + DARK * inner
    patch[...] = np.clip(np.rint(shown), 0, 255).astype(np.uint8)
