"""The camera of a side film: from the axle's path first, then with everything else that is known and agrees."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from fitwright.errors import InputError
from fitwright.motion.circle import fit_circle
from fitwright.quantity import Floats, Measured
from fitwright.vision.level import Level, compare, level_lines
from fitwright.vision.scale_choice import ScaleReading, believed, read_scales
from fitwright.vision.scene import Scene
from fitwright.vision.turning import Turning, TurningFit, Witness, fit_turning
from fitwright.vision.video import ClipInfo
from fitwright.vision.wheels import LENGTH_POINTS, KnownSize, Ruler, wheels_in

DISTANCE_PRIOR_MM = (3400.0, 800.0)


@dataclass(frozen=True)
class SideCamera:
    """The camera and what it rests on.

    Attributes: fit: the one to use; alone: from the crank's circle alone; level: the roll and its sources;
    scales: all ways to the scale; rulers used besides the circle.
    """

    fit: TurningFit
    alone: TurningFit
    level: Level
    scales: tuple[ScaleReading, ...]
    rulers: tuple[Ruler, ...]

    @property
    def how(self) -> str:
        """What the camera was found from, in words."""
        return " and ".join(["the crank's circle in perspective", *(r.how for r in self.rulers)])


def find_side_camera(
    times: Floats, axle: Floats, info: ClipInfo, crank_mm: float, camera_mm: float | None, scene: Scene,
    still: Mapping[str, Floats], near: TurningFit | None = None,
) -> SideCamera:  # fmt: skip
    """The camera from the axle's path (T, 2) and what is still; px from the picture's centre, u forward.

    Args:
        camera_mm: lens to bottom bracket by tape, or None. still: name → (2,) px of still points. near: a camera
            already found from nearly the same path.
    """
    angle, radius_px = rough_angle(axle)
    known = Turning("side", ("right",), axle[:, None], crank_mm, camera_mm,
                    {"z_mm": lens_distance(radius_px, crank_mm, max(info.width_px, info.height_px)),
                     "right_mm": scene.depth("pedal_axle")})  # fmt: skip
    alone = fit_turning(times, angle, known, start=near) if near else _from_the_circle(times, angle, known)
    scales = read_scales(alone, crank_mm, rulers := _rulers(scene, still))
    rulers = believed(rulers, scales)
    fit = fit_turning(times, angle, replace(known, witnesses=rulers), start=alone) if rulers else alone
    lines = level_lines(still, scene.front_higher_mm)
    readings, apart = compare(fit, lines)
    if lines:
        used: tuple[Witness, ...] = (*rulers, *(replace(line, enlarged=apart) for line in lines))
        fit = fit_turning(times, angle, replace(known, witnesses=used), start=fit)
    roll = Measured(fit.values["roll_deg"], fit.u("roll_deg"), "deg", "camera's roll")
    return SideCamera(fit, alone, Level(roll, readings, apart == 1.0), scales, rulers)


def _from_the_circle(times: Floats, angle: Floats, known: Turning) -> TurningFit:
    """The camera from the axle's path alone; the same, and not fitted anew, when another point was put right."""
    told = known.crank_mm, known.camera_mm, tuple(known.stated.items())
    return _fitted(times.tobytes(), angle.tobytes(), known.seen_px.tobytes(), told)


@lru_cache(maxsize=2)
def _fitted(times: bytes, angle: bytes, axle: bytes, told: tuple[Any, ...]) -> TurningFit:
    crank_mm, camera_mm, stated = told
    path = np.frombuffer(axle).reshape(-1, 1, 2)
    known = Turning("side", ("right",), path, crank_mm, camera_mm, dict(stated))
    return fit_turning(np.frombuffer(times), np.frombuffer(angle), known)


def rough_angle(axle: Floats) -> tuple[Floats, float]:
    """(T,) unwrapped crank angle as the picture shows it, and the circle's radius in px.

    Raises:
        InputError: it turns backward or hardly at all.
    """
    circle = fit_circle(axle[:, 0], axle[:, 1], field="pedal_axle")
    angle = np.full(len(axle), np.nan)
    seen = np.isfinite(axle[:, 0])
    angle[seen] = np.unwrap(np.arctan2(axle[seen, 0] - circle.x_mm, circle.y_mm - axle[seen, 1]))
    if angle[seen][-1] < angle[seen][0]:
        raise InputError("side", "the crank runs backward in this picture", hint="Filmed from the other side, "
                         "mirrored, or the rider pedals backward")  # fmt: skip
    if angle[seen][-1] - angle[seen][0] < 4 * math.pi:
        raise InputError(
            "pedal_axle", "turns less than twice in the film", hint="film half a minute of steady riding"
        )
    return angle, circle.radius_mm


def lens_distance(radius_px: float, crank_mm: float, long_side_px: int) -> tuple[float, float]:
    """Distance of the lens from the mid-plane and its u, from how large the crank looks.

    Telephones film with a focal length of 0.75 to 1.3 times the picture's longer side (common practice, no source),
    which gives the distance to a quarter; combined with where a side camera usually stands.
    """
    seen = 0.95 * long_side_px * crank_mm / radius_px
    w = np.array([1 / (0.28 * seen) ** 2, 1 / DISTANCE_PRIOR_MM[1] ** 2])
    return float((w @ [seen, DISTANCE_PRIOR_MM[0]]) / w.sum()), float(1 / math.sqrt(w.sum()))


def _rulers(scene: Scene, still: Mapping[str, Floats]) -> tuple[Ruler, ...]:
    """Wheels, a stated length between two marks, and boards of a scale card."""
    out: list[Ruler] = []
    wheels = wheels_in(still, scene.wheel_mm)
    if wheels is not None:
        out.append(wheels)
    if scene.length_mm is not None and all(n in still for n in LENGTH_POINTS):
        ends = np.array([still[n] for n in LENGTH_POINTS])
        out.append(KnownSize("the stated length", ends, np.array([[0.0, 0.0], [scene.length_mm, 0.0]]),
                             scene.length_depth_mm))  # fmt: skip
    return (*out, *scene.cards)
