"""How fast everything that is seen moves with each adjustable, exact: rigid twin, all else held still.

Leg angles and trunk by the complex step (as in `sensitivity.py`), the knee's path from its three linear numbers and
the complex step of the leg's pose. Names of adjustables without a side: they act on the leg that is given.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError
from fitwright.linkage.frontal import FrontalLeg, design
from fitwright.linkage.leg import THETA_DEG, whole_turn
from fitwright.linkage.sensitivity import SAGITTAL, direction, leg_vector, pose_from_vector, sensitivity
from fitwright.linkage.twin import LegTwin
from fitwright.linkage.upper_body import UpperBody, inclination_deg, trunk_arrays
from fitwright.quantity import Floats

FRONTAL = ("spacer_mm", "cleat_z_mm", "cleat_psi_deg")
HANDS = ("hood_x_mm", "hood_y_mm")
ADJUSTABLES = (*SAGITTAL, *FRONTAL, *HANDS)
LEG_ANGLES = ("knee_flexion_deg", "ankle_plantarflexion_deg", "thigh_below_horizontal_deg")
STEP = 1e-30


@dataclass(frozen=True)
class Rider:
    """One leg's twin on one bike; where they are known the frontal twin, and the upper body at an elbow flexion."""

    leg: LegTwin
    contact: ContactPoints
    frontal: FrontalLeg | None = None
    upper: UpperBody | None = None
    elbow_flexion_deg: float = 20.0


def derivatives(rider: Rider, adjustable: str) -> dict[str, Floats]:
    """Quantity → (360,) change per mm (per deg for the cleat's rotation) at each crank angle; the trunk (1,).

    A quantity that the adjustable does not move is left out. The foot is taken to follow a turned cleat whole.

    Raises:
        InputError: an unknown adjustable; arms or a leg that do not reach.
    """
    if adjustable not in ADJUSTABLES:
        raise InputError("adjustable", "unknown", value=adjustable, allowed=", ".join(ADJUSTABLES))
    out: dict[str, Floats] = {}
    if adjustable in SAGITTAL:
        for angle in LEG_ANGLES:
            out[angle] = sensitivity(rider.leg, rider.contact, adjustable, angle, THETA_DEG)
    if rider.frontal is not None and adjustable not in HANDS:
        out["knee_path_mm"] = _knee_path(rider.leg, rider.contact, rider.frontal, adjustable)
    if rider.upper is not None and adjustable.startswith(("hood", "saddle")):
        out["trunk_inclination_deg"] = _trunk(rider, rider.upper, adjustable)
    return out


def _knee_path(leg: LegTwin, contact: ContactPoints, frontal: FrontalLeg, adjustable: str) -> Floats:
    """(360,) mm per unit, the knee outward of the pedal centre."""
    if adjustable in SAGITTAL:
        stepped = leg_vector(leg) + 1j * STEP * direction(adjustable, contact)
        pose = pose_from_vector(stepped, leg, THETA_DEG)
        return np.asarray(np.imag(design(pose) @ frontal.vector) / STEP, dtype=np.float64)
    by_ankle = design(whole_turn(leg))[:, 1]
    heel_mm_per_deg = math.radians(leg.axle_to_malleolus_x_mm)
    return {
        "spacer_mm": by_ankle - 1.0,  # the pedal goes out by all of it, the knee by its share
        "cleat_z_mm": -by_ankle,
        "cleat_psi_deg": -heel_mm_per_deg * by_ankle,
    }[adjustable]


def _trunk(rider: Rider, upper: UpperBody, adjustable: str) -> Floats:
    """(1,) deg per mm at an unchanged elbow: the hip goes with the saddle, the hand with the hoods."""
    step = 1j * STEP
    dx: complex = rider.contact.hood_x_mm - rider.leg.hip_x_mm
    dy: complex = rider.contact.hood_y_mm - rider.leg.hip_y_mm
    if adjustable in SAGITTAL:
        hip = direction(adjustable, rider.contact)[5:7]
        dx, dy = dx - step * hip[0], dy - step * hip[1]
    else:
        dx, dy = (dx + step, dy) if adjustable == "hood_x_mm" else (dx, dy + step)
    arm = upper.arm_mm(rider.elbow_flexion_deg)
    if not abs(upper.trunk_mm - arm) < math.hypot(dx.real, dy.real) < upper.trunk_mm + arm:
        raise InputError("hands", "do not reach the bar with this elbow", value=rider.elbow_flexion_deg)
    angle = inclination_deg(upper.trunk_mm, *trunk_arrays(upper.trunk_mm, arm, dx, dy))
    return np.atleast_1d(np.asarray(np.imag(angle) / STEP, dtype=np.float64))
