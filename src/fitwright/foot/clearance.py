"""Does the heel pass the crank arm and the chainstay, at every crank angle and every yaw inside the float?

The heel's inner outline is carried through the turn (sole to bike, sole pitch β), and compared with bars: the
crank arm, which turns with the axle, and fixed ones such as the chainstay. A bar is a straight piece in the side
view with a half height and an outer face whose distance from the mid-plane may change along it. The gap is the
outward distance between heel and face wherever they overlap in the side view. 5 mm of gap are common practice,
no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.foot.frame import to_bike
from fitwright.quantity import Floats

WANTED_GAP_MM = 5.0


@dataclass(frozen=True)
class Bar:
    """A piece of bike beside the heel.

    Attributes: name; start_mm, end_mm (X, Y) in the bike frame, or for one that turns with the crank
    (`turns`): along and across the crank at TDC; half_height_mm in the side view; face_start_mm,
    face_end_mm: outer face from the mid-plane at both ends.
    """

    name: str
    start_mm: tuple[float, float]
    end_mm: tuple[float, float]
    half_height_mm: float
    face_start_mm: float
    face_end_mm: float
    turns: bool = False


def crank_arm(
    crank_mm: float, q_factor_mm: float, face_at_axis_mm: float | None = None, half_height_mm: float = 18.0
) -> Bar:
    """The crank arm of the same side: outer face at Q/2 at the pedal, further in at the axis when it flares."""
    check_range("crank_mm", crank_mm, 100, 220, "mm")
    check_range("q_factor_mm", q_factor_mm, 80, 300, "mm")
    at_axis = q_factor_mm / 2 if face_at_axis_mm is None else face_at_axis_mm
    return Bar("crank arm", (0.0, 0.0), (0.0, crank_mm), half_height_mm, at_axis, q_factor_mm / 2, turns=True)


def chainstay(
    length_mm: float, drop_mm: float, face_front_mm: float, face_rear_mm: float, half_height_mm: float = 12.0
) -> Bar:
    """The chainstay of the same side, from the bottom bracket to the rear axle (`drop_mm` above the BB axis)."""
    check_range("chainstay_mm", length_mm, 300, 600, "mm")
    return Bar("chainstay", (0.0, 0.0), (-length_mm, drop_mm), half_height_mm, face_front_mm, face_rear_mm)


@dataclass(frozen=True)
class Clearance:
    """The narrowest place.

    Attributes: gap_mm (infinite when nothing ever overlaps in the side view), bar, at crank_deg and yaw_deg,
    the outline point (x, z) there; enough: gap >= the wanted one; words.
    """

    gap_mm: float
    bar: str
    crank_deg: float
    yaw_deg: float
    point_mm: tuple[float, float]
    enough: bool
    words: str

    def to_json(self) -> dict[str, Any]:
        """Plain numbers and words (gap null when nothing overlaps)."""
        gap = None if np.isinf(self.gap_mm) else self.gap_mm
        return {
            "gap_mm": gap, "bar": self.bar, "crank_deg": self.crank_deg, "yaw_deg": self.yaw_deg,
            "point_mm": list(self.point_mm), "enough": self.enough, "words": self.words,
        }  # fmt: skip


def heel_clearance(
    outline_xz: Floats, cleat_xz: Floats, pedal_out_mm: float, yaws_deg: Sequence[float], crank_mm: float,
    bars: Sequence[Bar], *, pitch_deg: Floats | float = 15.0, heights_mm: Sequence[float] = (15.0, 35.0, 60.0),
    wanted_mm: float = WANTED_GAP_MM, step_deg: float = 3.0,
) -> Clearance:  # fmt: skip
    """Narrowest gap between heel and bars.

    Args:
        outline_xz: (n, 2) inner heel outline, sole frame. cleat_xz: (2,). pedal_out_mm: S_c.
        yaws_deg: of the float to try, both ends among them. pitch_deg: sole pitch, one number or one for each
            crank step. heights_mm: levels of the shoe above the axle to try.

    Raises:
        InputError: no outline point or no bar given.
    """
    if len(outline_xz) == 0 or not bars:
        raise InputError("clearance", "needs a heel outline and at least one bar")
    theta = np.arange(0, 360, step_deg)
    t, beta = (
        np.radians(theta),
        np.radians(np.broadcast_to(np.asarray(pitch_deg, dtype=np.float64), theta.shape)),
    )
    axle = crank_mm * np.column_stack([np.sin(t), np.cos(t)])
    best: tuple[float, Bar | None, int, float, int] = (np.inf, None, 0, 0.0, 0)
    for yaw in yaws_deg:
        XW = to_bike(np.asarray(outline_xz, dtype=np.float64), cleat_xz, yaw, pedal_out_mm)
        side = _side_view(XW[:, 0], np.asarray(heights_mm), beta, axle)
        for bar in bars:
            gap = _gaps(side, XW[:, 1], bar, t)
            i = np.unravel_index(int(np.argmin(gap)), gap.shape)
            if gap[i] < best[0]:
                best = (float(gap[i]), bar, int(i[0]), float(yaw), int(i[1]))
    gap_mm, narrow, step, yaw, point = best
    if narrow is None:
        return Clearance(
            np.inf, "", 0.0, 0.0, (0.0, 0.0), True, "the heel never comes beside crank arm or frame"
        )
    enough = gap_mm >= wanted_mm
    words = f"heel to {narrow.name}: {gap_mm:.1f} mm at crank {theta[step]:.0f}°, foot turned {yaw:.1f}° out"
    words += "" if enough else f"; {wanted_mm:g} mm are wanted"
    at = (float(outline_xz[point, 0]), float(outline_xz[point, 1]))
    return Clearance(gap_mm, narrow.name, float(theta[step]), yaw, at, enough, words)


def _side_view(ahead: Floats, heights: Floats, beta: Floats, axle: Floats) -> Floats:
    """(steps, points, levels, 2) X, Y of the outline in the bike frame; heel-up pitch β lifts what lies behind."""
    c, s = np.cos(beta)[:, None, None], np.sin(beta)[:, None, None]
    x, y = ahead[None, :, None], heights[None, None, :]
    return np.stack(
        [axle[:, 0, None, None] + x * c + y * s, axle[:, 1, None, None] - x * s + y * c], axis=-1
    )  # fmt: skip


def _gaps(side: Floats, outward: Floats, bar: Bar, t: Floats) -> Floats:
    """(steps, points) outward gap to a bar, infinite where they do not overlap in the side view."""
    ends = np.array([bar.start_mm, bar.end_mm])
    if bar.turns:  # (across, along) at TDC turned by θ: along → (sin θ, cos θ)
        turn = np.stack([np.stack([np.cos(t), -np.sin(t)], -1), np.stack([np.sin(t), np.cos(t)], -1)], -2)
        ends = np.einsum("ej,tjk->tek", ends, turn)
    else:
        ends = np.broadcast_to(ends, (len(t), 2, 2))
    (x0, y0), (dx, dy) = (v.T[:, :, None, None] for v in (ends[:, 0], ends[:, 1] - ends[:, 0]))
    x, y = side[..., 0] - x0, side[..., 1] - y0
    share = np.clip((x * dx + y * dy) / (dx**2 + dy**2), 0, 1)
    apart_sq = (x - share * dx) ** 2 + (y - share * dy) ** 2
    face = bar.face_start_mm + share * (bar.face_end_mm - bar.face_start_mm)
    gap = np.where(apart_sq <= bar.half_height_mm**2, outward[None, :, None] - face, np.inf)
    return np.asarray(gap.min(axis=2), dtype=np.float64)
