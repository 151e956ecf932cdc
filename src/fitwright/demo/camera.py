"""A simulated film camera: pinhole with radial distortion, slightly askew, rolling shutter, real exposure.

Image frame: origin at the centre of the top-left pixel, u right, v down. Row v of a frame is exposed around
`pts + v · line_s`.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.quantity import Floats

_BASE = {
    "side": np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]]),  # stands to the rider's right, looks left
    "front": np.array([[0.0, 0, -1], [0, -1, 0], [-1, 0, 0]]),  # stands ahead, looks back
    "photo": np.eye(3),  # plane coordinates x right, y down; looks straight at the plane from negative z
}


@dataclass(frozen=True)
class SimCamera:
    """Where a camera stands and how it sees.

    Attributes: view "side" or "front"; position_mm (X, Y, Z) of the lens; yaw, tilt, roll in deg turn it about its
    own down, right and optical axis; focal_px; width, height; k1 (one radial term: r' = r (1 + k1 r²)); centre_px
    offset of the principal point from the middle; readout_s for the whole height; exposure_s.
    """

    view: str
    position_mm: tuple[float, float, float]
    yaw_deg: float
    tilt_deg: float
    roll_deg: float
    focal_px: float
    width: int
    height: int
    k1: float
    centre_px: tuple[float, float] = (3.0, -2.0)
    readout_s: float = 0.011
    exposure_s: float = 1 / 400

    @property
    def line_s(self) -> float:
        """Time from one row to the next, s."""
        return self.readout_s / self.height

    @property
    def rotation(self) -> Floats:
        """(3, 3) bike frame → camera frame (right, down, forward)."""
        y, t, r = np.radians([self.yaw_deg, self.tilt_deg, self.roll_deg])
        ry = np.array([[np.cos(y), 0, np.sin(y)], [0, 1, 0], [-np.sin(y), 0, np.cos(y)]])
        rx = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
        rz = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
        return np.asarray(rz @ rx @ ry @ _BASE[self.view])

    @property
    def principal_px(self) -> tuple[float, float]:
        """Principal point, px."""
        scale = self.width / 1920
        return (
            (self.width - 1) / 2 + self.centre_px[0] * scale,
            (self.height - 1) / 2 + self.centre_px[1] * scale,
        )

    def project(self, points_mm: Floats) -> tuple[Floats, Floats]:
        """(..., 3) mm → (..., 2) px and (...,) depth mm along the optical axis."""
        c = (np.asarray(points_mm, dtype=np.float64) - np.array(self.position_mm)) @ self.rotation.T
        depth = c[..., 2]
        xy = c[..., :2] / depth[..., None]
        r2 = np.sum(xy**2, axis=-1, keepdims=True)
        return xy * (1 + self.k1 * r2) * self.focal_px + np.array(self.principal_px), depth

    def rays(self, px: Floats) -> Floats:
        """(..., 2) px → (..., 3) directions in the bike frame (distortion undone by fixed-point steps)."""
        d = (np.asarray(px, dtype=np.float64) - np.array(self.principal_px)) / self.focal_px
        xy = d.copy()
        for _ in range(8):
            xy = d / (1 + self.k1 * np.sum(xy**2, axis=-1, keepdims=True))
        return np.asarray(np.concatenate([xy, np.ones_like(xy[..., :1])], axis=-1) @ self.rotation)

    def to_json(self) -> dict[str, Any]:
        """Plain data for the truth file."""
        return asdict(self) | {"line_s": self.line_s, "principal_px": list(self.principal_px)}


def studio_camera(view: str, size: tuple[int, int] = (1920, 1080), **changes: Any) -> SimCamera:
    """The invented studio's cameras: side 3.6 m to the right, front 3.3 m ahead and 0.1 m off the mid-plane.

    `changes` replaces single fields (e.g. yaw_deg=0). InputError for an unknown view.
    """
    width, height = size
    if view == "side":
        fields: dict[str, Any] = {
            "position_mm": (-130.0, 636.0, 3600.0), "yaw_deg": 3.0, "tilt_deg": 1.5, "roll_deg": 0.8,
            "focal_px": 2300 * width / 1920, "k1": -0.02,
        }  # fmt: skip
    elif view == "front":
        fields = {
            "position_mm": (3300.0, 610.0, 105.0), "yaw_deg": -1.4, "tilt_deg": 1.6, "roll_deg": 1.1,
            "focal_px": 2200 * width / 1920, "k1": -0.02,
        }  # fmt: skip
    else:
        raise InputError("view", "unknown camera view", value=view, allowed="side or front")
    return SimCamera(**({"view": view, "width": width, "height": height} | fields | changes))
