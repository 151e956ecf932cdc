"""Where a shoe's bolt pattern lies in its sole, from the bolts seen or from a cleat that sits on them."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.foot.hardware import CleatSystem, feasible_polygon, largest_turn_deg
from fitwright.foot.rigid import rigid_fit
from fitwright.foot.sole import CleatPose, SolePoint
from fitwright.quantity import Z95, Floats, Measured, propagate

BOLTS = ("bolt_1", "bolt_2", "bolt_3")
MISFIT_MM = 3.0
"""Picked bolts may miss a system's pattern by this much before it is called another pattern (common practice, no
source)."""


@dataclass(frozen=True)
class BoltPattern:
    """A bolt pattern in the sole frame.

    Attributes: x, z of its centre (mm); turn_deg, how far it is turned in the sole (sign as ψ); source in words;
    residual_mm, how far the picked bolts lie from the pattern by measures (0 when none were picked).
    """

    x: Measured
    z: Measured
    turn_deg: Measured
    source: str
    residual_mm: float = 0.0

    @property
    def picked(self) -> bool:
        """Whether the bolts themselves were seen, not inferred from a cleat."""
        return "picked" in self.source

    def may_allow(self, missing: Floats) -> bool:
        """Whether a shortfall (x mm, z mm, ψ deg) lies within what is not known of the bolts (95 %)."""
        u = np.array([self.x.u, self.z.u, self.turn_deg.u])
        return bool(np.all(np.abs(missing) <= Z95 * u))

    @property
    def xz(self) -> tuple[float, float]:
        """Centre, mm."""
        return self.x.value, self.z.value


def pattern_from_bolts(cleat: CleatSystem, marks: Mapping[str, SolePoint]) -> BoltPattern | None:
    """The pattern from bolts picked in a photograph: rigid fit of the system's bolts to them; None for fewer than 2.

    A sole that lets its bolts slide adds that play along the pattern to u, as a uniform distribution.

    Raises:
        InputError: the bolts do not lie as this system's do.
    """
    seen = [i for i, name in enumerate(BOLTS[: len(cleat.bolts_mm)]) if name in marks]
    if len(seen) < 2:
        return None
    model = np.array(cleat.bolts_mm)[seen]
    points = [marks[BOLTS[i]] for i in seen]
    covariance = np.zeros((2 * len(seen), 2 * len(seen)))
    for k, point in enumerate(points):
        covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] = point.covariance_mm2
    flat = np.concatenate([p.xz for p in points])
    value, cov = propagate(lambda v: _fit(model, v.reshape(-1, 2)), flat, covariance)
    residual = rigid_fit(model, flat.reshape(-1, 2), 1.0).residual_mm
    if residual > MISFIT_MM:
        raise InputError(
            ", ".join(BOLTS[i] for i in seen), f"they miss the pattern of “{cleat.label}” by {residual:.1f} mm",
            allowed=f"up to {MISFIT_MM:g} mm", hint="Pick the bolts again, or choose the system that is on the shoe.",
        )  # fmt: skip
    return _pattern(
        value, cov, cleat.sole_slide_half_mm, 0.0, 0.0, "bolts picked in the photograph", residual
    )


def _fit(model: Floats, seen: Floats) -> Floats:
    """(x, z, turn deg, sign as ψ) of the pattern."""
    motion = rigid_fit(model, seen, 1.0)
    return np.array([*motion.apply(np.zeros((1, 2)))[0], -motion.turn_deg])


def pattern_from_cleats(
    cleat: CleatSystem, poses: Sequence[CleatPose], straight_u_deg: float = 1.0
) -> BoltPattern:
    """The pattern inferred from where the cleat sat, once or several times: it lies within its slots' play of each.

    What is left open is a uniform distribution (JCGM 100, 4.3.7: half width / √3). `straight_u_deg`: how straight a
    pattern lies in a sole (common practice, no source).
    """
    boxes = np.array([_open_box(cleat, pose) for pose in poses])  # (poses, low/high, x/z)
    low, high = boxes[:, 0].max(axis=0), boxes[:, 1].min(axis=0)
    centre, half = (
        (low + high) / 2,
        np.abs(high - low) / 2,
    )  # poses that contradict each other leave their gap open
    covariance = np.zeros((3, 3))
    covariance[:2, :2] = np.mean([p.covariance[:2, :2] for p in poses], axis=0)
    covariance[2, 2] = straight_u_deg**2
    words = "inferred from the cleat as it sat, give or take its slots’ play"
    return _pattern(np.array([*centre, 0.0]), covariance, 0.0, float(half[0]), float(half[1]), words, 0.0)


def _open_box(cleat: CleatSystem, pose: CleatPose) -> Floats:
    """(2, 2) lowest and highest (x, z) at which the pattern's centre can lie under this cleat."""
    turn = min(max(pose.psi_deg, -largest_turn_deg(cleat)), largest_turn_deg(cleat))
    region = feasible_polygon(cleat, (0.0, 0.0), turn)
    return np.asarray(pose.vector[:2] - np.array([region.max(axis=0), region.min(axis=0)]), dtype=np.float64)


def _pattern(
    value: Floats, covariance: Floats, slide: float, play_x: float, play_z: float, words: str, residual: float
) -> BoltPattern:  # fmt: skip
    x, z, turn = (
        Measured(float(v), float(u), unit, words)
        for v, u, unit in zip(value, np.sqrt(np.diag(covariance)), ("mm", "mm", "deg"), strict=True)
    )
    third = math.sqrt(3)
    return BoltPattern(
        x.widened(slide / third, play_x / third), z.widened(play_z / third), turn, words, residual
    )
