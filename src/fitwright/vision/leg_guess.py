"""A rider's near leg as a landmark network guesses it in frames of a side film: proposals, with words when it wavers.

The network wants a square with the body in it: round the middle of the hips, turned so that the trunk points up. It
is found by looking a few times, first at the whole picture or a box that the user drew, and goes along from frame to
frame. Each frame is looked at in a few squares moved a little. Where the knee's angle then differs, or thigh or shank
is not as long as in the other frames, the frame is rejected. Only the near leg is told: of the hidden one a network
invents what it does not see (16-18° off at the knee in our trial), and its own visibility does not say so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import cv2
import numpy as np

from fitwright.errors import InputError
from fitwright.foot.marks_prior import FIFTH_HEAD
from fitwright.motion.angles import flexion
from fitwright.motion.estimate import U_POINT_MM
from fitwright.quantity import Floats, Measured
from fitwright.vision.landmark_net import SIDE_PX, LandmarkNet, Landmarks, Picture
from fitwright.vision.wheels import wheels_in

LEG = {"left": (23, 25, 27, 29, 31), "right": (24, 26, 28, 30, 32)}
"""Hip, knee, ankle, heel and tip of the shoe among a network's places; hips and shoulders of both sides:"""
HIPS, SHOULDERS, BODY, CIRCLE = (23, 24), (11, 12), 33, (33, 34)
"""`CIRCLE`: middle of the hips and a point on the circle round the body above it, where there are 39 places."""
ROOM = 1.25
"""The square is so much larger than that circle."""
SETTLE = 6
"""Looks until the square stands still in the first frame."""
MOVED = ((0.0, 0.0, 1.0), (0.02, 0.0, 1.0), (-0.02, 0.0, 1.0), (0.0, 0.02, 1.04), (0.0, -0.02, 0.96))
"""The squares of one frame: moved across and down by shares of the side, and scaled (our choice)."""
LEAST_SCORE, MOST_SPREAD_DEG, MOST_OFF = 0.5, 3.0, 0.08
"""A person is seen; SD of the knee's angle between the squares; a segment against its median (5-8 % in our trial)."""
LEAST_LOOKS = 4
SHANK = Measured(423.0, 27.0, "mm", "a usual shank")
"""0.238 (men) to 0.248 (women) of stature (knee to ankle of the ANSUR II survey, Gordon et al. 2014,
NATICK/TR-15/007), of people 1.74 m ± 0.10 m tall."""
ASKEW = 1.02
"""A crank that a camera sees askew is a little longer than it looks."""


@dataclass(frozen=True)
class Square:
    """What the network is shown: middle (2,) px of the picture, side px, turn (rad, clockwise: of the trunk)."""

    middle: Floats
    side_px: float
    turn_rad: float = 0.0

    def cut(self, picture: Picture) -> Picture:
        """(256, 256, 3) of the picture (h, w, 3); black beyond its edges."""
        scaled = self._scaled
        map_ = np.column_stack([scaled, SIDE_PX / 2 - scaled @ self.middle])
        how = cv2.INTER_AREA if self.side_px > SIDE_PX else cv2.INTER_LINEAR
        return np.asarray(cv2.warpAffine(picture, map_, (SIDE_PX, SIDE_PX), flags=how), dtype=np.uint8)

    def out(self, uv_px: Floats) -> Floats:
        """(N, 2) places in the square as places in the picture."""
        return np.asarray((uv_px - SIDE_PX / 2) @ np.linalg.inv(self._scaled).T + self.middle)

    def moved(self, across: float, down: float, larger: float) -> Square:
        """Beside itself by shares of its side, and scaled."""
        return replace(self, middle=self.middle + np.array([across, down]) * self.side_px,
                       side_px=self.side_px * larger)  # fmt: skip

    @property
    def _scaled(self) -> Floats:
        c, s = math.cos(self.turn_rad), math.sin(self.turn_rad)
        return np.array([[c, s], [-s, c]]) * (SIDE_PX / self.side_px)


@dataclass(frozen=True)
class Look:
    """One frame: time s, the near leg's five places (5, 2) px (hip, knee, ankle, heel, tip), SD of the knee's angle
    between the squares, probability of a person, and why it is rejected (empty: it is not)."""

    time_s: float
    leg_px: Floats
    spread_deg: float
    score: float
    rejected: str = ""


@dataclass(frozen=True)
class Guess:
    """One point: place px of the upright picture, standard uncertainty per coordinate, px."""

    uv_px: tuple[float, float]
    u_px: float


@dataclass(frozen=True)
class Scale:
    """Pixels of a millimetre in the rider's plane, rather too many than too few, and where that comes from."""

    px_per_mm: float
    how: str


@dataclass(frozen=True)
class Surround:
    """What else is known in the frame: marked points px by name, lengths mm. See `scale_of`."""

    points_px: Mapping[str, Floats] = field(default_factory=dict)
    crank_mm: float | None = None
    wheel_mm: float | None = None


def whole(size_px: tuple[int, int], box_px: tuple[float, float, float, float] | None = None) -> Square:
    """Where to look first: at the whole picture (width, height), or at a box (left, top, right, bottom).

    Raises:
        InputError: a box outside the picture or of no size.
    """
    width, height = size_px
    left, top, right, bottom = box_px or (0.0, 0.0, width, height)
    if not (
        0 <= left < right <= width and 0 <= top < bottom <= height and min(right - left, bottom - top) >= 32
    ):
        raise InputError("box", "is not a part of the picture", value=f"{left:g},{top:g},{right:g},{bottom:g}",
                         allowed=f"left,top,right,bottom within {width} × {height} px, 32 px at least")  # fmt: skip
    return Square(np.array([left + right, top + bottom]) / 2, max(right - left, bottom - top))


def watch(
    net: LandmarkNet, frames: Iterable[tuple[float, Picture]], side: str, first: Square
) -> tuple[Look, ...]:
    """The near leg in frames (time, upright RGB) in order of time, with what is wrong in each."""
    looks, square = [], first
    for n, (time_s, picture) in enumerate(frames):
        for _ in range(SETTLE if n == 0 else 1):
            square = _next(net.look(square.cut(picture)), square) or first
        tried = [square.moved(*by) for by in MOVED]
        seen = [net.look(s.cut(picture)) for s in tried]
        legs = np.array([s.out(m.uv_px)[list(LEG[side])] for s, m in zip(tried, seen, strict=True)])
        knees = flexion(legs[:, 0], legs[:, 1], legs[:, 2])
        score = min(m.score for m in seen)
        looks.append(Look(time_s, np.median(legs, axis=0), float(np.std(knees, ddof=1)), score))
        if score < LEAST_SCORE:
            square = first
    return _judged(looks)


def _next(seen: Landmarks, square: Square) -> Square | None:
    """The square for the next look; None where no person is seen in this one."""
    at = square.out(seen.uv_px)
    if seen.score < LEAST_SCORE:
        return None
    if len(at) > CIRCLE[1]:
        middle, top = at[list(CIRCLE)]
        reach = float(np.hypot(*(top - middle)))
    else:
        middle, top = at[list(HIPS)].mean(axis=0), at[list(SHOULDERS)].mean(axis=0)
        reach = float(np.hypot(*(at[:BODY] - middle).T).max())
    up = top - middle
    return Square(middle, max(2 * ROOM * reach, SIDE_PX / 8), math.atan2(up[0], -up[1]))


def _judged(looks: Sequence[Look]) -> tuple[Look, ...]:
    seen = [k for k in looks if k.score >= LEAST_SCORE]
    usual = np.median([segments_px(k.leg_px) for k in seen], axis=0) if len(seen) >= LEAST_LOOKS else None
    return tuple(replace(k, rejected=_wrong(k, usual)) for k in looks)


def segments_px(leg_px: Floats) -> Floats:
    """Lengths of thigh and shank, (2,) px."""
    return np.asarray(np.hypot(*np.diff(leg_px[:3], axis=0).T))


def _wrong(look: Look, usual_px: Floats | None) -> str:
    """Why a frame is rejected, in words; empty when it is not."""
    if look.score < LEAST_SCORE:
        return f"no person is seen in it (probability {look.score:.2f})"
    if usual_px is None:
        return "a person is seen in too few frames around it"
    if look.spread_deg > MOST_SPREAD_DEG:
        return f"the knee’s angle differs by {look.spread_deg:.1f}° (SD) when the picture is cut a little otherwise"
    off = segments_px(look.leg_px) / usual_px - 1.0
    worst = int(np.argmax(np.abs(off)))
    if abs(off[worst]) > MOST_OFF:
        name = ("thigh", "shank")[worst]
        return f"the {name} is {abs(off[worst]):.0%} {'longer' if off[worst] > 0 else 'shorter'} than in other frames"
    return ""


def points_of(look: Look, scale: Scale) -> dict[str, Guess]:
    """The near leg's points by our names; each u stands for 25 mm at hip and knee and 35 mm at the foot at least.

    The ball of the foot is not among a network's places: it is taken on the line from heel to tip.
    """
    hip, knee, ankle, heel, tip = look.leg_px
    ball = heel + FIFTH_HEAD.value * (tip - heel)
    return {
        name: Guess((float(at[0]), float(at[1])), U_POINT_MM[name] * scale.px_per_mm)
        for name, at in zip(U_POINT_MM, (hip, knee, ankle, heel, ball), strict=True)
    }


def scale_of(looks: Sequence[Look], around: Surround | None = None) -> Scale:
    """From the crank when both its ends are marked, else a marked wheel of known size, else a usual shank: the
    longest that was seen in a frame that is not rejected."""
    known = around or Surround()
    ends = [known.points_px.get(n) for n in ("pedal_axle", "bottom_bracket")]
    if known.crank_mm and ends[0] is not None and ends[1] is not None:
        return Scale(ASKEW * float(np.hypot(*(ends[0] - ends[1]))) / known.crank_mm, "the crank’s length")
    wheels = wheels_in(known.points_px, known.wheel_mm)
    if wheels is not None and wheels.radius_mm:
        radii = [np.hypot(*(rim - wheels.axles_px[w]).T).mean() for w, rim in wheels.rims_px.items()]
        return Scale(ASKEW * float(np.mean(radii)) / wheels.radius_mm, wheels.how)
    longest = max(float(segments_px(k.leg_px)[1]) for k in looks if not k.rejected)
    return Scale(longest / SHANK.interval95[0], SHANK.method)
