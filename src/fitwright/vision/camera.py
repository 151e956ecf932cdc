"""The camera that filmed: pinhole with one radial term.

Camera axes: right, down, forward. Bike frame: X forward, Y up, Z to the rider's right. A side camera stands to the
rider's right and looks left (a left-side film is mirrored first, so that the same numbers hold); a front camera
stands ahead and looks back. Yaw, tilt and roll turn it about its own down, right and optical axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.quantity import Floats

BASE = {
    "side": np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]]),
    "front": np.array([[0.0, 0, -1], [0, -1, 0], [-1, 0, 0]]),
}
K1_U = 0.015
"""Standard uncertainty of the radial lens term of a telephone film whose lens nobody calibrated (our choice)."""

U_PICK_PX = 0.7
"""Standard uncertainty of a hand-picked coordinate in a film (common practice, no source)."""


@dataclass(frozen=True)
class Pinhole:
    """A camera with known place and optics: `view` names its base orientation; angles in degrees; place in mm in the
    bike frame; focal length and principal point in px; k1 for r' = r (1 + k1 r²)."""

    view: str
    place_mm: tuple[float, float, float]
    focal_px: float
    centre_px: tuple[float, float]
    yaw_deg: float = 0.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    k1: float = 0.0

    @property
    def rotation(self) -> Floats:
        """(3, 3) bike frame to camera axes."""
        about_down, about_right, about_axis = self._turns
        return np.asarray(about_axis @ about_right @ about_down @ BASE[self.view])

    @property
    def _turns(self) -> tuple[Floats, Floats, Floats]:
        """(3, 3) rotations of yaw, tilt and roll."""
        y, t, r = np.radians([self.yaw_deg, self.tilt_deg, self.roll_deg])
        about_down = np.array([[np.cos(y), 0, np.sin(y)], [0, 1, 0], [-np.sin(y), 0, np.cos(y)]])
        about_right = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
        about_axis = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
        return about_down, about_right, about_axis

    def project(self, points_mm: Floats) -> Floats:
        """(..., 3) mm to (..., 2) px."""
        c = _turned(points_mm - np.array(self.place_mm), self.rotation.T)
        xy = c[..., :2] / c[..., 2:]
        if self.k1:
            xy = xy * (1 + self.k1 * _square(xy))
        return np.asarray(xy * self.focal_px + np.array(self.centre_px))

    def slopes(self, points_mm: Floats) -> tuple[Floats, Floats, Floats]:
        """How the pixels of points (..., 3) mm change.

        Returns:
            slopes by the points' place, (..., 2, 3) per mm; by yaw, tilt and roll, (..., 2, 3) per degree; by the
            logarithm of the focal length and by k1, (..., 2, 2).
        """
        _, about_right, about_axis = self._turns
        rotation = self.rotation
        c = _turned(points_mm - np.array(self.place_mm), rotation.T)
        deep = c[..., 2:]
        xy = c[..., :2] / deep
        square = _square(xy)
        # x/z and y/z by the camera's axes, then through the lens
        plain = np.zeros((*c.shape[:-1], 2, 3))
        plain[..., 0, 0] = plain[..., 1, 1] = 1 / deep[..., 0]
        plain[..., 2] = -xy / deep
        lens = (
            2 * self.k1 * xy[..., :, None] * xy[..., None, :] + np.eye(2) * (1 + self.k1 * square)[..., None]
        )
        by_camera = self.focal_px * (lens @ plain)
        # a turn about an axis moves a point square to both
        axes = [about_axis @ about_right[:, 1], about_axis[:, 0], np.array([0.0, 0.0, 1.0])]
        turned = np.radians(np.stack([np.cross(a, c) for a in axes], axis=-1))
        by_optics = np.stack([xy * (1 + self.k1 * square), xy * square], axis=-1) * self.focal_px
        return by_camera @ rotation, by_camera @ turned, by_optics

    def rays(self, px: Floats) -> Floats:
        """(..., 2) px to (..., 3) directions in the bike frame, of length 1 along the optical axis."""
        xy = d = (px - np.array(self.centre_px)) / self.focal_px
        for _ in range(4 if self.k1 else 0):
            xy = d / (1 + self.k1 * _square(xy))
        return _turned(np.concatenate([xy, np.ones_like(xy[..., :1])], axis=-1), self.rotation)

    def meet(self, px: Floats, axis: int, at_mm: Floats | float) -> Floats:
        """Where the rays of px (..., 2) meet the plane on which coordinate `axis` has the value `at_mm` (...)."""
        ray = self.rays(px)
        place = np.array(self.place_mm)
        return np.asarray(place + ray * ((at_mm - place[axis]) / ray[..., axis])[..., None])


def aim_of(rotation: Floats, view: str) -> tuple[float, float, float]:
    """Yaw, tilt and roll (deg) of a camera of this view with that rotation (3, 3), bike frame to camera axes."""
    turn = rotation @ BASE[view].T
    roll = np.arctan2(-turn[0, 1], turn[1, 1])
    tilt = np.arctan2(turn[2, 1], np.hypot(turn[0, 1], turn[1, 1]))
    yaw = np.arctan2(-turn[2, 0], turn[2, 2])
    return float(np.degrees(yaw)), float(np.degrees(tilt)), float(np.degrees(roll))


def _turned(vectors: Floats, matrix: Floats) -> Floats:
    """(..., 3) @ (3, 3) as one product: many small ones are slow."""
    return np.asarray((vectors.reshape(-1, 3) @ matrix).reshape(vectors.shape))


def _square(xy: Floats) -> Floats:
    """(..., 2) to (..., 1): distance from the axis, squared."""
    return np.asarray(xy[..., :1] ** 2 + xy[..., 1:] ** 2)
