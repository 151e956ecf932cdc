"""The twin before any ride: lengths from tape (or the reference sample), hip and pitch from standard figures.

Frame as in `leg.py`. The pitch is β = 18° + 12° cos(θ − 300°): the heel is highest on the way back up, as in
the open recording (sole pitch greatest at 310°). Mean and size are our assumption.

The hip joint counts as 10 mm in front of and 25 mm above the saddle point. That is no anatomical figure (a hip joint
lies higher above the seat bones) but the one that closes the chain: with lengths of the reference sample and this
pitch, the saddle heights of Gatti 2021 (10.1080/17461391.2021.1902570, RMSE 11.5 mm) for 30 to 40° of least flexion
ask for 8 to 33 mm; 75 mm would leave most legs too short (`tests/outside/test_published_saddle_relations.py`).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.body.measures import (
    BodyMeasures,
    check_crank,
    foot_length,
    malleolus_height,
    shank_length,
    thigh_length,
)
from fitwright.errors import InputError, check_range
from fitwright.foot.sole import CleatPose
from fitwright.linkage.leg import whole_turn
from fitwright.linkage.twin import CalibratedTwin, LegTwin
from fitwright.quantity import Floats, Measured

HIP_ABOVE_SADDLE_MM = (10.0, 25.0)
U_HIP_MM = 25.0
PITCH_MEAN_DEG, U_PITCH_DEG = 18.0, 6.0
PITCH_COS_DEG = (12.0 * math.cos(math.radians(300.0)), 0.0)
PITCH_SIN_DEG = (12.0 * math.sin(math.radians(300.0)), 0.0)
SOLE_AND_STACK_MM = 30.0
MALLEOLUS_SHARE = Measured(0.22, 0.03, "1", "malleolus x / foot length; our assumption, no source")
NAMES = (
    "thigh_mm", "shank_mm", "axle_to_malleolus_x_mm", "axle_to_malleolus_y_mm", "crank_mm", "hip_x_mm",
    "hip_y_mm", "pitch_mean_deg",
)  # fmt: skip


def axle_to_malleolus_x(body: BodyMeasures, side: str, cleat: CleatPose | None) -> Measured:
    """a, mm: the cleat's x in the sole frame minus the malleolus's x (a share of the foot's length)."""
    length = foot_length(body, side)
    malleolus = Measured(MALLEOLUS_SHARE.value * length.value, MALLEOLUS_SHARE.u * length.value, "mm")
    if cleat is not None:
        return Measured(cleat.x_mm - malleolus.value, malleolus.u, "mm", "cleat photo − foot length share")
    return Measured(0.70 * length.value - malleolus.value, 12.0, "mm", "from foot length; no cleat measured")


def axle_to_malleolus_y(
    body: BodyMeasures, side: str, contact: ContactPoints, sole_and_stack_mm: float
) -> Measured:
    """b, mm: malleolus height + shoe sole and pedal stack + shim."""
    shim = contact.shim_left_mm if side == "left" else contact.shim_right_mm
    height = malleolus_height(body)
    return Measured(height.value + sole_and_stack_mm + shim, height.u, "mm", height.method).widened(4.0)


def first_guess(
    body: BodyMeasures, contact: ContactPoints, side: str = "right", cleat: CleatPose | None = None,
    sole_and_stack_mm: float = SOLE_AND_STACK_MM,
) -> CalibratedTwin:  # fmt: skip
    """The standard twin of this rider on this bike; its covariance is the prior of the calibration.

    A leg-length difference is split: half is added to the longer side, half taken from the other, shared
    between thigh and shank.

    Raises:
        InputError: crank longer than the leg, or a leg far too short to reach the pedal on this bike.
    """
    check_crank(body, contact.crank_mm)
    check_range("sole_and_stack_mm", sole_and_stack_mm, 5, 80, "mm")
    thigh, shank = thigh_length(body), shank_length(body)
    extra = (body.leg_length_difference_mm or 0.0) / 4 * (1 if side == "right" else -1)
    a, b = axle_to_malleolus_x(body, side, cleat), axle_to_malleolus_y(body, side, contact, sole_and_stack_mm)
    x, y = contact.saddle_xy_mm
    leg = LegTwin(
        thigh.value + extra, shank.value + extra, a.value, b.value, contact.crank_mm,
        x + HIP_ABOVE_SADDLE_MM[0], y + HIP_ABOVE_SADDLE_MM[1], PITCH_MEAN_DEG, PITCH_COS_DEG, PITCH_SIN_DEG,
    )  # fmt: skip
    leg, lowered = _within_reach(leg)
    u: Floats = np.array([thigh.u, shank.u, a.u, b.u, 0.5, U_HIP_MM, U_HIP_MM, U_PITCH_DEG])
    return CalibratedTwin(
        leg, NAMES, np.diag(u**2), float("nan"),
        ("first guess from body measures: no ride has been fitted", *lowered),
        {"thigh": thigh.method, "shank": shank.method, "a": a.method, "b": b.method, "side": side},
    )  # fmt: skip


def other_leg(leg: LegTwin, *, longer_mm: float, shim_mm: float, cleat_mm: float) -> LegTwin:
    """The leg that was not filmed, from the one that was: how much longer it is, its shim thicker, its cleat ahead.

    Its hip is where the other one's is, lower where a shorter leg would not reach (the pelvis tilts; our assumption).
    """
    other = replace(
        leg, thigh_mm=leg.thigh_mm + longer_mm / 2, shank_mm=leg.shank_mm + longer_mm / 2,
        axle_to_malleolus_x_mm=leg.axle_to_malleolus_x_mm + cleat_mm,
        axle_to_malleolus_y_mm=leg.axle_to_malleolus_y_mm + shim_mm,
    )  # fmt: skip
    return _within_reach(other)[0]


def _within_reach(leg: LegTwin) -> tuple[LegTwin, tuple[str, ...]]:
    """The leg with its hip low enough to reach every pedal, and a sentence when it had to be lowered.

    The rider does reach the pedals, so a small shortfall is an error of hip height or lengths; beyond twice the hip's
    own uncertainty it is a contradiction between tape and bike, and the leg's own refusal stands.
    """
    for down in np.arange(0.0, 2 * U_HIP_MM + 1, 2.0):
        lower = replace(leg, hip_y_mm=leg.hip_y_mm - float(down))
        try:
            whole_turn(lower)
        except InputError:
            continue
        if down == 0:
            return leg, ()
        said = (
            f"by tape the leg is about {down:.0f} mm short of the pedal; measure saddle height and leg again"
        )
        return lower, (said,)
    whole_turn(leg)  # raises: says where and by how much
    return leg, ()
