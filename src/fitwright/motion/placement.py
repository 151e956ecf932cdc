"""What a misplaced sticker, or a camera that is not quite as thought, does to the curves over the turn.

A sticker keeps its error on the limb it sits on, so each landmark is moved by its uncertainty along and across its
own segment and the shift turns with it. The default sizes: Della Croce 2005 (Gait Posture 21:226; from memory) for
the trochanter; the others are our assumption for bony landmarks under the skin, no source. A camera moves all points
together, the pedal axle among them, and with it the crank angle by which everything is laid out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from fitwright.quantity import Floats

DEFAULT_LANDMARK_U_MM: dict[str, float] = {
    "greater_trochanter": 12.0, "lateral_femoral_condyle": 6.0, "lateral_malleolus": 4.0, "heel": 3.0,
    "toe": 3.0, "fifth_metatarsal": 4.0, "acromion": 8.0, "elbow": 6.0, "wrist": 6.0, "pedal_axle": 1.0,
    "patella": 5.0, "asis": 8.0, "foot": 4.0, "pedal": 1.0,
}  # fmt: skip

SEGMENT_OF: dict[str, tuple[str, str]] = {
    "greater_trochanter": ("greater_trochanter", "lateral_femoral_condyle"),
    "lateral_femoral_condyle": ("greater_trochanter", "lateral_femoral_condyle"),
    "lateral_malleolus": ("lateral_femoral_condyle", "lateral_malleolus"),
    "heel": ("heel", "fifth_metatarsal"),
    "fifth_metatarsal": ("heel", "fifth_metatarsal"),
    "acromion": ("greater_trochanter", "acromion"),
    "elbow": ("acromion", "elbow"),
    "wrist": ("elbow", "wrist"),
}

Points = Mapping[str, Floats]
Curves = Mapping[str, Floats]
Rereading = Callable[[Points], dict[str, Floats]]
"""Mean points as the picture would be read with one thing off by its standard uncertainty: camera, depth, timing."""
SAME_DEG = 1e-9
"""A crank angle off by less is the same: a wrong depth of another point leaves the axle where it was."""


def placement_deltas(
    points: Points, landmark_u_mm: Mapping[str, float], curves_of: Callable[[Points], Curves]
) -> dict[str, Floats]:
    """Change of every curve for each landmark and direction: curve → (S, 360).

    Args:
        points: name → (360, D) mean positions over the turn, X and Y first.
        landmark_u_mm: name → standard uncertainty of the placement in each direction.
        curves_of: maps such points to curves (360,).
    """
    base = curves_of(points)
    rows: dict[str, list[Floats]] = {name: [] for name in base}
    for name, u in landmark_u_mm.items():
        if name not in points or u == 0:
            continue
        for direction in _directions(name, points):
            moved = curves_of({**points, name: points[name] + u * direction})
            for curve in base:
                rows[curve].append(moved[curve] - base[curve])
    return {name: np.array(r).reshape(-1, 360) for name, r in rows.items()}


def reread_deltas(
    points: Points, rereadings: Sequence[Rereading], curves_of: Callable[[Points], Curves]
) -> dict[str, Floats]:
    """Change of every curve for each other reading of the same picture: curve → (S, 360).

    Args:
        points: name → (360, 2) mean positions over the turn, "pedal_axle" among them, its circle about the origin.
        rereadings: one for each independent error. curves_of: maps such points to curves (360,).
    """
    base = curves_of(points)
    moved = [curves_of(by_crank_angle(reread(points), points["pedal_axle"])) for reread in rereadings]
    return {n: np.array([m[n] - base[n] for m in moved]).reshape(-1, 360) for n in base}


def by_crank_angle(moved: Points, axle: Floats) -> dict[str, Floats]:
    """Points (360, D) laid out by the crank angle that their own axle shows; `axle` is where it was before."""
    now = np.arctan2(moved["pedal_axle"][:, 0], moved["pedal_axle"][:, 1])
    turned = np.degrees(np.angle(np.exp(1j * (now - np.arctan2(axle[:, 0], axle[:, 1])))))
    if not np.abs(turned).max() > SAME_DEG:  # the same crank angles, or one that is not to be told
        return dict(moved)
    at = np.arange(360.0) + turned
    wide = np.concatenate([at - 360.0, at, at + 360.0])
    return {
        name: np.column_stack([np.interp(np.arange(360.0), wide, np.tile(column, 3)) for column in x.T])
        for name, x in moved.items()
    }


def _directions(name: str, points: Points) -> list[Floats]:
    """Unit vectors (360, D): along and across the landmark's segment in the XY plane, and along Z in space."""
    shape = points[name].shape
    start, end = SEGMENT_OF.get(name, ("", ""))
    along = np.zeros(shape)
    if start in points and end in points:
        v = (points[end] - points[start])[:, :2]
        along[:, :2] = v / np.maximum(np.linalg.norm(v, axis=1, keepdims=True), 1e-9)
    else:
        along[:, 0] = 1.0
    across = np.zeros(shape)
    across[:, 0], across[:, 1] = -along[:, 1], along[:, 0]
    if shape[1] == 2:
        return [along, across]
    sideways = np.zeros(shape)
    sideways[:, 2] = 1.0
    return [along, across, sideways]
