"""What a bolt does to the rigid twin: the moved leg, and derivatives of its angles by each adjustable.

"Rigid" means that hip and foot keep their place and pitch; how much of it a rider really shows is the matter
of `response.py`. Adjustables that act in the sagittal plane are listed in `SAGITTAL`; those of the frontal
plane are in `frontal.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.linkage.leg import LegPose, pitch_deg, pose_arrays
from fitwright.linkage.twin import LegTwin
from fitwright.quantity import Floats

SAGITTAL = ("saddle_height_mm", "saddle_setback_mm", "crank_mm", "cleat_x_mm", "shim_mm")
PARAMETERS = ("thigh", "shank", "a", "b", "crank", "hip_x", "hip_y", "pitch_mean")
_STEP = 1e-30


def leg_vector(leg: LegTwin) -> Floats:
    """(8,) the leg's numbers in the order of `PARAMETERS` (mm, deg)."""
    return np.array([
        leg.thigh_mm, leg.shank_mm, leg.axle_to_malleolus_x_mm, leg.axle_to_malleolus_y_mm, leg.crank_mm,
        leg.hip_x_mm, leg.hip_y_mm, leg.pitch_mean_deg,
    ])  # fmt: skip


def pose_from_vector(
    vector: NDArray[Any], leg: LegTwin, theta_deg: ArrayLike, hip_motion: tuple[Any, Any] = (0.0, 0.0)
) -> LegPose:
    """Pose from a parameter vector (real or complex) with `leg`'s pitch harmonics; hip motion in mm added."""
    lt, ls, a, b, crank, hx, hy, mean = vector
    beta = pitch_deg(mean, leg.pitch_cos_deg, leg.pitch_sin_deg, theta_deg)
    return pose_arrays(
        thigh=lt, shank=ls, a=a, b=b, crank=crank, hip_x=hx + hip_motion[0], hip_y=hy + hip_motion[1],
        beta_deg=beta, theta_deg=theta_deg,
    )  # fmt: skip


def parameter_derivatives(leg: LegTwin, quantity: str, theta_deg: ArrayLike) -> Floats:
    """(8, T) derivative of one angle of `LegPose` by each of `PARAMETERS`, by the complex step.

    The complex step has no cancellation error (Squire & Trapp 1998, SIAM Rev 40:110; from memory).
    """
    base = leg_vector(leg)
    rows = []
    for i in range(base.size):
        stepped = base.astype(np.complex128)
        stepped[i] += 1j * _STEP
        rows.append(np.imag(getattr(pose_from_vector(stepped, leg, theta_deg), quantity)) / _STEP)
    return np.asarray(np.broadcast_arrays(*rows), dtype=np.float64)


def direction(adjustable: str, contact: ContactPoints) -> Floats:
    """(8,) how the twin's parameters move per mm of one sagittal adjustable.

    Saddle height moves the hip along the line BB–saddle; setback moves it back at unchanged height (along the
    circle); the cleat's x is the axle's x under the foot, so it lengthens a; a shim lengthens b.
    """
    step = np.zeros(len(PARAMETERS))
    x, y = contact.saddle_xy_mm
    if adjustable == "saddle_height_mm":
        step[5], step[6] = x / contact.saddle_height_mm, y / contact.saddle_height_mm
    elif adjustable == "saddle_setback_mm":
        step[5], step[6] = -1.0, x / y
    elif adjustable in ("cleat_x_mm", "shim_mm", "crank_mm"):
        step[{"cleat_x_mm": 2, "shim_mm": 3, "crank_mm": 4}[adjustable]] = 1.0
    else:
        raise InputError(
            "adjustable", "does not act on the leg's plane", value=adjustable, allowed=", ".join(SAGITTAL)
        )
    return step


def sensitivity(
    leg: LegTwin, contact: ContactPoints, adjustable: str, quantity: str, theta_deg: ArrayLike
) -> Floats:
    """(T,) rigid derivative of an angle, deg per mm of the adjustable, at each crank angle."""
    return np.asarray(
        direction(adjustable, contact) @ parameter_derivatives(leg, quantity, theta_deg), dtype=np.float64
    )


def moved(leg: LegTwin, contact: ContactPoints, deltas: Mapping[str, float]) -> LegTwin:
    """The leg after finite changes of sagittal adjustables (names of `SAGITTAL`, without a side).

    Saddle height and setback are taken together: the new saddle point carries the hip along, exactly.
    """
    unknown = set(deltas) - set(SAGITTAL)
    if unknown:
        raise InputError("adjustable", "does not act on the leg's plane", value=sorted(unknown)[0])
    d = {name: float(deltas.get(name, 0.0)) for name in SAGITTAL}
    height = contact.saddle_height_mm + d["saddle_height_mm"]
    along_post = contact.saddle_setback_mm * height / contact.saddle_height_mm
    after = contact.with_saddle(height, along_post + d["saddle_setback_mm"])
    (x0, y0), (x1, y1) = contact.saddle_xy_mm, after.saddle_xy_mm
    return replace(
        leg,
        hip_x_mm=leg.hip_x_mm + x1 - x0,
        hip_y_mm=leg.hip_y_mm + y1 - y0,
        crank_mm=leg.crank_mm + d["crank_mm"],
        axle_to_malleolus_x_mm=leg.axle_to_malleolus_x_mm + d["cleat_x_mm"],
        axle_to_malleolus_y_mm=leg.axle_to_malleolus_y_mm + d["shim_mm"],
    )
