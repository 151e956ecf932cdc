"""By how much a cleat is off, in numbers, words for the hand, and whether that is near enough."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fitwright.foot.remount import Comparison, compare
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.foot.words import motion_words
from fitwright.quantity import Measured, difference, distinguishable, probability_within

GOAL_MM, GOAL_DEG = 0.5, 0.3
HAND_MM, HAND_DEG = 0.5, 0.5  # what a hand with two bolts reaches; common practice, no source
SURE = 0.95


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
    x, z, psi = d["x_c_mm"], d["z_c_mm"], d["psi_c_deg"]
    real = any(distinguishable(m, Measured(0.0, 0.0, m.unit)) for m in (x, z, psi))
    words = motion_words(-x.value, -z.value, -psi.value)
    near = max(abs(x.value), abs(z.value)) <= HAND_MM and abs(psi.value) <= HAND_DEG
    if near:
        words = "as wished, to within what a hand can set"
    elif not real:
        words = f"not distinguishable from the wish (it would be: {words})"
    return Check(x, z, psi, words, near, real, goal=(HAND_MM, HAND_DEG))


def check_remount(recorded: SoleReading, now: SoleReading) -> Check:
    """The cleat found later against the record, by datum marks."""
    return from_comparison(compare(recorded, now))


def from_comparison(c: Comparison) -> Check:
    """A comparison with the goal of putting a cleat back."""
    within = max(abs(c.x.value), abs(c.z.value)) <= GOAL_MM and abs(c.psi.value) <= GOAL_DEG
    return Check(
        c.x, c.z, c.psi, c.words, within, c.distinguishable, c.residual_mm, c.notes, c.bad
    )  # fmt: skip
