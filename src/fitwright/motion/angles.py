"""Joint and segment angles of a rider from named points, in the plane or in space.

Every function takes positions (..., D) with X forward and Y up first (D = 2: X, Y; D = 3: X, Y, Z) and returns (...)
degrees. Signs: knee, hip, elbow flexion 0 = straight; shoulder 0 = arm along the trunk; ankle plantar-flexion
positive, 0 where the shank is square to the sole; sole pitch heel-up positive; trunk 0 = level, 90 = upright.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from fitwright.quantity import Floats

SOLE = ("heel", "fifth_metatarsal")


def included(a: Floats, b: Floats) -> Floats:
    """Angle between two vectors, 0 to 180; by atan2 of cross and dot, exact near 0 and 180 as well."""
    dot = np.sum(a * b, axis=-1)
    if a.shape[-1] == 2:
        cross = np.abs(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])
    else:
        cross = np.linalg.norm(np.cross(a, b), axis=-1)
    return np.asarray(np.degrees(np.arctan2(cross, dot)), dtype=np.float64)


def flexion(proximal: Floats, joint: Floats, distal: Floats) -> Floats:
    """180 − angle at the joint: 0 when the three points are in line."""
    return 180.0 - included(proximal - joint, distal - joint)


def elevation(start: Floats, end: Floats) -> Floats:
    """Angle of the line start → end above the horizontal, in the XY plane, −180 to 180."""
    v = end - start
    return np.asarray(np.degrees(np.arctan2(v[..., 1], v[..., 0])), dtype=np.float64)


def plantarflexion(knee: Floats, malleolus: Floats, sole_back: Floats, sole_front: Floats) -> Floats:
    """Angle between the shank (upward) and the sole line (forward), minus 90."""
    return included(knee - malleolus, sole_front - sole_back) - 90.0


def toe_out(sole_back: Floats, sole_front: Floats, side: str) -> Floats:
    """Foot yaw: angle of the sole line to X in the ground plane, toe-out positive; needs three dimensions."""
    v = sole_front - sole_back
    outward = v[..., 2] if side == "right" else -v[..., 2]
    return np.asarray(np.degrees(np.arctan2(outward, v[..., 0])), dtype=np.float64)


def joint_angles(points: Mapping[str, Floats], sole: tuple[str, str] = SOLE) -> dict[str, Floats]:
    """All angles that the given points of one side allow: name → (...) degrees.

    Names of points: greater_trochanter, lateral_femoral_condyle, lateral_malleolus, acromion, elbow, wrist and
    the two points of the sole line (its back and front end).
    """
    hip, knee, ankle = (
        points.get(n) for n in ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus")
    )
    acromion, elbow, wrist = (points.get(n) for n in ("acromion", "elbow", "wrist"))
    back, front = points.get(sole[0]), points.get(sole[1])
    out: dict[str, Floats] = {}
    if hip is not None and knee is not None:
        out["thigh_to_horizontal"] = elevation(hip, knee)
        if ankle is not None:
            out["knee_flexion"] = flexion(hip, knee, ankle)
        if acromion is not None:
            out["hip_flexion"] = flexion(acromion, hip, knee)
    if back is not None and front is not None:
        out["sole_pitch"] = -elevation(back, front)
        if knee is not None and ankle is not None:
            out["ankle_plantarflexion"] = plantarflexion(knee, ankle, back, front)
    if hip is not None and acromion is not None:
        out["trunk_inclination"] = elevation(hip, acromion)
        if elbow is not None:
            out["shoulder_flexion"] = included(elbow - acromion, hip - acromion)
    if acromion is not None and elbow is not None and wrist is not None:
        out["elbow_flexion"] = flexion(acromion, elbow, wrist)
    return out
