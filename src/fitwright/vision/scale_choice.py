"""Which camera to believe: several ways to the scale and the slant, side by side, with what each would cost.

The crank's circle always gives a scale. Read plainly (one scale for the whole picture) it forgets perspective; read
as an ellipse it "straightens" what perspective and lens bent, which can make angles worse; read with a whole camera
it is right to that camera's uncertainty. Wheels, known lengths and a card add to that camera where they agree with
it. What a way would cost is how far its knee angle is from the chosen camera's, and that camera's own uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.motion.angles import flexion
from fitwright.motion.circle import fit_circle, fit_ellipse
from fitwright.quantity import Z95, Floats, Measured, combine
from fitwright.vision.turning import TurningFit
from fitwright.vision.wheels import Ruler, Wheels

CRANK_U_MM = 0.5
"""How well a crank's stamped length is its length (our choice)."""
SURE = 3.0
"""A ruler further off than so many combined standard uncertainties is not believed."""
LEG = ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus")


@dataclass(frozen=True)
class ScaleReading:
    """One way to the scale: how; px_per_mm in the pedal's plane at the crank's centre; whether it agrees with the
    crank's circle; used in the camera's fit."""

    how: str
    px_per_mm: Measured
    agrees: bool
    used: bool

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "how": self.how,
            "px_per_mm": self.px_per_mm.to_json(),
            "agrees": self.agrees,
            "used": self.used,
        }


@dataclass(frozen=True)
class Way:
    """One way from pixels to the plane: how, the knee angle's expected error (RMS over the film, deg), and whether
    it is the one used."""

    how: str
    knee_u_deg: float
    used: bool

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {"how": self.how, "knee_u_deg": self.knee_u_deg, "used": self.used}


def read_scales(fit: TurningFit, crank_mm: float, rulers: Sequence[Ruler]) -> tuple[ScaleReading, ...]:
    """The scale as the crank's circle and each ruler has it.

    Args:
        fit: the camera from the crank's circle alone.
    """
    lens, values = fit.lens, fit.values
    there = np.array([[0.0, -0.5, values["right_mm"]], [0.0, 0.5, values["right_mm"]]])
    base = float(np.linalg.norm(np.diff(lens.project(there), axis=0)))
    circle = Measured(base, base * CRANK_U_MM / crank_mm, "px/mm", "the crank's circle")
    out = [ScaleReading(circle.method, circle, True, True)]
    for ruler in rulers:
        if isinstance(ruler, Wheels) and ruler.radius_mm is None:
            continue
        ratio, own = ruler.ratio(lens), ruler.u_ratio(lens)
        slopes = fit.slopes(ruler.ratio)
        camera = math.sqrt(max(0.0, float(slopes @ fit.covariance @ slopes)))
        agrees = abs(ratio - 1.0) < SURE * combine(own, camera, CRANK_U_MM / crank_mm)
        scale = Measured(base * ratio, base * combine(own, camera), "px/mm", ruler.how)
        out.append(ScaleReading(ruler.how, scale, agrees, agrees))
    return tuple(out)


def believed(rulers: Sequence[Ruler], scales: Sequence[ScaleReading]) -> tuple[Ruler, ...]:
    """The rulers that may enter the camera's fit: those that agree; a wheel of another size still tells roundness."""
    refused = {s.how for s in scales if not s.agrees}
    out: list[Ruler] = []
    for ruler in rulers:
        if ruler.how not in refused:
            out.append(ruler)
        elif isinstance(ruler, Wheels):
            out.append(replace(ruler, radius_mm=None))
    return tuple(out)


def scale_words(scales: Sequence[ScaleReading]) -> tuple[str, ...]:
    """The scales side by side, and what does not agree, in lines."""
    if len(scales) < 2:
        return ()
    told = "; ".join(f"{s.how} {_three(s.px_per_mm)}" for s in scales)
    out = [f"Scale at the pedal: {told}."]
    for s in scales[1:]:
        if not s.agrees:
            off = 100 * (s.px_per_mm.value / scales[0].px_per_mm.value - 1)
            out.append(f"{s.how[0].upper()}{s.how[1:]} and the crank's circle disagree by {abs(off):.1f} %: the "
                       "crank is believed. Check the crank length, the stated size and the points.")  # fmt: skip
    return tuple(out)


def _three(m: Measured) -> str:
    return f"{m.value:.4f} ± {Z95 * m.u:.4f} px/mm"


# --- what each way would cost ---


def plainly(px: Floats, axle_px: Floats, crank_mm: float) -> Floats:
    """(T, P, 2) mm with one scale for the whole picture, from the axle's circle; X forward, Y up."""
    circle = fit_circle(axle_px[:, 0], axle_px[:, 1])
    return (px - [circle.x_mm, circle.y_mm]) * [1.0, -1.0] * (crank_mm / circle.radius_mm)


def as_ellipse(px: Floats, axle_px: Floats, crank_mm: float) -> Floats:
    """(T, P, 2) mm by the affine map that makes the axle's ellipse a circle (of the many, the one without a turn)."""
    good = np.isfinite(axle_px[:, 0])
    ellipse = fit_ellipse(axle_px[good, 0], axle_px[good, 1])
    straight = (px - [ellipse.x_mm, ellipse.y_mm]) @ ellipse.to_unit_circle
    return np.asarray(straight * [1.0, -1.0] * crank_mm)


def knee_of(mm: Floats, names: Sequence[str]) -> Floats | None:
    """(T,) knee flexion, or None when the leg is not marked."""
    if not set(LEG) <= set(names):
        return None
    hip, knee, ankle = (mm[:, list(names).index(n)] for n in LEG)
    return flexion(hip, knee, ankle)


def ways(
    px: Floats, names: Sequence[str], crank_mm: float, cameras: Sequence[tuple[str, Floats, float]]
) -> tuple[Way, ...]:
    """Every way and what it is expected to cost; the last of `cameras` is the one used.

    Args:
        px: (T, P, 2) from the picture's centre, u forward. cameras: (how, (T, P, 2) mm as it reads them, its own
        uncertainty of the knee angle in deg).
    """
    axle = px[:, list(names).index("pedal_axle")]
    _, best_mm, best_u = cameras[-1]
    best = knee_of(best_mm, names)
    if best is None:
        return ()
    others = [("one scale for the whole picture", plainly(px, axle, crank_mm)),
              ("the axle's ellipse made round", as_ellipse(px, axle, crank_mm))]  # fmt: skip
    others += [(how, mm) for how, mm, _ in cameras[:-1]]
    out = []
    for how, mm in others:
        knee = knee_of(mm, names)
        off = 0.0 if knee is None else float(np.sqrt(np.nanmean((knee - best) ** 2)))
        out.append(Way(how, combine(off, best_u), False))
    return (*out, Way(cameras[-1][0], best_u, True))


def way_words(told: Sequence[Way]) -> str:
    """The ways with their expected errors, in one line."""
    if not told:
        return ""
    rest = ", ".join(f"{w.how} {w.knee_u_deg:.2f}°" for w in told if not w.used)
    used = next(w for w in told if w.used)
    return (
        f"Camera used: {used.how} (knee angle known to {used.knee_u_deg:.2f}°; expected of others: {rest})."
    )
