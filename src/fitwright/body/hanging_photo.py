"""The hanging foot read in a photograph taken from below, along the shank.

Four points make two lines: the foot's (heel centre to toe) and the knee's sagittal plane (two points along the thigh,
or along a straight edge laid in that plane, the first nearer to the hip). Yaw is the angle between them, toe-out
positive. A photograph from below shows the left foot's toe-out clockwise and the right foot's counter-clockwise.

The points are handed over in a plane that is seen from a point, the eye: the plane of the scale card (mm), or,
without a card, the picture itself (one unit = one focal length). Lines parallel to that plane keep their direction
whatever their depth, so foot and thigh need not lie in it. A line tilted out of it by t is seen turned: with m its
direction in the plane, p a point of it and D the distance of the eye,

    true direction ∝ m − ((p − eye)/D) tan t,

so a tilt costs nothing where the line passes under the eye, and t·(distance from there)/D elsewhere. Tilts are not
measured; they are carried in u. All standard uncertainties below are our assumptions, no source.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.quantity import Floats, Measured, combine, propagate

POINTS = ("heel_centre", "toe", "knee_rear", "knee_front")
SIDES = ("left", "right")
LINES = {"shoe": "the shoe’s mid-line", "bare": "heel centre to second toe, bare"}
KNEES = {"thigh": "along the thigh", "edge": "along a straight edge"}
YAW_DEG = (-30.0, 50.0)
LENGTH_MM = (120.0, 400.0)
SHORTEST = 0.3
"""The knee line must be at least this share of the foot's length as seen: shorter, its direction is guesswork."""

U_TILT_FOOT_DEG, U_TILT_KNEE_DEG = 5.0, 5.0  # ankle brought level, thigh supported level, both by eye
U_SQUARE_CARD_DEG, U_SQUARE_CAMERA_DEG = 3.0, 10.0  # card, or camera without one, square to the shank by eye
U_FOOT_DEG = {"shoe": 0.7, "bare": 1.0}  # how well two marks stand for the foot's line: 2 to 3 mm at each end
U_KNEE_DEG = {
    "thigh": 2.0,
    "edge": 1.0,
}  # and for the sagittal plane: 6 mm across the thigh, or an edge laid by eye
U_END_MM = 2.0  # of each end of the foot, along it


@dataclass(frozen=True)
class Sight:
    """How the plane of the points is seen.

    Attributes:
        eye: (x, y) where the eye stands over the plane; distance: of the eye from it, same unit as the points.
        u_square_deg: how far the plane may be tilted against square to the shank, in each of two directions.
        scaled: whether the unit is mm. sole_height_mm: how much nearer the sole is to the eye than the plane, where
            that is known; only then is a length stated. words: for the record.
    """

    eye: tuple[float, float]
    distance: float
    u_square_deg: float
    scaled: bool
    sole_height_mm: Measured | None = None
    words: str = ""


@dataclass(frozen=True)
class HangingPhoto:
    """One reading from a photograph: yaw (toe-out positive), length between the picks, u by cause, notes."""

    side: str
    line: str
    yaw_deg: Measured
    length_mm: Measured | None
    u_parts_deg: Mapping[str, float]
    notes: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "side": self.side, "line": self.line, "yaw_deg": self.yaw_deg.to_json(),
            "length_mm": self.length_mm.to_json() if self.length_mm else None,
            "u_parts_deg": dict(self.u_parts_deg), "notes": list(self.notes),
        }  # fmt: skip

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> HangingPhoto:
        """The inverse of `to_json`."""
        length = data["length_mm"]
        return HangingPhoto(
            data["side"], data["line"], Measured.from_json(data["yaw_deg"]),
            Measured.from_json(length) if length else None, dict(data["u_parts_deg"]), tuple(data["notes"]),
        )  # fmt: skip


def read_hanging(
    side: str, points: Floats, covariance: Floats, sight: Sight, *, line: str = "shoe", knee: str = "thigh",
    notes: tuple[str, ...] = (),
) -> HangingPhoto:  # fmt: skip
    """Yaw of one hanging foot, seen from below.

    Args:
        side: "left" or "right". points: (4, 2) in the order of `POINTS`, x to the right, y down, not mirrored.
        covariance: (8, 8) of picking and mapping, order x0, y0, x1, ...
        line: which line the heel and toe picks mean, "shoe" or "bare". knee: "thigh" or "edge".

    Raises:
        InputError: points on one spot, exchanged, of another side, or a length that no foot has.
    """
    for field, given, allowed in (("side", side, SIDES), ("line", line, LINES), ("knee", knee, KNEES)):
        if given not in allowed:
            raise InputError(field, "unknown", value=given, allowed=", ".join(allowed))
    xy = np.asarray(points, dtype=np.float64).reshape(4, 2)
    _check_apart(xy)

    def yaw(v: Floats) -> Floats:
        return np.array([_yaw_deg(side, v[:8].reshape(4, 2), sight, v[8:10], v[10:12])])

    mean = np.concatenate([xy.ravel(), np.zeros(4)])
    tilts = np.radians([sight.u_square_deg] * 2 + [U_TILT_FOOT_DEG, U_TILT_KNEE_DEG]) ** 2
    value = float(yaw(mean)[0])
    parts = {
        "picks and lens": _u(yaw, mean, covariance, np.zeros(4)),
        "marks on the body": combine(U_FOOT_DEG[line], U_KNEE_DEG[knee]),
        "lines not level": combine(
            _u(yaw, mean, np.zeros((8, 8)), tilts), _second_order_deg(value, sight.u_square_deg)
        ),
    }
    _check_yaw(side, value)
    method = f"photograph along the shank, {sight.words}, {LINES[line]}"
    return HangingPhoto(
        side, line, Measured(value, combine(*parts.values()), "deg", method),
        _length(xy, covariance, sight), parts, notes,
    )  # fmt: skip


def _yaw_deg(side: str, xy: Floats, sight: Sight, square: Floats, tilt: Floats) -> float:
    """Angle from the knee line to the foot's; `square` (2,) tilts the plane, `tilt` (2,) foot and knee line, rad."""
    foot = _level(xy[0], xy[1], sight, square, float(tilt[0]))
    knee = _level(xy[2], xy[3], sight, square, float(tilt[1]))
    clockwise = math.atan2(knee[0] * foot[1] - knee[1] * foot[0], float(knee @ foot))
    return math.degrees(clockwise) * (1.0 if side == "left" else -1.0)


def _level(rear: Floats, front: Floats, sight: Sight, square: Floats, tilt: float) -> Floats:
    """Direction of a line as it would be seen if it were level (see the module)."""
    along = (front - rear) / np.linalg.norm(front - rear)
    aside = ((rear + front) / 2 - np.array(sight.eye)) / sight.distance
    return np.asarray(along - aside * math.tan(tilt + float(square @ along)), dtype=np.float64)


def _u(yaw: Any, mean: Floats, points: Floats, tilts: Floats) -> float:
    covariance = np.zeros((12, 12))
    covariance[:8, :8], covariance[range(8, 12), range(8, 12)] = points, tilts
    return math.sqrt(float(propagate(yaw, mean, covariance)[1][0, 0]))


def _second_order_deg(yaw_deg: float, u_square_deg: float) -> float:
    """What tilts do to the angle beyond the first order (JCGM 100, 5.1.2, note), root mean square over normal tilts.

    A plane tilted by τ = √(τx² + τy²) shortens the angle: (1 − cos τ) cos(φ − 2α) sin φ, so u_τ² |sin φ|; and a line
    tilted by t against square to the shank is turned by t τ across it, so u_t u_τ for each line.
    """
    u = math.radians(u_square_deg)
    lines = u * combine(math.radians(U_TILT_FOOT_DEG), math.radians(U_TILT_KNEE_DEG))
    return math.degrees(combine(u**2 * math.sin(math.radians(yaw_deg)), lines))


def _length(xy: Floats, covariance: Floats, sight: Sight) -> Measured | None:
    """Heel to toe, mm, brought from the plane to the sole's height; None where either is not known."""
    height = sight.sole_height_mm
    if not sight.scaled or height is None:
        return None
    shrink = 1 - height.value / sight.distance
    value, cov = propagate(
        lambda v: np.array([np.hypot(v[2] - v[0], v[3] - v[1])]), xy[:2].ravel(), covariance[:4, :4]
    )
    length = float(value[0]) * shrink
    if not LENGTH_MM[0] <= length <= LENGTH_MM[1]:
        raise InputError(
            "heel_centre, toe", "the foot between them has an unlikely length", value=round(length, 1),
            allowed=f"{LENGTH_MM[0]:g} to {LENGTH_MM[1]:g} mm",
            hint="Check both points, the card’s print scale, and that the card is level with the sole",
        )  # fmt: skip
    u = combine(
        math.sqrt(float(cov[0, 0])) * shrink, U_END_MM, U_END_MM, float(value[0]) * height.u / sight.distance
    )
    return Measured(length, u, "mm", f"heel to toe, {sight.words}")


def _check_apart(xy: Floats) -> None:
    if not np.all(np.isfinite(xy)):
        raise InputError("points", "not all points lie in the card’s plane", hint="Pick them again")
    foot, knee = (float(np.linalg.norm(xy[i + 1] - xy[i])) for i in (0, 2))
    spread = float(np.max(np.ptp(xy, axis=0)))
    if foot < 0.05 * spread or foot == 0:
        raise InputError("heel_centre, toe", "lie on one spot", hint="Pick the heel’s middle and the toe")
    if knee < SHORTEST * foot:
        raise InputError(
            "knee_rear, knee_front", "lie too near to each other to make a line",
            allowed=f"at least {SHORTEST:.0%} of the foot’s length apart".replace("%", " %"),
            hint="Pick them as far apart as the thigh or the straight edge is seen",
        )  # fmt: skip


def _check_yaw(side: str, yaw_deg: float) -> None:
    low, high = YAW_DEG
    if low <= yaw_deg <= high:
        return
    if abs(yaw_deg) > 90:
        raise InputError(
            "points", "the foot points backwards: heel and toe, or the two points of the knee line, are exchanged",
            value=f"{yaw_deg:.0f}°", hint="The knee line’s first point is the one nearer to the hip",
        )  # fmt: skip
    other = "right" if side == "left" else "left"
    hint = "Check the four points"
    if low <= -yaw_deg <= high:
        hint = f"{hint}, that it is the {side} foot and not the {other}, and that the picture is not mirrored"
    raise InputError(
        "points", "a foot that hangs so far turned is not believed", value=f"{yaw_deg:.0f}°",
        allowed=f"{low:g} to {high:g}°".replace("-", "−"), hint=hint,
    )  # fmt: skip
