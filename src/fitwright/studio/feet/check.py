"""A cleat against its wish, and a cleat found later against the record."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from fitwright.errors import InputError
from fitwright.foot.remount import Comparison, compare
from fitwright.foot.sole import CleatPose, SoleReading
from fitwright.foot.words import motion_words
from fitwright.quantity import Measured, difference, distinguishable
from fitwright.records.models import Medium, Visit
from fitwright.studio.feet.soles import label, reading_of, save_picks
from fitwright.studio.visits import analyse

GOAL_MM, GOAL_DEG = 0.5, 0.3
HAND_MM, HAND_DEG = 0.5, 0.5  # what a hand with two bolts reaches; common practice, no source


@dataclass(frozen=True)
class Check:
    """A cleat now against where it should be: now − wished, and what the hand must do."""

    x: Measured
    z: Measured
    psi: Measured
    words: str
    within_goal: bool
    distinguishable: bool
    residual_mm: float | None = None

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "x_mm": self.x.to_json(), "z_mm": self.z.to_json(), "psi_deg": self.psi.to_json(),
            "words": self.words, "within_goal": self.within_goal, "distinguishable": self.distinguishable,
            "residual_mm": self.residual_mm,
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
    return Check(x, z, psi, words, near, real)


def check_remount(recorded: SoleReading, now: SoleReading) -> Check:
    """The cleat found later against the record, by datum marks."""
    return _from_comparison(compare(recorded, now))


def _from_comparison(c: Comparison) -> Check:
    within = max(abs(c.x.value), abs(c.z.value)) <= GOAL_MM and abs(c.psi.value) <= GOAL_DEG
    return Check(c.x, c.z, c.psi, c.words, within, c.distinguishable, c.residual_mm)


def save_sole(
    visit: Visit, medium: Medium, foot: str, when: str, points: Mapping[str, tuple[float, float]]
) -> SoleReading:
    """Measure a sole, keep it, and for a cleat found later keep how far it is off."""
    reading = save_picks(visit, medium, foot, when, points)
    if when == "remount":
        keep_remount(visit, foot, reading)
    return reading


def keep_remount(visit: Visit, foot: str, now: SoleReading) -> None:
    """Compare a cleat found later with the record and keep what came out."""
    recorded = reading_of(visit, foot, "after") or reading_of(visit, foot, "before")
    if recorded is None:
        raise InputError(
            "remount", f"there is no recorded {foot} cleat to compare with",
            hint="Measure the cleat before or after fitting first",
        )  # fmt: skip
    analyse(visit, "remount", label(visit, foot), check_remount(recorded, now).to_json())
