"""Frontal plane of one leg: where the knee goes sideways, and what stance width, cleat and yaw do to it.

Hip centre, ankle and knee as the sagittal twin has them, each with a distance from the mid-plane (z, outward
positive). The knee lies on the line hip–ankle, off it by its distance in the leg's own plane, and that plane may lean
outward by a swivel φ about the line:

    z_knee = z_hip + s (z_ankle − z_hip) + h sin φ,     z_ankle = z_axle − z_cleat − a sin ψ

with s and h, the knee's place along and off the line, from the pose at each crank angle, and ψ the foot's yaw (toe
out). Three numbers per rider describe the whole path: z_hip, z_ankle and sin φ. They enter linearly, and a filmed
knee path gives them in closed form.

When the foot goes out, geometry takes the knee along by s, about a half; whether the rider also swivels the knee has
not been published, hence the doubt U_FOLLOW. The same holds for a foot that is turned.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.linkage.leg import LegPose, whole_turn
from fitwright.linkage.twin import LegTwin
from fitwright.quantity import Floats, Measured

EVENT_DEG: Mapping[str, int] = {"tdc": 0, "top": 0, "q90": 90, "bdc": 180}
U_FOLLOW = (
    0.25  # share of a shift of the foot that the knee may follow more or less; our assumption, no source
)
U_SWIVEL_PER_YAW = 0.25  # deg of swivel per deg of yaw, either way; our assumption, no source
U_SWIVEL_PER_RAISE_DEG_PER_MM = 0.03  # a higher saddle may let the knee in or out; our assumption, no source
READ: Mapping[str, Callable[[Floats], float]] = {
    "mean": lambda path: float(np.nanmean(path)),
    "min": lambda path: float(np.nanmin(path)),
    "max": lambda path: float(np.nanmax(path)),
    "range": lambda path: float(np.nanmax(path) - np.nanmin(path)),
}
NAMES = ("hip_z_mm", "ankle_z_mm", "sin_swivel")
HIP_Z = Measured(85.0, 10.0, "mm", "0.36 of 240 mm between the ASIS (after Bell 1990, from memory)")
U_ANKLE_MM, U_SIN_SWIVEL = (
    8.0,
    0.15,
)  # before a film: how well stance and yaw tell the ankle, and a knee's lean
FLOOR_MM = 1.0


@dataclass(frozen=True)
class FrontalLeg:
    """One leg from the front: values and covariance (3, 3) in the order of `NAMES` (mm, mm, 1).

    `axle_z_mm`: pedal centre from the mid-plane. `residual_rms_mm`: what the model leaves of the filmed path, NaN
    before a film.
    """

    hip_z_mm: float
    ankle_z_mm: float
    sin_swivel: float
    covariance: Floats
    axle_z_mm: float
    residual_rms_mm: float = math.nan

    @property
    def vector(self) -> Floats:
        """(3,) in the order of `NAMES`."""
        return np.array([self.hip_z_mm, self.ankle_z_mm, self.sin_swivel])


@dataclass(frozen=True)
class FrontalChange:
    """What changes on this side: pedal out (spacer), cleat's z on the sole (out), the foot's yaw (toe out) and how
    surely that is known, saddle up; mm, deg."""

    spacer_mm: float = 0.0
    cleat_z_mm: float = 0.0
    yaw_deg: float = 0.0
    u_yaw_deg: float = 0.0
    raised_mm: float = 0.0


def first_frontal(
    axle_z_mm: float, cleat_z_mm: float = 0.0, yaw: Measured | None = None, behind_mm: float = 125.0,
    hip_z: Measured = HIP_Z,
) -> FrontalLeg:  # fmt: skip
    """Before any film: the ankle from stance, cleat and yaw, no swivel, wide u (our assumption)."""
    psi = yaw or Measured(0.0, 5.0, "deg", "no yaw known")
    ankle = axle_z_mm - cleat_z_mm - behind_mm * math.sin(math.radians(psi.value))
    u_ankle = math.hypot(U_ANKLE_MM, behind_mm * math.radians(psi.u))
    return FrontalLeg(hip_z.value, ankle, 0.0, np.diag([hip_z.u**2, u_ankle**2, U_SIN_SWIVEL**2]), axle_z_mm)


def shares(pose: LegPose) -> tuple[Floats, Floats]:
    """s and h (mm) at each crank angle: the knee's place along the line hip–ankle (0 at the hip), and off it."""
    dx, dy = pose.malleolus_x - pose.hip_x, pose.malleolus_y - pose.hip_y
    kx, ky = pose.knee_x - pose.hip_x, pose.knee_y - pose.hip_y
    d2 = dx * dx + dy * dy
    along = (kx * dx + ky * dy) / d2
    return np.asarray(along), np.asarray((dx * ky - dy * kx) / np.sqrt(d2))


def design(pose: LegPose) -> Floats:
    """(T, 3) derivative of the knee's z by each of `NAMES`; the knee's z is `design(pose) @ vector`."""
    along, off = shares(pose)
    return np.stack([1 - along, along, off], axis=-1)


def knee_path(leg: FrontalLeg, pose: LegPose) -> Floats:
    """(T,) the knee outward of the pedal centre, mm."""
    return np.asarray(design(pose) @ leg.vector - leg.axle_z_mm, dtype=np.float64)


def fitted(prior: FrontalLeg, pose: LegPose, path_mm: Floats, u_mm: Floats | float) -> FrontalLeg:
    """The prior updated by a filmed knee path (conjugate normal, closed form).

    Args:
        pose: of the sagittal twin at the path's crank angles. path_mm (T,): outward of the pedal centre, NaN in gaps.
        u_mm: standard uncertainty of the path; a turn counts as 24 independent points.

    Raises:
        InputError: no point of the path is known.
    """
    good = np.isfinite(path_mm)
    if not good.any():
        raise InputError("knee_path", "no crank angle has a value")
    sigma = np.broadcast_to(np.hypot(np.asarray(u_mm, dtype=np.float64), FLOOR_MM), path_mm.shape)
    weight = np.sqrt(24.0 / path_mm.size) / sigma[good]
    a = design(pose)[good] * weight[:, None]
    y = (path_mm[good] + prior.axle_z_mm) * weight
    known = np.linalg.inv(prior.covariance)
    covariance = np.linalg.inv(known + a.T @ a)
    vector = covariance @ (known @ prior.vector + a.T @ y)
    left = design(pose)[good] @ vector - prior.axle_z_mm - path_mm[good]
    hip, ankle, swivel = vector.tolist()
    return FrontalLeg(hip, ankle, swivel, covariance, prior.axle_z_mm, float(np.sqrt(np.mean(left**2))))


def path_change(
    leg: FrontalLeg, before: LegTwin, after: LegTwin, change: FrontalChange
) -> tuple[Floats, Floats]:
    """How the knee's path against the pedal changes over the turn: (360,) mm, and what doubts of one u add (360, 5).

    The doubts: the knee follows a shift of the foot more; the foot's yaw ends elsewhere; the swivel follows the yaw;
    a raised saddle lets the knee out; the swivel is larger than fitted.
    """
    old, new = whole_turn(before), whole_turn(after)
    follow, off = shares(new)
    behind = after.axle_to_malleolus_x_mm
    foot = change.spacer_mm - change.cleat_z_mm
    heel = -behind * math.sin(math.radians(change.yaw_deg))
    moved = leg.vector + np.array([0.0, foot + heel, 0.0])
    mean = design(new) @ moved - design(old) @ leg.vector - change.spacer_mm
    doubts = np.stack(
        [
            np.full_like(mean, U_FOLLOW * foot),
            follow * behind * math.radians(change.u_yaw_deg),
            off * math.radians(U_SWIVEL_PER_YAW * math.hypot(change.yaw_deg, change.u_yaw_deg)),
            off * math.radians(U_SWIVEL_PER_RAISE_DEG_PER_MM * change.raised_mm),
            (off - shares(old)[1]) * math.sqrt(leg.covariance[2, 2]),
        ],
        axis=1,
    )
    return np.asarray(mean, dtype=np.float64), np.asarray(doubts, dtype=np.float64)


def event_change(path_mm: Floats, mean: Floats, doubts: Floats, event: str) -> Measured:
    """Change of one event of a knee path: mean, tdc, top, q90, bdc, min, max or range.

    `path_mm` (360,): the path as it is (filmed, else the model's), from which least, greatest and range are taken.
    """

    after = path_mm + mean
    if event in EVENT_DEG:
        at = EVENT_DEG[event]
        u = float(np.linalg.norm(doubts[at]))
        return Measured(float(mean[at]), u, "mm", "frontal twin")
    if event not in READ:
        raise InputError("event", "unknown", value=event, allowed=", ".join((*EVENT_DEG, *READ)))
    read = READ[event]
    moved = [read(after + doubts[:, k]) - read(after) for k in range(doubts.shape[1])]
    return Measured(read(after) - read(path_mm), math.hypot(*moved), "mm", "frontal twin")
