"""A side film read again with one thing off by its uncertainty: camera, a point's depth, or the rows' times.

What such a reading changes of the mean turn is what stays uncertain about every angle and coordinate, event by event.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fitwright.motion.angles import joint_angles
from fitwright.motion.circle import fit_circle
from fitwright.motion.placement import Rereading
from fitwright.quantity import Floats, combine
from fitwright.vision.camera import Pinhole
from fitwright.vision.video import ClipInfo, to_sensor

BLOCK = 2048
"""So many frames are read at a time."""


@dataclass(frozen=True)
class PictureFrame:
    """Pixels of a side film counted from the picture's centre with u forward: a left-side film is mirrored."""

    info: ClipInfo
    side: str

    def from_centre(self, upright_px: Floats) -> Floats:
        """(..., 2) upright pixels to pixels from the centre."""
        return np.asarray((upright_px - self._middle) * [self._forward, 1.0])

    def row_share(self, px: Floats) -> Floats:
        """(...) sensor row, as a share of all rows, of pixels (..., 2) from the centre."""
        upright = px * [self._forward, 1.0] + self._middle
        return np.asarray(to_sensor(upright, self.info)[..., 1] / self.info.height_px)

    @property
    def _forward(self) -> float:
        return 1.0 if self.side == "right" else -1.0

    @property
    def _middle(self) -> Floats:
        width, height = self.info.upright_size_px
        return np.array([(width - 1) / 2, (height - 1) / 2])


def to_plane(
    px: Floats, names: Sequence[str], lens: Pinhole, depth_mm: Mapping[str, float], crank_mm: float
) -> Floats:
    """Pixels from the picture's centre (T, P, 2), u forward and v down, to bike-frame X, Y in mm (T, P, 2).

    Each point is read at its own depth. The axle's circle gets the crank's radius and the origin at its centre,
    whatever the camera is taken to be.
    """
    depth = np.array([depth_mm[n] for n in names])
    plane = np.empty(px.shape)
    for k in range(0, len(px), BLOCK):  # the rays of ten minutes of film all at once would take 50 MB
        some = px[k : k + BLOCK]
        plane[k : k + BLOCK] = lens.meet(some, 2, np.broadcast_to(depth, some.shape[:2]))[..., :2]
    k = list(names).index("pedal_axle")
    circle = fit_circle(plane[:, k, 0], plane[:, k, 1], field="pedal_axle")
    return np.asarray((plane - [circle.x_mm, circle.y_mm]) * (crank_mm / circle.radius_mm))


class AsRead:
    """What all other readings start from: points read with `lens` and `depth_mm`, back in the picture.

    Many others are asked about the same points one after another, so that the last points' places are kept.
    """

    def __init__(self, lens: Pinhole, depth_mm: Mapping[str, float], crank_mm: float) -> None:
        self.lens, self.depth_mm, self.crank_mm = lens, depth_mm, crank_mm
        self._last: tuple[Mapping[str, Floats], Floats, Floats] | None = None

    def of(self, points: Mapping[str, Floats]) -> tuple[Floats, Floats]:
        """Pixels (N, P, 2) of points (N, 2) mm, and the same points as these pixels are read (N, P, 2) mm."""
        if self._last is None or self._last[0] is not points:
            names = tuple(points)
            px = _seen(np.stack([points[n] for n in names], axis=1), names, self.lens, self.depth_mm)
            self._last = points, px, to_plane(px, names, self.lens, self.depth_mm, self.crank_mm)
        return self._last[1:]


class OtherCamera:
    """Points read again with another camera or other depths."""

    def __init__(self, read: AsRead, other: Pinhole, other_depth_mm: Mapping[str, float]) -> None:
        self.read, self.other, self.other_depth_mm = read, other, other_depth_mm
        self._last: tuple[Mapping[str, Floats], dict[str, Floats]] | None = None

    def __call__(self, points: Mapping[str, Floats]) -> dict[str, Floats]:
        """name → (N, 2) mm to the same as the other camera would have it; kept for those who ask again."""
        if self._last is None or self._last[0] is not points:
            px, here = self.read.of(points)
            there = to_plane(px, tuple(points), self.other, self.other_depth_mm, self.read.crank_mm)
            self._last = points, {n: x + (there - here)[:, i] for i, (n, x) in enumerate(points.items())}
        return self._last[1]


@dataclass(frozen=True)
class Crossed:
    """What camera and depth off together do beyond what each does alone.

    A wrong depth shifts a point by depth × slant: with a camera taken as square its own effect is nothing, and only
    together with the slant's uncertainty does it count.
    """

    camera: OtherCamera
    depth: OtherCamera

    def __call__(self, points: Mapping[str, Floats]) -> dict[str, Floats]:
        """name → (N, 2) mm to the same with the joint effect alone."""
        here = self.camera
        moved = {n: mm for n, mm in self.depth.other_depth_mm.items() if mm != self.depth.read.depth_mm[n]}
        together = OtherCamera(here.read, here.other, {**here.other_depth_mm, **moved})(points)
        one, other = here(points), self.depth(points)
        return {n: x + together[n] - one[n] - other[n] + x for n, x in points.items()}


@dataclass(frozen=True)
class OtherReadout:
    """Mean points over the turn, read again with the sensor's rows later by `turn_deg` of crank over all rows."""

    lens: Pinhole
    depth_mm: Mapping[str, float]
    frame: PictureFrame
    turn_deg: float

    def __call__(self, points: Mapping[str, Floats]) -> dict[str, Floats]:
        """name → (360, 2) mm, bin k at crank angle k°, to the same as the rows' other times would have it."""
        names = tuple(points)
        px = _seen(np.stack([points[n] for n in names], axis=1), names, self.lens, self.depth_mm)
        late = self.turn_deg * self.frame.row_share(px)
        bins = np.arange(360.0)
        return {
            n: np.column_stack([np.interp(bins - late[:, i], bins, c, period=360.0) for c in points[n].T])
            for i, n in enumerate(names)
        }


@dataclass(frozen=True)
class Change:
    """What one other reading does: RMS change of joint angles, deg, and relative change of the scale."""

    angles_deg: Mapping[str, float]
    scale: float


def what_they_change(mm: Floats, names: Sequence[str], others: Sequence[Rereading]) -> list[Change]:
    """What each of the other readings changes, over a part of the frames; mm: (T, P, 2) as read."""
    some = mm[:: max(1, len(mm) // 200)]
    points = {n: some[:, i] for i, n in enumerate(names)}
    shown, length = _shown(points), _leg_length(points)
    out = []
    for other in others:
        moved = other(points)
        angles = {
            n: float(np.sqrt(np.nanmean((values - shown[n]) ** 2))) for n, values in _shown(moved).items()
        }
        out.append(Change(angles, _leg_length(moved) / length - 1))
    return out


def together(changes: Sequence[Change]) -> tuple[float, float]:
    """(u of a joint angle in deg, relative u of the scale) that independent changes make together."""
    angles = {n for c in changes for n in c.angles_deg}
    u_deg = max((combine(*(c.angles_deg[n] for c in changes)) for n in angles), default=0.0)
    return u_deg, combine(*(c.scale for c in changes))


def _seen(mm: Floats, names: Sequence[str], lens: Pinhole, depth_mm: Mapping[str, float]) -> Floats:
    """(N, P, 2) pixels of points (N, P, 2) mm at their depths."""
    depth = np.broadcast_to(np.array([depth_mm[n] for n in names]), mm.shape[:2])
    return lens.project(np.concatenate([mm, depth[..., None]], axis=-1))


def _shown(points: Mapping[str, Floats]) -> dict[str, Floats]:
    """The knee's angle, or whichever joint angles exist when the knee is not marked."""
    angles = joint_angles(points)
    return {k: v for k, v in angles.items() if k == "knee_flexion"} or {
        k: v for k, v in angles.items() if k.endswith("flexion")
    }


def _leg_length(points: Mapping[str, Floats]) -> float:
    """Mean distance from the axle to hip or knee, or of the axle from its centre."""
    axle = points["pedal_axle"]
    for name in ("greater_trochanter", "lateral_femoral_condyle"):
        if name in points:
            return float(np.nanmean(np.linalg.norm(points[name] - axle, axis=1)))
    return float(np.nanmean(np.linalg.norm(axle, axis=1)))
