"""What the hand does: from where the cleat is to where it shall be, in steps that a hand can set.

The order is turn, then shift: a turn about a bolt takes the cleat's centre along, a shift turns nothing. Each part is
rounded to what a hand can set; the shift is reckoned after the rounded turn, so no error is carried along.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitwright.foot.frame import cleat_axis, cleat_pose, in_sole
from fitwright.foot.hardware import CleatSystem
from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.foot.words import left_words, motion_words, shift_words
from fitwright.quantity import Z95, Floats, Measured, propagate

HAND_MM, HAND_DEG = 0.5, 0.5
"""What a hand with a ruler and two or three bolts reaches (common practice, no source)."""


def within_hand(dx_mm: float, dz_mm: float, dpsi_deg: float) -> bool:
    """Whether a way that is left is no more than what a hand can set."""
    return max(abs(dx_mm), abs(dz_mm)) <= HAND_MM and abs(dpsi_deg) <= HAND_DEG


@dataclass(frozen=True)
class CleatBody:
    """The cleat under the hand, in its own frame (mm): ends, breadth at the axle, and the place it is turned about.

    `pivot_words` names that place; `measured`: the ends were picked in a photograph.
    """

    nose_mm: float = 34.0
    tail_mm: float = 34.0
    width_mm: float = 60.0
    pivot_mm: tuple[float, float] = (0.0, 0.0)
    pivot_words: str = "its middle"
    measured: bool = False

    @staticmethod
    def of(system: CleatSystem | None, reading: SoleReading | None) -> CleatBody:
        """From the system's measures, its ends where they were picked in the photograph."""
        body = CleatBody()
        if system is not None:
            front = max(system.bolts_mm, key=lambda b: b[0])
            level = max(b[0] for b in system.bolts_mm) - min(b[0] for b in system.bolts_mm) < 5
            pivot, words = (
                ((0.0, 0.0), "the middle between its bolts") if level else (front, "its front bolt")
            )
            body = CleatBody(system.nose_mm, system.tail_mm, system.width_mm, pivot, words)
        if reading is None or reading.cleat is None or "cleat_nose" not in reading.landmarks:
            return body
        ends = np.array([reading.landmarks[n].xz for n in ("cleat_nose", "cleat_tail")])
        nose, tail = (ends - reading.cleat.vector[:2]) @ cleat_axis(reading.cleat.psi_deg)
        return replace(body, nose_mm=float(nose), tail_mm=float(-tail), measured=True)


@dataclass(frozen=True)
class Step:
    """One thing to do.

    Attributes: kind "turn", "fore-aft" or "lateral"; words; amount in mm or deg, rounded to what a hand can set, 0 to
    leave it (toe, outward and ψ, i.e. nose inward, positive); wanted, before rounding; nose_mm, tail_mm (2,): how far
    both ends move in this step, x and z.
    """

    kind: str
    words: str
    amount: float
    wanted: Measured
    nose_mm: tuple[float, float] = (0.0, 0.0)
    tail_mm: tuple[float, float] = (0.0, 0.0)

    @property
    def size(self) -> Measured:
        """How much is wanted, whichever way."""
        return replace(self.wanted, value=abs(self.wanted.value))


@dataclass(frozen=True)
class Aid:
    """From a pose to the wish.

    Attributes: now, to; steps in the order of the hand; after, the pose when they are done exactly; words, all of it
    in one sentence about the cleat's centre; rest, what rounding and leaving leave over; nose_mm, tail_mm: how far
    both ends move altogether.
    """

    now: CleatPose
    to: CleatPose
    steps: tuple[Step, ...]
    after: CleatPose
    words: str
    rest: str
    nose_mm: tuple[float, float]
    tail_mm: tuple[float, float]

    @property
    def ends_words(self) -> str:
        """`the nose goes 3.0 mm towards the heel and 2.3 mm inward, the tail ...`."""
        ways = (("nose", self.nose_mm), ("tail", self.tail_mm))
        return ", ".join(f"the {name} goes {shift_words(*d) or 'nowhere'}" for name, d in ways)

    @property
    def nothing(self) -> bool:
        """Whether there is nothing that a hand could do better."""
        return all(s.amount == 0 for s in self.steps)


def turned(pose: CleatPose, by_deg: float, pivot_mm: Sequence[float]) -> CleatPose:
    """The cleat turned by `by_deg` of ψ about a point of itself that stays where it is."""
    stays = in_sole(pose, pivot_mm)
    new = replace(pose, psi_deg=pose.psi_deg + by_deg)
    x, z = new.vector[:2] + stays - in_sole(new, pivot_mm)
    return replace(new, x_mm=float(x), z_mm=float(z))


def shifted(pose: CleatPose, dx_mm: float, dz_mm: float) -> CleatPose:
    """The cleat moved without a turn."""
    return replace(pose, x_mm=pose.x_mm + dx_mm, z_mm=pose.z_mm + dz_mm)


def fitting_aid(now: CleatPose, to: CleatPose, body: CleatBody) -> Aid:
    """The steps of a hand from a measured pose to the wish (which is exact: only where the cleat is now is not)."""
    u_x, u_z, u_psi = now.u.tolist()
    turn, why = _settable(to.psi_deg - now.psi_deg, u_psi, HAND_DEG, "°")
    one = turned(now, turn, body.pivot_mm)
    steps = [Step("turn", _turn_words(turn, why, body, now, one), turn,
                  Measured(to.psi_deg - now.psi_deg, u_psi, "deg"), *_ends(body, now, one))]  # fmt: skip
    pose = one
    for kind, axis, u, plus, minus in (
        ("fore-aft", 0, u_x, "towards the toe", "towards the heel"), ("lateral", 1, u_z, "outward", "inward"),
    ):  # fmt: skip
        wanted = float(to.vector[axis] - one.vector[axis])
        amount, why = _settable(wanted, u, HAND_MM, " mm")
        moved = shifted(pose, *((amount, 0.0) if axis == 0 else (0.0, amount)))
        words = f"Shift it {abs(amount):.1f} mm {plus if amount > 0 else minus}, without turning it"
        steps.append(Step(kind, words if amount else f"{kind.capitalize()}: leave it, {why}", amount,
                          Measured(wanted, u, "mm"), *_ends(body, pose, moved)))  # fmt: skip
        pose = moved
    left = to.vector - pose.vector
    total = [
        _rounded(d, s) for d, s in zip(pose.vector - now.vector, (HAND_MM, HAND_MM, HAND_DEG), strict=True)
    ]
    return Aid(
        now, to, tuple(steps), pose, motion_words(*total), left_words(*left.tolist()), *_ends(body, now, pose)
    )


def _settable(wanted: float, u: float, step: float, unit: str) -> tuple[float, str]:
    """Rounded to the hand's step, and why it is left when it is."""
    amount = _rounded(wanted, step)
    size = f"{abs(wanted):.1f}{unit}"
    if amount == 0:
        return 0.0, f"{size} is less than a hand can set" if abs(wanted) >= 0.05 else "it is there"
    if abs(wanted) <= Z95 * u:
        return 0.0, f"{size} cannot be told from nothing (± {Z95 * u:.1f}{unit})"
    return amount, ""


def _rounded(value: float, step: float) -> float:
    return round(float(value) / step) * step + 0.0


def _turn_words(turn: float, why: str, body: CleatBody, a: CleatPose, b: CleatPose) -> str:
    if turn == 0:
        return f"Turn: leave it, {why}"
    nose, tail = _ends(body, a, b)
    way = "inward" if turn > 0 else "outward"
    ends = [
        f"{name} {abs(d[1]):.1f} mm {'outward' if d[1] > 0 else 'inward'}"
        for name, d in (("nose", nose), ("tail", tail))
        if abs(d[1]) >= 0.05
    ]
    return f"Turn it about {body.pivot_words}, nose {abs(turn):.1f}° {way}: {', '.join(ends)}"


def _ends(
    body: CleatBody, before: CleatPose, after: CleatPose
) -> tuple[tuple[float, float], tuple[float, float]]:
    """How far nose and tail move between two poses, x and z mm."""
    at = [in_sole(p, (x, 0.0)) for x in (body.nose_mm, -body.tail_mm) for p in (before, after)]
    (nx, nz), (tx, tz) = (at[1] - at[0]).tolist(), (at[3] - at[2]).tolist()
    return (nx, nz), (tx, tz)


def imprint_pose(reading: SoleReading, body: CleatBody) -> CleatPose | None:
    """Where the cleat sat whose imprint was picked, taking it for the same shape; None when none was picked."""
    if not {"imprint_nose", "imprint_tail"} <= set(reading.landmarks):
        return None
    nose, tail = reading.landmarks["imprint_nose"], reading.landmarks["imprint_tail"]
    share = body.tail_mm / (body.nose_mm + body.tail_mm)  # of the way from tail to nose lies the centre

    def pose(v: Floats) -> Floats:
        middle = cleat_pose(v[:2], v[2:])
        return np.array([*(v[2:] + share * (v[:2] - v[2:])), middle[2]])

    covariance = np.zeros((4, 4))
    covariance[:2, :2], covariance[2:, 2:] = nose.covariance_mm2, tail.covariance_mm2
    value, cov = propagate(pose, [*nose.xz, *tail.xz], covariance)
    x, z, psi = value.tolist()
    return CleatPose(x, z, psi, cov, "imprint of the old cleat")


# --- where the cleat must lie ---


@dataclass(frozen=True)
class Spot:
    """A distance that a ruler shows when the cleat lies right: from what to what, and how much.

    From toe and heel it runs along the mid-line, from the edges straight across it, from the pen marks M1 and M5 as
    the ruler lies; "side" is the cleat's side at the axle.
    """

    words: str
    distance: Measured


def spots(
    to: CleatPose, body: CleatBody, length: Measured | None, outline_mm: Floats | None = None,
    m1: SolePoint | None = None, m5: SolePoint | None = None,
) -> tuple[Spot, ...]:  # fmt: skip
    """Distances from the sole's ends and edges (where length and outline were measured) and the pen marks M1 and M5.

    u is that of what the ruler is laid to; the wish itself is exact.
    """
    nose, tail = in_sole(to, (body.nose_mm, 0)), in_sole(to, (-body.tail_mm, 0))
    found = []
    if length is not None:
        found.append(Spot("toe edge to nose", _mm(length.value - nose[0], length.u)))
        found.append(Spot("heel edge to tail", _mm(tail[0], length.u)))
    if length is not None and outline_mm is not None and len(outline_mm) > 2:
        half = body.width_mm / 2
        places = (("nose", nose, nose), ("tail", tail, tail),
                  ("side", in_sole(to, (0, -half)), in_sole(to, (0, half))))  # fmt: skip
        for name, inner, outer in places:
            if (edge := _edge(outline_mm, float(inner[0]), -1)) is not None:
                found.append(Spot(f"inner edge to {name}", _mm(inner[1] - edge, length.u)))
            if (edge := _edge(outline_mm, float(outer[0]), 1)) is not None:
                found.append(Spot(f"outer edge to {name}", _mm(edge - outer[1], length.u)))
    for name, mark in (("M1", m1), ("M5", m5)):
        for end, at in (("nose", nose), ("tail", tail)) if mark is not None else ():
            assert mark is not None
            way = at - mark.xz
            far = float(np.linalg.norm(way))
            u = math.sqrt(float(way @ mark.covariance_mm2 @ way)) / far if far > 1 else 0.0
            found.append(Spot(f"{name} to {end}", _mm(far, u)))
    return tuple(found)


def _mm(value: float, u: float) -> Measured:
    return Measured(float(value), u, "mm", "from the wish")


def _edge(outline: Floats, x_mm: float, side: int) -> float | None:
    """z of the sole's innermost (−1) or outermost (1) edge at a distance from the heel; None beside the sole."""
    a, b = outline, np.roll(outline, -1, axis=0)
    crosses = (a[:, 0] <= x_mm) != (b[:, 0] <= x_mm)
    if not crosses.any():
        return None
    a, b = a[crosses], b[crosses]
    z = a[:, 1] + (x_mm - a[:, 0]) / (b[:, 0] - a[:, 0]) * (b[:, 1] - a[:, 1])
    return float(side * np.max(side * z))
