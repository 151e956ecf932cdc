"""From a photograph of a shoe's inner or outer side to the place of the tape mark along the sole.

The scale card stands in the plane of the shoe's edge, turned along the sole's mid-line; heel, toe and tape mark are
picked. Heel and toe lie on the mid-line, half a sole's breadth behind the card, so they are measured there and not in
the card's plane. Only x comes out: how far a mark lies sideways is not seen from the side. No database here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import LENGTH_MM, check_foot
from fitwright.foot.marks import Observation
from fitwright.quantity import Floats, Measured, combine, propagate
from fitwright.studio.picks import Expected
from fitwright.vision.card import SCALE_CARD, CardLayout
from fitwright.vision.photo import U_PICK_PX, card_plane, plane_quality
from fitwright.vision.picture import Picture, read_picture
from fitwright.vision.plane import CardPlane

EDGES = {"inner": "m1", "outer": "m5"}
POINTS = (
    Expected("heel", "Heel", "rearmost point of the sole", True, (6, 62)),
    Expected("toe", "Toe", "foremost point of the sole", True, (95, 52)),
    Expected("mark", "Tape mark", "its middle, where it meets the sole’s edge", True, (66, 68)),
)

# What a photograph of a side cannot see; our assumptions, no source.
EDGE_MM = Measured(46.0, 6.0, "mm", "from the sole's mid-line to its edge at the ball")
U_CARD_OFF_EDGE_MM = 3.0
U_TURN_DEG = (
    2.0  # of the card's plane against the mid-line: an edge runs aslant, and shifts the mark by edge · tan
)
U_SPRING_MM = 1.0  # heel to toe is not quite level with the sole: the toe springs up
SHARES = (0.4, 0.9)  # of the sole's length, between which a head can lie


@dataclass(frozen=True)
class SideMark:
    """The tape mark on one edge: x along the mid-line from the heel, the sole's length as seen from the side."""

    edge: str
    x_mm: Measured
    length_mm: Measured
    quality: Mapping[str, Any]

    def observation(self) -> Observation:
        """As one way of measuring M1 (inner edge) or M5 (outer edge)."""
        return Observation.of(self.x_mm.method, {f"{EDGES[self.edge]}_x": self.x_mm})

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "edge": self.edge, "x_mm": self.x_mm.to_json(), "length_mm": self.length_mm.to_json(),
            "quality": dict(self.quality), "observation": self.observation().to_json(),
        }  # fmt: skip


def measure_side(
    photo: Path | Picture, foot: str, edge: str, points: Mapping[str, tuple[float, float]], *,
    card: CardLayout = SCALE_CARD, plane: CardPlane | None = None, u_pick_px: float = U_PICK_PX,
    edge_mm: Measured = EDGE_MM,
) -> SideMark:  # fmt: skip
    """Where the tape mark lies along the sole.

    Args:
        photo: file, or a picture already read. foot: "left" or "right". edge: "inner" or "outer".
        points: heel, toe and mark → (u, v) in pixels of the upright picture.
        card: with its measured check bar. plane: the card's plane when it was fitted already.
        edge_mm: from the mid-line to the edge at the ball, which is how far heel and toe lie behind the card.

    Raises:
        InputError: what is wrong with the photograph, the card (none, mirrored) or the points, and what to do.
    """
    check_edge(foot, edge)
    for e in POINTS:
        if e.name not in points:
            raise InputError("points", f"{e.name} is missing", hint=f"Pick it: {e.hint}.")
    check_range("u_pick_px", u_pick_px, 0.02, 50, "px")
    check_range("edge_mm", edge_mm.value, 20, 80, "mm")
    picture = photo if isinstance(photo, Picture) else read_picture(photo)
    pixels = np.array([picture.check_inside(e.name, points[e.name]) for e in POINTS])
    plane = plane or card_plane(picture, card)
    behind = np.array([-edge_mm.value, -edge_mm.value, 0.0])
    mapped = plane.to_plane(pixels, u_pick_px, behind, U_CARD_OFF_EDGE_MM, edge_mm.u)
    value, covariance = propagate(_along, mapped.xy_mm.ravel(), mapped.covariance_mm2)
    x, length = value.tolist()
    _check(x, length)
    u_x, u_length = np.sqrt(np.diag(covariance)).tolist()
    u_turn = edge_mm.value * math.tan(math.radians(U_TURN_DEG))
    return SideMark(
        edge, Measured(x, combine(u_x, u_turn, U_SPRING_MM), "mm", f"photograph of the {edge} edge"),
        Measured(length, combine(u_length, U_SPRING_MM), "mm", f"photograph of the {edge} edge"),
        plane_quality(plane, card),
    )  # fmt: skip


def check_edge(foot: str, edge: str) -> None:
    """InputError for a foot or an edge that is none."""
    check_foot(foot)
    if edge not in EDGES:
        raise InputError("edge", "unknown", value=edge[:20], allowed=", ".join(EDGES))


def _along(v: Floats) -> Floats:
    """x of the mark on the line heel to toe, and that line's length, from (heel, toe, mark) in plane coordinates."""
    heel, toe, mark = v.reshape(3, 2)
    length = float(np.linalg.norm(toe - heel))
    return np.array([(mark - heel) @ (toe - heel) / length, length])


def _check(x_mm: float, length_mm: float) -> None:
    check_range(
        "heel, toe", round(length_mm, 1), *LENGTH_MM, "mm apart", "Check both points and the card's print."
    )
    low, high = (share * length_mm for share in SHARES)
    if not low <= x_mm <= high:
        swapped = low <= length_mm - x_mm <= high
        raise InputError(
            "mark", "lies where no metatarsal head can be", value=f"{x_mm:.0f} mm from the heel",
            allowed=f"{low:.0f} to {high:.0f} mm on this sole",
            hint="Are heel and toe exchanged?" if swapped else "Pick the mark, the heel and the toe again.",
        )  # fmt: skip
