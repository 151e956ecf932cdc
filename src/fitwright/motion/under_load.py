"""A third opinion from the ride: where the pedal axle runs under the loaded foot, and which yaw the foot uses.

Side film. The points on the shoe at heel and M5 and the axle's end are seen in the sagittal plane. With the shoe
turned out by φ and its heel raised by β, a point that lies a forward of the axle, h above and Z outward of it (sole
frame) appears at X = (a cos β + h sin β) cos φ − Z sin φ and Y = h cos β − a sin β. The heel–M5 line gives β, so the
point can be laid back to a level foot: X₀ = X cos β − Y sin β cos φ − Z sin φ (1 − cos β). With D the fore-aft
distance of M1 and M5 at that yaw, λ = 1 + X₀(M5) / D (0 = axle under M1, 1 = under M5). It is read while the crank
points forward. What is seen is the shoe: a foot that slides inside it is not.

Front film. Two points on the shoe's mid-line, a known distance apart, turn with it: sin φ is their sideways distance
over their distance in plan.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.motion.ride import CycleCurve
from fitwright.motion.trajectories import Trajectories
from fitwright.quantity import Floats, Measured, combine, difference, distinguishable, sensitivities

LOADED_DEG = (60, 120)
"""Crank angles after top dead centre at which a foot presses hardest."""
LEAST_FORE_AFT_MM = 5.0


BY_EYE, BY_RULER = "put on by eye", "by ruler"
M5_AHEAD, M5_OUT = Measured(0.0, 4.0, "mm", BY_EYE), Measured(5.0, 4.0, "mm", BY_EYE)
HEEL_OUT, LIFT = Measured(30.0, 10.0, "mm", BY_EYE), Measured(5.0, 6.0, "mm", BY_EYE)
Z_C = Measured(0.0, 5.0, "mm", "usual")
DEEPER = Measured(0.0, 15.0, "mm", "usual stance and pedals")
SHOE_LINE = Measured(110.0, 15.0, "mm", BY_EYE)
"""Distance of the two shoe points of a front film when nobody measured it (our guess, as those above)."""

U_ACROSS_MM = 2.5
"""How far beside the shoe's mid-line either of them may sit, its depth in the front film included (our choice)."""


@dataclass(frozen=True)
class ShoePoints:
    """Where the filmed points sit on the shoe, mm; the defaults are for points put on by eye.

    Attributes: m5_ahead, m5_out: of the M5 mark on the sole, forward and outward. heel_out: outward of the sole's
    mid-line. lift: the heel point's height above the sole less the M5 point's.
    """

    m5_ahead: Measured = M5_AHEAD
    m5_out: Measured = M5_OUT
    heel_out: Measured = HEEL_OUT
    lift: Measured = LIFT


@dataclass(frozen=True)
class SoleMarks:
    """M1 and M5 (x, z) mm in the sole frame, with a covariance (4, 4), and the cleat's lateral place z_c."""

    m1_mm: tuple[float, float]
    m5_mm: tuple[float, float]
    covariance: Floats
    z_c: Measured = Z_C


@dataclass(frozen=True)
class SideFilm:
    """What a side film adds to the error of a distance between two points in it.

    Attributes: scale_u: relative. m5_deeper, heel_deeper, axle_deeper: how much farther from the camera a point is
    than the film took it, mm. slant (2,): X and Y of the axle less those of the lens, over the lens' distance: what
    1 mm of depth shifts a point. axle_u_mm: how far off the axle's line its mark may be.
    """

    scale_u: float = 0.005
    m5_deeper: Measured = DEEPER
    heel_deeper: Measured = DEEPER
    axle_deeper: Measured = DEEPER
    slant: tuple[float, float] = (0.06, -0.18)
    axle_u_mm: float = 1.0


@dataclass(frozen=True)
class LoadedAxle:
    """λ while the crank points forward, as mean over turns.

    Attributes: fraction λ; sd_turns between turns at one crank angle, None when not known; ahead_of_m5 mm at the
    yaw; pitch_deg mean heel-up pitch meanwhile; u_by cause → its share of u.
    """

    fraction: Measured
    sd_turns: float | None
    ahead_of_m5: Measured
    pitch_deg: float
    u_by: Mapping[str, float]

    @property
    def worst(self) -> str:
        """The cause that adds most to u."""
        return max(self.u_by, key=lambda cause: self.u_by[cause])


CAUSES: dict[str, slice] = {
    "M1 and M5 on the sole": slice(0, 4), "the yaw ridden": slice(4, 5),
    "where the point at M5 sits": slice(5, 7), "how high heel and M5 points sit": slice(7, 9),
    "the cleat’s lateral place": slice(9, 10), "the film": slice(10, 16),
}  # fmt: skip


def loaded_axle(
    curves: Mapping[str, CycleCurve], marks: SoleMarks, yaw: Measured,
    shoe: ShoePoints = ShoePoints(), film: SideFilm = SideFilm(),
) -> LoadedAxle:  # fmt: skip
    """λ under load from a side film's mean curves.

    Args:
        curves: of one side: heel_x, heel_y, m5_x, m5_y, axle_x, axle_y (bike frame, mm); axle_ahead_of_m5 tells the
            spread between turns. yaw: toe-out of the sole's mid-line while loaded.

    Raises:
        InputError: a point was not tracked, or M1 does not lie ahead of M5 at this yaw.
    """
    missing = [n for n in ("heel", "m5", "axle") if f"{n}_x" not in curves or f"{n}_y" not in curves]
    if missing:
        raise InputError(
            "points", f"{', '.join(missing)} not followed in the side film", allowed="heel, m5 and axle",
            hint="Mark heel, ball of the foot and pedal axle in the film",
        )  # fmt: skip
    bins = slice(LOADED_DEG[0], LOADED_DEG[1] + 1)
    at = {n: np.column_stack([curves[f"{n}_{a}"].mean[bins] for a in "xy"]) for n in ("heel", "m5", "axle")}
    heel, m5 = at["heel"] - at["axle"], at["m5"] - at["axle"]
    if not (np.isfinite(heel).any() and np.isfinite(m5).any()):
        raise InputError("points", "heel or M5 was never seen while the crank points forward")
    _, fore_aft = _at_yaw(marks, yaw.value)
    if fore_aft < LEAST_FORE_AFT_MM:
        raise InputError(
            "m1, m5", "M1 must lie ahead of M5 at the yaw ridden", value=f"{fore_aft:.1f} mm",
            allowed=f"at least {LEAST_FORE_AFT_MM:g} mm", hint="Are M1 and M5 swapped?",
        )  # fmt: skip
    mean, covariance = _inputs(marks, yaw, shoe, film)
    value, slopes = sensitivities(lambda v: _told(v, heel, m5, film.slant), mean, covariance)
    told = slopes @ covariance @ slopes.T
    spread, random = _between_turns(curves, bins)
    by = {
        cause: math.sqrt(slopes[0, part] @ covariance[part, part] @ slopes[0, part])
        for cause, part in CAUSES.items()
    }
    by["between turns"] = random / fore_aft
    u = combine(math.sqrt(told[0, 0]), by["between turns"])
    method = "side film, crank forward, and sole marks"
    return LoadedAxle(
        Measured(float(value[0]), u, "1", method), None if spread is None else spread / fore_aft,
        Measured(float(value[1]), combine(math.sqrt(told[1, 1]), random), "mm", method), float(value[2]), by,
    )  # fmt: skip


def _at_yaw(marks: SoleMarks, yaw_deg: float) -> tuple[float, float]:
    """(sin φ, D): D is how far M1 lies ahead of M5 along X."""
    s, c = math.sin(math.radians(yaw_deg)), math.cos(math.radians(yaw_deg))
    dx, dz = marks.m1_mm[0] - marks.m5_mm[0], marks.m1_mm[1] - marks.m5_mm[1]
    return s, dx * c - dz * s


def _inputs(marks: SoleMarks, yaw: Measured, shoe: ShoePoints, film: SideFilm) -> tuple[Floats, Floats]:
    """Everything that may be wrong as one vector (16,) in the order of `CAUSES`, and its covariance."""
    one = [
        yaw, shoe.m5_ahead, shoe.m5_out, shoe.heel_out, shoe.lift, marks.z_c, Measured(1.0, film.scale_u, "1"),
        film.m5_deeper, film.heel_deeper, film.axle_deeper, *[Measured(0.0, film.axle_u_mm, "mm")] * 2,
    ]  # fmt: skip
    covariance = np.zeros((16, 16))
    covariance[:4, :4] = marks.covariance
    covariance[4:, 4:] = np.diag([m.u**2 for m in one])
    return np.array([*marks.m1_mm, *marks.m5_mm, *(m.value for m in one)]), covariance


def _told(v: Floats, heel: Floats, m5: Floats, slant: tuple[float, float]) -> Floats:
    """(λ, axle ahead of M5 mm, pitch deg) as means over the bins; heel, m5 (n, 2) from the axle as filmed."""
    (
        x1,
        z1,
        x5,
        z5,
        yaw,
        ahead,
        out,
        heel_out,
        lift,
        z_c,
        scale,
        m5_far,
        heel_far,
        axle_far,
        axle_x,
        axle_y,
    ) = v
    s, c = math.sin(math.radians(yaw)), math.cos(math.radians(yaw))
    wrong = np.array([axle_x, axle_y])
    M = m5 * scale + (m5_far - axle_far) * np.array(slant) - wrong
    H = heel * scale + (heel_far - axle_far) * np.array(slant) - wrong
    line = M - H
    forward = (line[:, 0] + (z5 + out - heel_out) * s) / c
    length = np.hypot(forward, line[:, 1])
    pitch = np.arcsin(np.clip(-lift / length, -1, 1)) - np.arctan2(line[:, 1], forward)
    level = M[:, 0] * np.cos(pitch) - M[:, 1] * np.sin(pitch) * c - (z5 + out - z_c) * s * (1 - np.cos(pitch))
    m5_x = level - ahead * c + out * s
    fore_aft = (x1 - x5) * c - (z1 - z5) * s
    return np.array(
        [
            np.nanmean(1 + m5_x / fore_aft),
            -np.nanmean(m5_x),
            np.degrees(np.nanmean(pitch)),
        ]
    )


def _between_turns(curves: Mapping[str, CycleCurve], bins: slice) -> tuple[float | None, float]:
    """(SD between turns, u of the mean) of the axle's distance ahead of M5, mm; (None, 0) when not kept."""
    curve = curves.get("axle_ahead_of_m5")
    if curve is None or not np.isfinite(curve.sd[bins]).any():
        return None, 0.0
    spread = float(np.sqrt(np.nanmean(curve.sd[bins] ** 2)))
    return spread, spread / math.sqrt(max(curve.cycles, 1))  # within one turn the bins go together


def against_photo(film: Measured, photo: Measured) -> str:
    """λ of the film beside λ of the sole photograph, in words."""
    d = difference(film, photo)
    if not distinguishable(film, photo):
        return f"agrees with the sole photograph ({photo}): the difference of {d} is not distinguishable from none"
    way = "nearer to M5" if d.value > 0 else "nearer to M1"
    return (
        f"differs from the sole photograph ({photo}) by {d}, {way}: is the point at M5 where the mark is, "
        "has the cleat moved since, or does the shoe twist? (The film sees the shoe, not the foot inside it.)"
    )


# --- yaw ---


def shoe_yaw(front_mm: Floats, rear_mm: Floats, apart_mm: float) -> Floats:
    """(T,) toe-out in deg of the shoe's mid-line from two points on it, seen from the front.

    Args:
        front_mm, rear_mm: (T, 2) outward and up, bike frame, of the point at the tip and of the one behind it.
        apart_mm: their distance on the shoe.
    """
    check_range("apart_mm", apart_mm, 30, 300, "mm between the two shoe points")
    d = front_mm - rear_mm
    return np.asarray(np.degrees(np.arcsin(np.clip(d[:, 0] / _in_plan(d, apart_mm), -1, 1))))


def u_shoe_yaw(apart: Measured, yaw_deg: float, u_across_mm: float) -> float:
    """Standard uncertainty of the mean yaw: `u_across_mm`, how far off the mid-line either point may be."""
    across = math.degrees(math.sqrt(2.0) * u_across_mm / apart.value)
    return combine(across, math.degrees(math.tan(math.radians(yaw_deg))) * apart.u / apart.value)


def shoe_yaws(
    traj: Trajectories, apart: Mapping[str, Measured], lens_mm: tuple[float, float, float] | None = None
) -> dict[str, tuple[Floats, float]]:
    """side → (yaw (T,) deg, its standard uncertainty) where both shoe points of that side were followed.

    Args:
        traj: smoothed, axes Z, Y (front view), with foot_<side> and foot_rear_<side>, the rear one read at
            `SHOE_LINE` behind the other. apart: side → their distance. lens_mm: X, Y, Z of the lens; with it the
            rear point is read where it really lies.
    """
    found = {}
    for side in ("left", "right"):
        names = (f"foot_{side}", f"foot_rear_{side}")
        if not traj.has(*names):
            continue
        front, rear = (traj.point(n, "Z", "Y") for n in names)
        if lens_mm is not None:
            nearer = SHOE_LINE.value - _in_plan(front - rear, apart[side].value)
            rear = rear + (np.array([lens_mm[2], lens_mm[1]]) - rear) * (nearer / lens_mm[0])[:, None]
        sign = np.array([1.0 if side == "right" else -1.0, 1.0])
        yaw = shoe_yaw(front * sign, rear * sign, apart[side].value)
        found[side] = yaw, u_shoe_yaw(apart[side], float(np.nanmean(yaw)), U_ACROSS_MM)
    return found


def _in_plan(apart_mm: Floats, length_mm: float) -> Floats:
    """(T,) length in plan of a line of known length that is seen (T, 2) sideways and up."""
    return np.asarray(np.sqrt(np.maximum(length_mm**2 - apart_mm[:, 1] ** 2, (0.3 * length_mm) ** 2)))
