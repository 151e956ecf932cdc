"""What the bolts of a shoe allow of its cleat, as the plan and a trial must respect it.

At a given rotation the places that can be bolted are a convex polygon (`foot.hardware.feasible_polygon`); its sides
become straight fences for the programme. Only bolts that were picked in a photograph forbid anything, and only
beyond what is not known of their place (95 %). Where the cleat stands now it can be bolted: picks and measures that
deny it contradict themselves, which the Feet station says, and forbid nothing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.errors import InputError
from fitwright.foot.bolts import BoltPattern
from fitwright.foot.hardware import CleatSystem, Reachable, feasible_polygon, nearest_turn_deg, reach
from fitwright.foot.sole import CleatPose
from fitwright.quantity import Z95, Floats

STEP_DEG = 0.25
NOTHING_FORBIDDEN = 1e3  # mm or deg
SAME = 0.05  # mm or deg: what rounds to nothing on a sheet


@dataclass(frozen=True)
class Bolting:
    """A cleat on the picked bolts of one shoe; `stands`: the pose it has now."""

    system: CleatSystem
    pattern: BoltPattern
    stands: CleatPose

    def check(self, side: str, pose: CleatPose) -> None:
        """Raises InputError naming the cleat, how far it lies beyond its bolts, and the nearest that they hold."""
        near = self._nearest(pose)
        if np.all(np.abs(near.missing) <= self._slack + SAME):
            return
        guess = (
            "The slots are a guess: measure them at Feet, Hardware"
            if "no source" in self.system.source
            else ""
        )
        raise InputError(
            f"{side} cleat", f"its bolts do not hold it there: {near.words}",
            allowed=f"at the nearest {near.x_mm:.1f} mm from the heel, {near.z_mm:.1f} mm outward, "
            f"{near.psi_deg:.1f}° of rotation", hint=guess,
        )  # fmt: skip

    def fences(self, psi_deg: float) -> tuple[Floats, Floats, Floats]:
        """Straight bounds of the place at rotations near ψ: normals @ (x, z) ≤ room + slope (rotation − ψ).

        Returns:
            (n, 2) outward unit normals, (n,) room in mm, (n,) slope in mm per degree (the region shrinks as the cleat
            is turned against its bolts).
        """
        corners = self._corners(psi_deg)
        middle, edge = corners.mean(axis=0), np.roll(corners, -1, axis=0) - corners
        long = np.hypot(*edge.T) > 1e-9
        normal = np.column_stack([edge[long, 1], -edge[long, 0]]) / np.hypot(*edge[long].T)[:, None]
        inward = np.sum(normal * (middle - corners[long]), axis=1) > 0
        normal[inward] *= -1
        room, less, more = (
            (self._corners(psi) @ normal.T).max(axis=0)
            for psi in (psi_deg, psi_deg - STEP_DEG, psi_deg + STEP_DEG)
        )
        return normal, room + np.abs(normal) @ self._slack[:2], (more - less) / (2 * STEP_DEG)

    def _corners(self, psi_deg: float) -> Floats:
        turned = nearest_turn_deg(self.system, psi_deg, self.pattern.turn_deg.value)
        return feasible_polygon(self.system, self.pattern.xz, turned, self.pattern.turn_deg.value)

    @property
    def _slack(self) -> Floats:
        """(3,) how far beyond the region nothing is forbidden, mm, mm, deg: what is not known of the bolts."""
        u = np.array([self.pattern.x.u, self.pattern.z.u, self.pattern.turn_deg.u])
        stands = np.abs(self._nearest(self.stands).missing)
        contradicted = np.any(stands > Z95 * np.hypot(u, self.stands.u) + SAME)
        return np.full(3, NOTHING_FORBIDDEN) if contradicted else np.maximum(Z95 * u, stands)

    def _nearest(self, pose: CleatPose) -> Reachable:
        return reach(self.system, self.pattern.xz, pose.vector.tolist(), self.pattern.turn_deg.value)
