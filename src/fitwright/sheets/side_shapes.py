"""Outlines for the side elevation, in the bike frame (X forward, Y up, mm): body, shoe, bicycle.

Only the contact points and the leg are measured; the rest (frame tubes, wheels, flesh) is drawn for orientation
and kept pale.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.interpolate import CubicSpline

from fitwright.bike.contact import ContactPoints
from fitwright.quantity import Floats

XY = tuple[float, float]
WHEEL_MM, HUB_Y_MM, GROUND_Y_MM = 336.0, 68.0, -268.0
HEAD_ANGLE_DEG, FORK_OFFSET_MM, FORK_MM = 73.0, 45.0, 372.0


def closed_curve(points: Sequence[XY], per_piece: int = 6) -> Floats:
    """(n · per_piece, 2) smooth closed curve through the points (periodic cubic spline, chord length)."""
    p = np.asarray([*points, points[0]], dtype=np.float64)
    t = np.concatenate([[0.0], np.cumsum(np.sqrt(np.hypot(*np.diff(p, axis=0).T)))])
    spline = CubicSpline(t, p, bc_type="periodic")
    u = np.concatenate([np.linspace(a, b, per_piece, endpoint=False) for a, b in pairwise(t)])
    return np.asarray(spline(u), dtype=np.float64)


def limb(a: XY, b: XY, radius_a: float, radius_b: float, bulge: float = 0.0) -> Floats:
    """(n, 2) outline of a tapered limb from a to b; `bulge` swells it a third of the way along, mm."""
    (ax, ay), (bx, by) = a, b
    along = math.atan2(by - ay, bx - ax)
    turn = np.linspace(math.pi / 2, 3 * math.pi / 2, 9)
    start = np.column_stack([ax + radius_a * np.cos(along + turn), ay + radius_a * np.sin(along + turn)])
    end = np.column_stack([
        bx + radius_b * np.cos(along + turn + math.pi), by + radius_b * np.sin(along + turn + math.pi),
    ])  # fmt: skip
    if not bulge:
        return np.vstack([start, end])
    third = np.array([ax + (bx - ax) / 3, ay + (by - ay) / 3])
    out = (radius_a + (radius_b - radius_a) / 3 + bulge) * np.array([math.sin(along), -math.cos(along)])
    return np.vstack([start, third + out, end, third - 0.6 * out])


def shoe(axle: XY, back_mm: float, up_mm: float, pitch_deg: float) -> Floats:
    """(n, 2) outline of a shoe whose malleolus lies `back_mm` behind and `up_mm` above its axle, sole frame."""
    a, b = back_mm, up_mm
    profile = [
        (98, 22), (104, 36), (84, 54), (34, 72), (-a + 62, b - 22), (-a + 40, b + 14), (-a - 34, b + 16),
        (-a - 46, b - 28), (-a - 56, 40), (-a - 46, 16), (-a + 30, 18), (-20, 14), (50, 13),
    ]  # fmt: skip
    beta = math.radians(pitch_deg)
    return closed_curve([
        (axle[0] + f * math.cos(beta) + n * math.sin(beta), axle[1] - f * math.sin(beta) + n * math.cos(beta))
        for f, n in profile
    ], 4)  # fmt: skip


@dataclass(frozen=True)
class Bicycle:
    """Centres and joints of the pale bicycle, mm in the bike frame."""

    rear: XY
    front: XY
    head_top: XY
    head_low: XY
    crown: XY
    clamp: XY
    seat_top: XY
    seat_joint: XY
    saddle: XY
    hood: XY
    tilt_deg: float
    crank_mm: float

    def tubes(self) -> list[tuple[XY, XY]]:
        """Frame and fork as lines."""
        bb = (0.0, 0.0)
        return [
            (bb, self.seat_top), (bb, self.head_low), (self.seat_joint, self.head_top), (bb, self.rear),
            (self.seat_joint, self.rear), (self.head_top, self.crown), (self.crown, self.front),
            (self.head_top, self.clamp),
        ]  # fmt: skip

    def saddle_outline(self) -> Floats:
        """(n, 2) side view of a saddle whose 80 mm wide place is the saddle point."""
        profile = [(-126, 10), (-70, 3), (0, 0), (80, 1), (140, -3), (150, -11), (120, -15), (30, -20),
                   (-50, -33), (-104, -30), (-130, -6)]  # fmt: skip
        t = math.radians(self.tilt_deg)
        return closed_curve([
            (self.saddle[0] + x * math.cos(t) - y * math.sin(t), self.saddle[1] + x * math.sin(t) + y * math.cos(t))
            for x, y in profile
        ], 5)  # fmt: skip

    def bar(self) -> Floats:
        """(n, 2) side view of a drop bar with its hood under the hand."""
        (hx, hy), (cx, cy) = self.hood, self.clamp
        points = [
            (cx, cy), (cx + 0.5 * (hx - cx), cy + 4), (hx - 22, hy - 12), (hx + 18, hy - 4), (hx + 36, hy + 26),
            (hx + 44, hy + 4), (hx + 22, hy - 46), (hx - 4, hy - 98), (hx - 58, hy - 124), (hx - 112, hy - 128),
        ]  # fmt: skip
        p = np.asarray(points)
        t = np.concatenate([[0.0], np.cumsum(np.sqrt(np.hypot(*np.diff(p, axis=0).T)))])
        return np.asarray(CubicSpline(t, p)(np.linspace(0, t[-1], 48)), dtype=np.float64)


def bicycle(contact: ContactPoints) -> Bicycle:
    """A plausible bicycle around the contact points."""
    saddle, hood = contact.saddle_xy_mm, (contact.hood_x_mm, contact.hood_y_mm)
    clamp = (hood[0] - 112, hood[1] - 14)
    head_y = clamp[1] - 34
    angle = math.radians(HEAD_ANGLE_DEG)
    foot_y = HUB_Y_MM - FORK_OFFSET_MM * math.cos(angle)
    rise = max(head_y - foot_y, FORK_MM + 90) / math.sin(angle)
    head_top = (clamp[0] - 84.0, foot_y + rise * math.sin(angle))

    def on_axis(t: float) -> XY:
        return head_top[0] + (rise - t) * math.cos(angle), foot_y + t * math.sin(angle)

    foot_x = on_axis(0.0)[0]
    front = (foot_x + FORK_OFFSET_MM * math.sin(angle), HUB_Y_MM)
    length = math.hypot(*saddle)
    unit = (saddle[0] / length, saddle[1] / length)
    joint = min(0.76 * length, length - 90)
    return Bicycle(
        rear=(-409.0, HUB_Y_MM), front=front, head_top=head_top, head_low=on_axis(FORK_MM + 34),
        crown=on_axis(FORK_MM), clamp=clamp, seat_top=(unit[0] * (length - 32), unit[1] * (length - 32)),
        seat_joint=(unit[0] * joint, unit[1] * joint), saddle=saddle, hood=hood,
        tilt_deg=contact.saddle_tilt_deg, crank_mm=contact.crank_mm,
    )  # fmt: skip
