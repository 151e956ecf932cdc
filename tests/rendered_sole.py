"""A small simulated sole photograph: strips, sole and marks through a pinhole camera with radial distortion.

Independent of the code under test except for the card's own drawing. Simulated, with known truth.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import cv2
import numpy as np

from fitwright.vision.card import SCALE_CARD, strip_picture

# marks of an invented sole, sole frame (x forward from the heel, z outward), mm
SOLE = {
    "heel_centre": (0.0, 0.0), "toe": (281.0, 0.0), "m1": (201.0, -38.0), "m5": (172.0, 44.0),
    "cleat_nose": (222.0, -3.0), "cleat_tail": (152.4, 5.5),
    "datum_1": (215.0, -28.0), "datum_2": (160.0, -26.0), "datum_3": (176.0, 34.0),
}  # fmt: skip


def sole_to_plane(points, foot):
    """Sole frame → plane (mm, x right, y down): heel below, toe above; seen from below."""
    x, z = np.asarray(points, dtype=float).T
    return np.column_stack([z if foot == "left" else -z, 140.0 - x])


@dataclass(frozen=True)
class Camera:
    """Pinhole with k1 only; `focal_px` for a picture of `size_px`."""

    size_px: tuple[int, int] = (1600, 1200)
    focal_px: float = 1250.0
    k1: float = 0.0
    distance_mm: float = 480.0
    tilt_deg: tuple[float, float] = (0.0, 0.0)
    spin_deg: float = 90.0
    shift_mm: tuple[float, float] = (0.0, 0.0)
    centre_shift_px: tuple[float, float] = (0.0, 0.0)

    @property
    def centre(self):
        return (np.array(self.size_px) - 1) / 2 + np.array(self.centre_shift_px)

    @property
    def pose(self):
        rx, ry = np.radians(self.tilt_deg)
        rz = math.radians(self.spin_deg)
        X = np.array([[1, 0, 0], [0, math.cos(rx), -math.sin(rx)], [0, math.sin(rx), math.cos(rx)]])
        Y = np.array([[math.cos(ry), 0, math.sin(ry)], [0, 1, 0], [-math.sin(ry), 0, math.cos(ry)]])
        Z = np.array([[math.cos(rz), -math.sin(rz), 0], [math.sin(rz), math.cos(rz), 0], [0, 0, 1]])
        return X @ Y @ Z, np.array([*self.shift_mm, self.distance_mm])

    def project(self, points_mm, height_mm=0.0):
        """Plane points (n, 2) → pixels (n, 2)."""
        R, t = self.pose
        p = np.column_stack([points_mm, np.full(len(points_mm), -height_mm)]) @ R.T + t
        xy = p[:, :2] / p[:, 2:]
        return xy * (1 + self.k1 * np.sum(xy**2, axis=1, keepdims=True)) * self.focal_px + self.centre

    def plane_of_pixels(self, uv):
        """Pixels (n, 2) → plane points by fixed-point undistortion and a 3 × 3 homography."""
        d = (uv - self.centre) / self.focal_px
        xy = d.copy()
        for _ in range(25):
            xy = d / (1 + self.k1 * np.sum(xy**2, axis=1, keepdims=True))
        R, t = self.pose
        H = np.linalg.inv(np.column_stack([R[:, 0], R[:, 1], t]))
        q = np.column_stack([xy, np.ones(len(xy))]) @ H.T
        return q[:, :2] / q[:, 2:]


@dataclass(frozen=True)
class Scene:
    """Where the strips lie (centre x, y mm, turn deg in the plane); what of them is covered."""

    strips: tuple[tuple[float, float, float], ...] = ((-85.0, 4.0, 1.5), (88.0, -3.0, -2.0))
    covered_mm: tuple[tuple[float, float, float, float], ...] = ()
    foot: str = "left"
    sole: dict = field(default_factory=lambda: dict(SOLE))

    def corners(self, index):
        """(24, 2) plane coordinates of a strip's corners."""
        strip = SCALE_CARD.strips[index]
        x, y, turn = self.strips[index]
        c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
        local = strip.corners_mm() - [strip.width_mm / 2, strip.height_mm / 2]
        return local @ np.array([[c, s], [-s, c]]) + [x, y]

    def canvas(self, px_per_mm, half_mm):
        """The plane from straight above as a grey picture; pixel (i, j) is at (j + 0.5) / px_per_mm - half."""
        side = round(2 * half_mm * px_per_mm)
        canvas = np.full((side, side), 150, np.uint8)
        outline = sole_to_plane(
            [(140 + 145 * math.cos(a), 46 * math.sin(a)) for a in np.linspace(0, 6.28, 80)], self.foot
        )
        cv2.fillPoly(canvas, [np.round((outline + half_mm) * px_per_mm).astype(np.int32)], 60)
        for x, y in sole_to_plane(list(self.sole.values()), self.foot):
            at = tuple(round((v + half_mm) * px_per_mm) for v in (x, y))
            cv2.circle(canvas, at, round(2 * px_per_mm), 235, -1, cv2.LINE_AA)
        for strip, (x, y, turn) in zip(SCALE_CARD.strips, self.strips, strict=False):
            flat = strip_picture(strip, px_per_mm, 4.0)
            c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
            R = np.array([[c, -s], [s, c]])
            middle = (np.array(flat.shape[::-1]) - 1) / 2
            shift = (np.array([x, y]) + half_mm) * px_per_mm - 0.5 - R @ middle
            M = np.column_stack([R, shift])
            warped = cv2.warpAffine(flat, M, (side, side), flags=cv2.INTER_CUBIC)
            mask = cv2.warpAffine(np.full_like(flat, 255), M, (side, side))
            canvas = np.where(mask > 127, warped, canvas)
        for x0, y0, x1, y1 in self.covered_mm:
            a, b, c, d = (round((v + half_mm) * px_per_mm) for v in (x0, y0, x1, y1))
            canvas[b:d, a:c] = 100
        return canvas


def photograph(
    scene, camera, *, noise=2.0, supersample=2, px_per_mm=6.0, half_mm=200.0, seed=1, gain=1.0, blur_px=0.5
):
    """(h, w) grey picture of the scene. Simulated."""
    w, h = camera.size_px
    k, every = (
        supersample,
        8,
    )  # the map pixel → plane is smooth: computed at each 8th fine pixel, linear between
    rows, columns = h * k // every + 2, w * k // every + 2
    u, v = np.meshgrid(*((np.arange(n) * every + 0.5) / k - 0.5 for n in (columns, rows)))
    mm = camera.plane_of_pixels(np.column_stack([u.ravel(), v.ravel()]))
    coarse = ((mm + half_mm) * px_per_mm - 0.5).astype(np.float32).reshape(rows, columns, 2)
    to_coarse = np.float32([[1 / every, 0, 0], [0, 1 / every, 0]])
    at = cv2.warpAffine(coarse, to_coarse, (w * k, h * k), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    fine = cv2.remap(
        scene.canvas(px_per_mm, half_mm), at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderValue=150
    )
    picture = cv2.GaussianBlur(
        cv2.resize(fine, (w, h), interpolation=cv2.INTER_AREA), (0, 0), max(blur_px, 0.01)
    )
    picture = 20 + picture.astype(np.float64) * 0.85 * gain
    picture += np.random.default_rng(seed).normal(0, noise, picture.shape)
    return np.clip(picture, 0, 255).astype(np.uint8)


def picked(scene, camera, rng=None, u_px=0.0):
    """Pixel position of every mark of the sole, with the noise of a hand when a generator is given."""
    uv = camera.project(sole_to_plane(list(scene.sole.values()), scene.foot))
    if rng is not None:
        uv = uv + rng.normal(0, u_px, uv.shape)
    return {name: (float(a), float(b)) for name, (a, b) in zip(scene.sole, uv, strict=True)}
