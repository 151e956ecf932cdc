"""From points in the card's plane to the sole frame, the cleat's pose, and where the axle runs under the foot.

Plane coordinates (mm) are those of a picture: x across, y down, never mirrored. The sole frame is mirrored
between the feet (see `fitwright.foot.sole`), so that z is lateral on both. Angles in degrees.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from fitwright.errors import InputError, check_range
from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.quantity import Floats, Measured, propagate

FEET = ("left", "right")
REQUIRED = ("heel_centre", "toe")
CLEAT = ("cleat_nose", "cleat_tail")
AXLE = ("axle_inner", "axle_outer")
IMPRINT = ("imprint_nose", "imprint_tail")  # the print that an older cleat left
OTHERS = ("bolt_1", "bolt_2", "bolt_3", "heel_inner", "heel_outer")  # bolts; the heel at its widest
KNOWN = (*REQUIRED, "m1", "m5", *CLEAT, *AXLE, *IMPRINT, *OTHERS)
LENGTH_MM = (150.0, 400.0)
ACROSS_MM = (40.0, 130.0)  # M1 to M5 across the foot


def check_foot(foot: str) -> str:
    """ "left" or "right"; InputError otherwise."""
    if foot not in FEET:
        raise InputError("foot", "must be one of two", value=foot, allowed="left, right")
    return foot


def sole_axes(heel: Floats, toe: Floats, foot: str, from_below: bool = True) -> Floats:
    """(2, 2) rows: unit vectors x (heel → toe) and z (lateral) of the sole frame in plane coordinates.

    Seen from above with the toe up, lateral of the right foot is to the right; from below, to the left.
    """
    forward = (toe - heel) / np.linalg.norm(toe - heel)
    right = np.array([-forward[1], forward[0]])  # y grows downward: a clockwise quarter turn in the picture
    lateral_is_right = (foot == "right") != from_below
    return np.array([forward, right if lateral_is_right else -right])


def to_sole(points: Floats, heel: Floats, toe: Floats, foot: str, from_below: bool = True) -> Floats:
    """(n, 2) plane points → (n, 2) sole frame (x, z), mm."""
    return np.asarray((points - heel) @ sole_axes(heel, toe, foot, from_below).T, dtype=np.float64)


def from_sole(points: Floats, heel: Floats, toe: Floats, foot: str, from_below: bool = True) -> Floats:
    """The inverse of `to_sole`."""
    return np.asarray(heel + points @ sole_axes(heel, toe, foot, from_below), dtype=np.float64)


def cleat_axis(psi_deg: float) -> Floats:
    """Unit vector tail → nose in the sole frame: turned by −ψ."""
    psi = math.radians(psi_deg)
    return np.array([math.cos(psi), -math.sin(psi)])


def turned_axes(psi_deg: float) -> Floats:
    """(2, 2) rows: x and z of a cleat or pattern turned by ψ, in the frame that it is turned against."""
    ahead = cleat_axis(psi_deg)
    return np.array([ahead, [-ahead[1], ahead[0]]])


def in_sole(pose: CleatPose, at_mm: ArrayLike) -> Floats:
    """(2,) or (n, 2) points of the cleat's frame (origin at its centre, first axis forward) in the sole frame."""
    return np.asarray(pose.vector[:2] + np.asarray(at_mm, dtype=np.float64) @ turned_axes(pose.psi_deg))


def cleat_pose(
    nose: Floats, tail: Floats, inner: Floats | None = None, outer: Floats | None = None
) -> Floats:
    """(x, z, ψ) of the cleat from sole-frame points.

    The centre is the middle of nose and tail, or where the line of the axle marks crosses the long axis.
    """
    along = nose - tail
    psi = math.degrees(math.atan2(-along[1], along[0]))
    centre = (nose + tail) / 2
    if inner is not None and outer is not None:
        across = outer - inner
        det = along[0] * across[1] - along[1] * across[0]
        offset = inner - tail
        centre = tail + along * (offset[0] * across[1] - offset[1] * across[0]) / det
    return np.array([centre[0], centre[1], psi])


def cleat_marks(x_mm: float, z_mm: float, psi_deg: float, nose_mm: float, tail_mm: float) -> Floats:
    """(2, 2) nose and tail (sole frame) of a cleat whose ends lie nose_mm ahead and tail_mm behind its centre."""
    axis = cleat_axis(psi_deg)
    centre = np.array([x_mm, z_mm])
    return np.array([centre + nose_mm * axis, centre - tail_mm * axis])


# --- sole to bike ---


def to_bike(points: Floats, cleat_xz: Floats, yaw_deg: float, pedal_out_mm: float = 0.0) -> Floats:
    """(n, 2) sole points → (n, 2): X ahead of the pedal axle, W outward of the mid-plane (or of the pedal centre)."""
    c, s = math.cos(math.radians(yaw_deg)), math.sin(math.radians(yaw_deg))
    d = points - cleat_xz
    return np.column_stack([d[:, 0] * c - d[:, 1] * s, pedal_out_mm + d[:, 0] * s + d[:, 1] * c])


def axle_fraction(m1: Floats, m5: Floats, cleat_xz: Floats, yaw_deg: float) -> float:
    """λ: where the axle crosses M1–M5 at this yaw (0 under M1, 1 under M5; outside when ahead or behind both)."""
    X = to_bike(np.array([m1, m5]), cleat_xz, yaw_deg)[:, 0]
    if abs(X[0] - X[1]) < 1e-9:
        raise InputError("m1, m5", "the axle runs parallel to the line M1–M5", hint="Pick M1 and M5 again.")
    return float(X[0] / (X[0] - X[1]))


def axle_under_foot(reading: SoleReading, yaw: Measured | None = None) -> Measured:
    """λ with uncertainty for a sole reading, at the given yaw or at the middle of the float (ψ)."""
    if reading.cleat is None or "m1" not in reading.landmarks or "m5" not in reading.landmarks:
        raise InputError("points", "m1, m5 and the cleat are needed", hint="Mark them on the photograph.")
    m1, m5, cleat = reading.landmarks["m1"], reading.landmarks["m5"], reading.cleat
    covariance = np.zeros((7, 7))
    covariance[:2, :2], covariance[2:4, 2:4] = m1.covariance_mm2, m5.covariance_mm2
    covariance[4:, 4:] = cleat.covariance
    if yaw is not None:  # measured by itself: independent of where the cleat sits
        covariance[4:6, 6] = covariance[6, 4:6] = 0.0
        covariance[6, 6] = yaw.u**2
    mean = np.concatenate([m1.xz, m5.xz, [cleat.x_mm, cleat.z_mm, yaw.value if yaw else cleat.psi_deg]])
    value, cov = propagate(lambda v: axle_fraction(v[:2], v[2:4], v[4:6], float(v[6])), mean, covariance)
    return Measured(float(value[0]), float(np.sqrt(cov[0, 0])), "1", "sole photograph")


# --- reading a sole ---


def check_names(names: Sequence[str]) -> None:
    """InputError for an unknown or a missing point name."""
    for name in names:
        number = name.removeprefix("datum_")
        if name not in KNOWN and not (name.startswith("datum_") and number.isdigit()):
            raise InputError(
                "points", f"unknown point {name!r}", allowed=f"{', '.join(KNOWN)}, datum_1, datum_2, ..."
            )
    for name in REQUIRED:
        if name not in names:
            raise InputError("points", f"{name} is missing", hint="It defines the sole frame: mark it.")
    for pair in (CLEAT, AXLE, IMPRINT):
        if len(set(pair) & set(names)) == 1:
            absent = next(iter(set(pair) - set(names)))
            raise InputError(
                "points", f"{absent} is missing", hint=f"Mark both {pair[0]} and {pair[1]}, or neither."
            )
    if AXLE[0] in names and CLEAT[0] not in names:
        raise InputError(
            "points", "axle marks without cleat_nose and cleat_tail", hint="Mark nose and tail too."
        )


def read_sole(
    foot: str, names: Sequence[str], xy_mm: Floats, covariance_mm2: Floats, *, from_below: bool = True,
    method: str = "sole photograph", quality: Mapping[str, Any] | None = None,
) -> SoleReading:  # fmt: skip
    """Sole reading from named points in a plane.

    Args:
        foot: "left" or "right". names: n names, see `KNOWN` and datum_1, datum_2, ...
        xy_mm: (n, 2) plane coordinates. covariance_mm2: (2n, 2n), order x0, y0, x1, ...
        from_below: the sole is looked at (False: an insole from above).

    Raises:
        InputError: unknown, missing or contradictory points.
    """
    check_foot(foot)
    check_names(names)
    index = {name: i for i, name in enumerate(names)}
    n, has_cleat = len(names), CLEAT[0] in index

    def sole(v: Floats) -> Floats:
        plane = v.reshape(n, 2)
        heel, toe = plane[index["heel_centre"]], plane[index["toe"]]
        p = to_sole(plane, heel, toe, foot, from_below)
        axle = (p[index[AXLE[0]]], p[index[AXLE[1]]]) if AXLE[0] in index else (None, None)
        pose = cleat_pose(p[index[CLEAT[0]]], p[index[CLEAT[1]]], *axle) if has_cleat else np.empty(0)
        return np.concatenate([p.ravel(), [p[index["toe"], 0]], pose])

    _check_length(float(np.linalg.norm(xy_mm[index["toe"]] - xy_mm[index["heel_centre"]])))
    value, cov = propagate(sole, np.asarray(xy_mm, dtype=np.float64).ravel(), covariance_mm2)
    points = {
        name: SolePoint(
            float(value[2 * i]), float(value[2 * i + 1]), cov[2 * i : 2 * i + 2, 2 * i : 2 * i + 2]
        )
        for name, i in index.items()
    }
    check_anatomy(points, foot)
    c = slice(2 * n + 1, 2 * n + 4)
    pose = value[c].tolist()
    cleat = CleatPose(pose[0], pose[1], pose[2], cov[c, c], method) if has_cleat else None
    return SoleReading(
        foot, {k: p for k, p in points.items() if not k.startswith("datum_")},
        {k: p for k, p in points.items() if k.startswith("datum_")}, cleat,
        Measured(float(value[2 * n]), math.sqrt(cov[2 * n, 2 * n]), "mm", method), dict(quality or {}),
        joint_mm2=_joint(index, xy_mm, covariance_mm2, foot, from_below),
    )  # fmt: skip


def _joint(
    index: Mapping[str, int], xy_mm: Floats, covariance_mm2: Floats, foot: str, from_below: bool
) -> Floats:
    """The plane's covariance along the sole's axes, landmarks before datum marks (`SoleReading.joint_mm2`)."""
    heel, toe = xy_mm[index["heel_centre"]], xy_mm[index["toe"]]
    order = sorted(index, key=lambda name: (name.startswith("datum_"), index[name]))
    at = [2 * index[name] + k for name in order for k in (0, 1)]
    turn = np.kron(np.eye(len(order)), sole_axes(heel, toe, foot, from_below))
    return np.asarray(turn @ np.asarray(covariance_mm2)[np.ix_(at, at)] @ turn.T)


def _check_length(length_mm: float) -> None:
    if not LENGTH_MM[0] <= length_mm <= LENGTH_MM[1]:
        raise InputError(
            "heel_centre, toe", "the sole between them has an unlikely length", value=round(length_mm, 1),
            allowed=f"{LENGTH_MM[0]:g} to {LENGTH_MM[1]:g} mm", hint="Check both points and the card's print scale.",
        )  # fmt: skip


def check_anatomy(points: Mapping[str, SolePoint], foot: str) -> None:
    """InputError when M1 and M5 or the cleat's ends cannot be what they are called."""
    other = "right" if foot == "left" else "left"
    if "m1" in points and "m5" in points:
        m1, m5 = points["m1"], points["m5"]
        mirrored, behind = m1.z_mm >= m5.z_mm, m1.x_mm <= m5.x_mm
        where = f"M1 at x {m1.x_mm:.0f}, z {m1.z_mm:.0f}; M5 at x {m5.x_mm:.0f}, z {m5.z_mm:.0f} mm"
        if mirrored and behind:
            raise InputError("m1, m5", "the two marks look swapped", value=where, hint="Exchange m1 and m5.")
        if mirrored:
            raise InputError(
                "foot", f"M1 lies on the outer side: this looks like the {other} sole, not the {foot}", value=where,
                hint=f"Choose the {other} foot, or pick the points again (the sole is seen from below).",
            )  # fmt: skip
        if behind:
            raise InputError(
                "m1, m5", "M1 lies behind M5, but the first metatarsal head lies farther forward", value=where,
                allowed="x of M1 greater than x of M5", hint="Check m1, m5, heel_centre and toe.",
            )  # fmt: skip
        check_across(m1.z_mm, m5.z_mm)
    if CLEAT[0] in points and points[CLEAT[0]].x_mm <= points[CLEAT[1]].x_mm:
        raise InputError(
            "cleat_nose, cleat_tail", "the nose lies behind the tail", hint="Exchange the two points."
        )


def check_across(m1_z_mm: float, m5_z_mm: float) -> None:
    """InputError when M1 and M5 lie nearer to each other across the foot, or farther apart, than feet are wide."""
    check_range(
        "m1, m5 across the foot", round(m5_z_mm - m1_z_mm, 1), *ACROSS_MM, "mm",
        "Check the marks, and the scale of what they were measured with.",
    )  # fmt: skip
