"""By how much a cleat is off, in numbers, words for the hand, and whether that is near enough."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from fitwright.errors import InputError
from fitwright.foot.fitting_aid import HAND_DEG, HAND_MM, within_hand
from fitwright.foot.remount import Comparison, compare
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.foot.words import motion_words
from fitwright.quantity import Measured, difference, distinguishable, probability_within

GOAL_MM, GOAL_DEG = 0.5, 0.3
SURE = 0.95
BY_MOTION = "from the photograph before: what both photographs share drops out"


@dataclass(frozen=True)
class Check:
    """A cleat now against where it should be: now − wished, and what the hand must do.

    `residual_mm` of the marks where there were some; `notes` what was odd; `bad` the mark that was left out; `goal`
    (mm, deg) what counts as near enough.
    """

    x: Measured
    z: Measured
    psi: Measured
    words: str
    within_goal: bool
    distinguishable: bool
    residual_mm: float | None = None
    notes: tuple[str, ...] = ()
    bad: str = ""
    goal: tuple[float, float] = (GOAL_MM, GOAL_DEG)

    @property
    def by_motion(self) -> bool:
        """Whether it was told by how the cleat moved since the photograph before."""
        return BY_MOTION in self.x.method

    @property
    def probability(self) -> float:
        """That x, z and ψ all lie inside the goal, taken as independent."""
        mm, deg = self.goal
        inside = [probability_within(m, -g, g) for m, g in ((self.x, mm), (self.z, mm), (self.psi, deg))]
        return inside[0] * inside[1] * inside[2]

    @property
    def verdict(self) -> str:
        """Within the goal or not, and whether that can be told."""
        mm, deg = self.goal
        told = f"within {mm:g} mm and {deg:g}°"
        if self.within_goal:
            return told if self.probability >= SURE else f"{told}, as far as the ± lets it be told"
        sure = self.probability <= 1 - SURE
        return f"not yet {told}" if sure else f"perhaps not yet {told}: the ± reaches over its end"

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "x_mm": self.x.to_json(), "z_mm": self.z.to_json(), "psi_deg": self.psi.to_json(),
            "words": self.words, "within_goal": self.within_goal, "distinguishable": self.distinguishable,
            "residual_mm": self.residual_mm, "notes": list(self.notes), "left_out": self.bad,
        }  # fmt: skip


def check_pose(wish: CleatPose, now: CleatPose) -> Check:
    """A measured pose against a wished one; the wish itself is exact, the measurement is not."""
    a, b = now.measured(), wish.measured()
    d = {k: difference(a[k], Measured(b[k].value, 0.0, b[k].unit)) for k in a}
    return _against_wish(d["x_c_mm"], d["z_c_mm"], d["psi_c_deg"])


def check_motion(wish: CleatPose, before: SoleReading, after: SoleReading) -> Check | None:
    """The same, told by how the cleat moved from where it was when the wish was made; surer by far, because lens,
    height and card are the same for both photographs.

    None when this cannot be told: no cleat before, another cleat since, marks that do not fit.
    """
    if before.cleat is None or after.cleat is None:
        return None
    try:
        moved = compare(before.without_datums(), after.without_datums())
    except InputError:
        return None
    if moved.bad or not moved.agree:
        return None
    x, z, psi = (
        replace(m, value=m.value + was - wished, method=f"{m.method}, {BY_MOTION}")
        for m, was, wished in zip(
            (moved.x, moved.z, moved.psi), before.cleat.vector, wish.vector, strict=True
        )
    )
    return _against_wish(x, z, psi, moved.residual_mm)


def _against_wish(x: Measured, z: Measured, psi: Measured, residual_mm: float | None = None) -> Check:
    real = any(distinguishable(m, Measured(0.0, 0.0, m.unit)) for m in (x, z, psi))
    words = motion_words(-x.value, -z.value, -psi.value)
    near = within_hand(x.value, z.value, psi.value)
    if near:
        words = "as wished, to within what a hand can set"
    elif not real:
        words = f"not distinguishable from the wish (it would be: {words})"
    return Check(x, z, psi, words, near, real, residual_mm, goal=(HAND_MM, HAND_DEG))


def from_comparison(c: Comparison) -> Check:
    """A comparison with the goal of putting a cleat back."""
    within = max(abs(c.x.value), abs(c.z.value)) <= GOAL_MM and abs(c.psi.value) <= GOAL_DEG
    return Check(
        c.x, c.z, c.psi, c.words, within, c.distinguishable, c.residual_mm, c.notes, c.bad
    )  # fmt: skip
