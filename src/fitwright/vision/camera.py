"""The camera that filmed: pinhole with one radial term, and the rolling shutter.

Camera axes: right, down, forward. Bike frame: X forward, Y up, Z to the rider's right. A side camera stands to the
rider's right and looks left (a left-side film is mirrored first, so that the same numbers hold); a front camera
stands ahead and looks back. Yaw, tilt and roll turn it about its own down, right and optical axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from fitwright.quantity import Floats, Measured
from fitwright.vision.track import Tracks

BASE = {
    "side": np.array([[1.0, 0, 0], [0, -1, 0], [0, 0, -1]]),
    "front": np.array([[0.0, 0, -1], [0, -1, 0], [-1, 0, 0]]),
}
READOUT_PRIOR_S = (0.010, 0.005)
"""Time a telephone's sensor takes to read all its rows: mean and standard uncertainty (common practice,
no source)."""
K1_U = 0.015
"""Standard uncertainty of the radial lens term of a telephone film whose lens nobody calibrated (our choice)."""


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
        y, t, r = np.radians([self.yaw_deg, self.tilt_deg, self.roll_deg])
        about_down = np.array([[np.cos(y), 0, np.sin(y)], [0, 1, 0], [-np.sin(y), 0, np.cos(y)]])
        about_right = np.array([[1, 0, 0], [0, np.cos(t), -np.sin(t)], [0, np.sin(t), np.cos(t)]])
        about_axis = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
        return np.asarray(about_axis @ about_right @ about_down @ BASE[self.view])

    def project(self, points_mm: Floats) -> Floats:
        """(..., 3) mm to (..., 2) px."""
        c = (points_mm - np.array(self.place_mm)) @ self.rotation.T
        xy = c[..., :2] / c[..., 2:]
        r2 = np.sum(xy * xy, axis=-1, keepdims=True)
        return np.asarray(xy * (1 + self.k1 * r2) * self.focal_px + np.array(self.centre_px))

    def rays(self, px: Floats) -> Floats:
        """(..., 2) px to (..., 3) directions in the bike frame, of length 1 along the optical axis."""
        d = (px - np.array(self.centre_px)) / self.focal_px
        xy = d
        for _ in range(4 if self.k1 else 0):
            xy = d / (1 + self.k1 * np.sum(xy * xy, axis=-1, keepdims=True))
        return np.asarray(np.concatenate([xy, np.ones_like(xy[..., :1])], axis=-1) @ self.rotation)

    def meet(self, px: Floats, axis: int, at_mm: Floats | float) -> Floats:
        """Where the rays of px (..., 2) meet the plane on which coordinate `axis` has the value `at_mm` (...)."""
        ray = self.rays(px)
        place = np.array(self.place_mm)
        return np.asarray(place + ray * ((at_mm - place[axis]) / ray[..., axis])[..., None])


def readout(readout_ms: float | None) -> Measured:
    """Readout time of the whole picture, s, with its uncertainty; the prior when it is not known."""
    if readout_ms is None:
        return Measured(
            *READOUT_PRIOR_S, "s", "readout of a telephone's sensor, not known: common practice, no source"
        )
    return Measured(readout_ms / 1e3, 0.0005, "s", "readout as given")


def at_one_time(tracks: Tracks, readout_s: float) -> tuple[Floats, Floats]:
    """All points moved to common times, because each row of a picture is read at its own time.

    Returns:
        times (T,) s and sensor pixels (T, P, 2), NaN where a point was not seen. Row v of a frame is exposed
        v / height × readout after its time stamp; each point's spline through its own row times gives its place at
        the time of the mean row. Gaps stay gaps: a spline is used only between frames that are neighbours.
    """
    line_s = readout_s / tracks.info.height_px
    lag = tracks.uv_px[..., 1] * line_s
    mean_lag = float(np.nanmean(lag)) if np.isfinite(lag).any() else 0.0
    times = tracks.time_s + mean_lag
    out = tracks.uv_px.copy()
    for i in range(len(tracks.names)):
        seen = np.isfinite(out[:, i, 0])
        if seen.sum() < 4:
            continue
        own = tracks.time_s[seen] + lag[seen, i]
        moved = CubicSpline(own, tracks.uv_px[seen, i])(np.clip(times[seen], own[0] - 0.02, own[-1] + 0.02))
        # beside a gap the spline knows one side only: there the shift is left to the plain velocity
        out[seen, i] = np.where(
            _has_neighbours(seen)[seen][:, None], moved, _shifted(tracks, i, seen, lag, times)
        )
    return times, out


def _has_neighbours(seen: np.ndarray) -> np.ndarray:
    """(T,) whether the frames before and after are seen too."""
    wide = np.concatenate([[seen[0]], seen, [seen[-1]]])
    return np.asarray(wide[:-2] & wide[1:-1] & wide[2:])


def _shifted(tracks: Tracks, i: int, seen: np.ndarray, lag: Floats, times: Floats) -> Floats:
    uv = tracks.uv_px[seen, i]
    own = tracks.time_s[seen] + lag[seen, i]
    return np.asarray(uv + np.gradient(uv, own, axis=0) * (times[seen] - own)[:, None])
