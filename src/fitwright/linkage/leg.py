"""The leg on the bike in closed form: from a crank angle to ankle, knee and three joint angles.

Planar four-bar linkage hip–knee–ankle–pedal axle, in the bike frame (X forward, Y up, origin bottom-bracket
axis). The foot is rigid from axle to lateral malleolus and turns with the sole pitch β(θ) (heel-up positive).
The ankle follows from crank and pitch, the knee from two circles about hip and ankle; of the two meeting
points the forward one is a leg's. Knee flexion is 0° for a straight leg; the ankle is 0° where the shank
stands square on the sole, plantar-flexion positive.

All formulas are analytic in the lengths, so the same code takes complex numbers: `sensitivity.py`
differentiates it by the complex step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitwright.errors import InputError, check_range
from fitwright.linkage.twin import LegTwin
from fitwright.quantity import Floats

Numbers = NDArray[Any]  # float64, or complex128 under the complex step

THETA_DEG: Floats = np.arange(360.0)
TO_DEG = 180 / np.pi
PIECE = 16384  # poses at a time: all that is between stays in the cache
LIMITS: dict[str, tuple[float, float, str]] = {
    "thigh_mm": (200, 650, "mm"),
    "shank_mm": (200, 650, "mm"),
    "axle_to_malleolus_x_mm": (-50, 250, "mm"),
    "axle_to_malleolus_y_mm": (20, 250, "mm"),
    "crank_mm": (100, 220, "mm"),
    "hip_x_mm": (-600, 300, "mm"),
    "hip_y_mm": (300, 1200, "mm"),
    "pitch_mean_deg": (-60, 80, "deg"),
}


@dataclass(frozen=True)
class LegPose:
    """Pose of a leg at each crank angle; every array has the broadcast shape of crank angles and riders.

    Attributes: theta_deg; axle, malleolus, knee, hip as x/y pairs in mm; pitch_deg (heel-up positive);
    knee_flexion_deg; ankle_plantarflexion_deg; thigh_below_horizontal_deg (0 = thigh level and forward, 90 =
    hanging straight down).
    """

    theta_deg: Numbers
    axle_x: Numbers
    axle_y: Numbers
    malleolus_x: Numbers
    malleolus_y: Numbers
    knee_x: Numbers
    knee_y: Numbers
    hip_x: Numbers
    hip_y: Numbers
    pitch_deg: Numbers
    knee_flexion_deg: Numbers
    ankle_plantarflexion_deg: Numbers
    thigh_below_horizontal_deg: Numbers


def check_leg(leg: LegTwin) -> LegTwin:
    """The leg itself when all its numbers are possible, else InputError naming field and range."""
    for name, (low, high, unit) in LIMITS.items():
        check_range(name, getattr(leg, name), low, high, unit)
    if len(leg.pitch_cos_deg) != len(leg.pitch_sin_deg):
        raise InputError("pitch_deg", "cos and sin must have the same number of harmonics")
    for name, values in (("cos", leg.pitch_cos_deg), ("sin", leg.pitch_sin_deg)):
        for k, v in enumerate(values, start=1):
            check_range(f"pitch_deg {name} harmonic {k}", v, -60, 60, "deg")
    if leg.crank_mm >= leg.thigh_mm + leg.shank_mm:
        raise InputError("crank_mm", "longer than the leg", value=leg.crank_mm)
    return leg


def pitch_deg(mean: ArrayLike, cos: ArrayLike, sin: ArrayLike, theta_deg: ArrayLike) -> Numbers:
    """β(θ) = mean + Σ_k cos_k cos kθ + sin_k sin kθ in deg.

    Shapes: `cos`, `sin` (K, ...), k = 1..K first; `mean` and `theta_deg` broadcast against the rest.
    """
    theta = np.deg2rad(np.asarray(theta_deg))
    beta = np.asarray(mean) + 0.0 * theta
    for k, (c, s) in enumerate(zip(np.asarray(cos), np.asarray(sin), strict=True), start=1):
        beta = beta + c * np.cos(k * theta) + s * np.sin(k * theta)
    return np.asarray(beta)


def cos_sin(angle_deg: ArrayLike) -> tuple[Numbers, Numbers]:
    """cos and sin of an angle in deg from the tangent of its half: one slow function for both, and analytic."""
    t = np.tan(np.asarray(angle_deg) * (np.pi / 360))
    s = 2 / (1 + t * t)
    return s - 1, t * s


def ankle_point(
    crank: ArrayLike,
    a: ArrayLike,
    b: ArrayLike,
    beta: tuple[Numbers, Numbers],
    theta: tuple[Numbers, Numbers],
) -> tuple[Numbers, Numbers, Numbers, Numbers]:
    """Axle x, y and malleolus x, y in mm: A = axle + R(β)·(−a, b); β and θ as their cos and sin."""
    (cos_b, sin_b), (cos_t, sin_t) = beta, theta
    length, a_, b_ = np.asarray(crank), np.asarray(a), np.asarray(b)
    axle_x, axle_y = length * sin_t, length * cos_t
    return axle_x, axle_y, axle_x - a_ * cos_b + b_ * sin_b, axle_y + a_ * sin_b + b_ * cos_b


def pose_arrays(
    *, thigh: ArrayLike, shank: ArrayLike, a: ArrayLike, b: ArrayLike, crank: ArrayLike, hip_x: ArrayLike,
    hip_y: ArrayLike, beta_deg: ArrayLike, theta_deg: ArrayLike,
) -> LegPose:  # fmt: skip
    """The pose for arrays of anything that broadcasts (crank angles (T,), riders (R, 1), ...); mm, deg.

    NaN where the leg does not reach. No loop over poses: 10⁶ of them go through the same few formulas in pieces
    that fit the processor's cache. What is given (the hip, a crank angle) comes back as a view, not as a copy.
    """
    given = [np.asarray(v) for v in (thigh, shank, a, b, crank, hip_x, hip_y, beta_deg, theta_deg)]
    shape = np.broadcast_shapes(*(v.shape for v in given))
    full = [np.broadcast_to(v, shape) for v in given]
    rows = max(1, PIECE * shape[0] // max(1, math.prod(shape))) if shape else 1
    with np.errstate(invalid="ignore"):  # out of reach is NaN, and `solve` turns that into words
        if not shape or shape[0] <= rows:
            out = list(_chain(*given))
        else:
            # One block: a fresh one is handed over by the system in large pages, nine smaller ones are not.
            out = list(np.empty((9, *shape), np.result_type(*given, np.float64)))
            for i in range(0, shape[0], rows):
                piece = slice(i, i + rows)
                for whole, part in zip(out, _chain(*(v[piece] for v in full)), strict=True):
                    whole[piece] = part
    axle_x, axle_y, ankle_x, ankle_y, knee_x, knee_y, flexion, ankle, thigh_angle = (
        np.broadcast_to(v, shape) if v.shape != shape else v for v in out
    )
    return LegPose(
        theta_deg=np.real(full[8]), axle_x=axle_x, axle_y=axle_y, malleolus_x=ankle_x, malleolus_y=ankle_y,
        knee_x=knee_x, knee_y=knee_y, hip_x=full[5], hip_y=full[6], pitch_deg=full[7], knee_flexion_deg=flexion,
        ankle_plantarflexion_deg=ankle, thigh_below_horizontal_deg=thigh_angle,
    )  # fmt: skip


def _chain(
    thigh: Numbers, shank: Numbers, a: Numbers, b: Numbers, crank: Numbers, hip_x: Numbers, hip_y: Numbers,
    beta_deg: Numbers, theta_deg: Numbers,
) -> tuple[Numbers, ...]:  # fmt: skip
    """Axle, malleolus and knee (x, y each, mm), knee flexion, ankle plantar-flexion, thigh below horizontal (deg).

    `near` and `far` are what is left to the greatest and the least distance of hip and ankle (mm²). Angles come from
    the tangent of their half, which is exact near a straight leg too; the ankle's closes the sum round the linkage.
    """
    cos_b, sin_b = cos_sin(beta_deg)
    axle_x, axle_y, ankle_x, ankle_y = ankle_point(crank, a, b, (cos_b, sin_b), cos_sin(theta_deg))
    dx, dy = ankle_x - hip_x, ankle_y - hip_y
    d2, longest, shortest = dx * dx + dy * dy, thigh + shank, thigh - shank
    near, far, half = longest * longest - d2, d2 - shortest * shortest, 0.5 / d2
    along = (d2 + longest * shortest) * half  # the knee's foot point on the line hip–ankle, 0 to 1
    across = np.sqrt(near * far) * half
    thigh_x, thigh_y = along * dx - across * dy, along * dy + across * dx
    thigh_deg = (-2 * TO_DEG) * np.arctan(thigh_y / (thigh + thigh_x))
    flexion_deg = (2 * TO_DEG) * np.arctan(np.sqrt(near / far))
    return (
        axle_x, axle_y, ankle_x, ankle_y, hip_x + thigh_x, hip_y + thigh_y, flexion_deg,
        90 + beta_deg - thigh_deg - flexion_deg, thigh_deg,
    )  # fmt: skip


def solve(leg: LegTwin, theta_deg: ArrayLike = THETA_DEG) -> LegPose:
    """The pose of one leg at crank angles (T,), deg.

    Raises:
        InputError: a length outside its range, or a crank angle that the leg cannot reach (says where, and by
            how many mm).
    """
    check_leg(leg)
    theta = np.asarray(theta_deg, dtype=np.float64)
    beta = pitch_deg(leg.pitch_mean_deg, leg.pitch_cos_deg, leg.pitch_sin_deg, theta)
    check_reach(leg, theta, beta)
    return pose_arrays(
        thigh=leg.thigh_mm, shank=leg.shank_mm, a=leg.axle_to_malleolus_x_mm, b=leg.axle_to_malleolus_y_mm,
        crank=leg.crank_mm, hip_x=leg.hip_x_mm, hip_y=leg.hip_y_mm, beta_deg=beta, theta_deg=theta,
    )  # fmt: skip


def check_reach(leg: LegTwin, theta_deg: Floats, beta_deg: Numbers) -> None:
    """Raise InputError where hip and ankle are too far apart for the leg, or too close together."""
    _, _, x, y = ankle_point(
        leg.crank_mm,
        leg.axle_to_malleolus_x_mm,
        leg.axle_to_malleolus_y_mm,
        cos_sin(beta_deg),
        cos_sin(theta_deg),
    )
    d = np.hypot(np.asarray(x) - leg.hip_x_mm, np.asarray(y) - leg.hip_y_mm)
    theta = np.broadcast_to(theta_deg, d.shape)
    over, under = d - (leg.thigh_mm + leg.shank_mm), abs(leg.thigh_mm - leg.shank_mm) - d
    if np.max(over) > 0:
        i = int(np.argmax(over))
        raise InputError(
            "leg", f"cannot reach the pedal at crank angle {theta.flat[i]:.0f}°: {over.flat[i]:.1f} mm short",
            hint="lower the hip (saddle), lengthen the leg or point the foot more",
        )  # fmt: skip
    if np.max(under) > 0:
        i = int(np.argmax(under))
        raise InputError(
            "leg", f"cannot fold so far at crank angle {theta.flat[i]:.0f}°: hip and ankle are "
            f"{under.flat[i]:.1f} mm too close for these lengths",
        )  # fmt: skip


@dataclass(frozen=True)
class Extremes:
    """Least and greatest value of a curve over the turn, the crank angles of both, and the value at BDC."""

    low: float
    low_at_deg: float
    high: float
    high_at_deg: float
    bdc: float


@lru_cache(maxsize=512)
def whole_turn(leg: LegTwin) -> LegPose:
    """`solve` at every whole degree, kept for the legs asked for last; the arrays may not be written to."""
    pose = solve(leg)
    for name in LegPose.__dataclass_fields__:
        getattr(pose, name).flags.writeable = False
    return pose


def extremes(leg: LegTwin, quantity: str = "knee_flexion_deg") -> Extremes:
    """Extremes of one of `LegPose`'s angles, refined from the 1° grid by a parabola (to about 0.001° of crank)."""
    curve = np.asarray(getattr(whole_turn(leg), quantity), dtype=np.float64)
    (low, low_at), (high, high_at) = (
        _vertex(curve, int(np.argmin(curve))),
        _vertex(curve, int(np.argmax(curve))),
    )
    return Extremes(low, low_at, high, high_at, float(curve[180]))


def _vertex(curve: Floats, i: int) -> tuple[float, float]:
    """Value and crank angle (deg) of the parabola's vertex through point i of the turn and its two neighbours."""
    before, here, after = float(curve[i - 1]), float(curve[i]), float(curve[(i + 1) % 360])
    bend = before - 2 * here + after
    if bend == 0:
        return here, float(i)
    off = 0.5 * (before - after) / bend
    return here - 0.25 * (before - after) * off, (i + off) % 360
