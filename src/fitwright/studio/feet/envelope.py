"""What the bolts of the shoe on the bench let each cleat do: the region, the wish in it, and what falls short."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitwright.foot.bolts import BoltPattern
from fitwright.foot.fitting_aid import within_hand
from fitwright.foot.hardware import CleatSystem, feasible_polygon, reach
from fitwright.foot.reach import TradeOff, trade_offs
from fitwright.foot.sole import CleatPose
from fitwright.quantity import Z95
from fitwright.records.models import Visit
from fitwright.sheets.region_drawing import Region, region_svg
from fitwright.studio.entry import sentence
from fitwright.studio.feet.foot import foot_of
from fitwright.studio.feet.hardware import bolts_of, pattern_problem, system_of
from fitwright.studio.feet.ridden import ridden_of
from fitwright.studio.feet.setting import start_of
from fitwright.studio.feet.soles import newest_reading


@dataclass(frozen=True)
class Envelope:
    """One side.

    Attributes: pattern of the bolts; ways to come near the first setting, the recommended one first; problem: what
    does not fit together, in words; missing: what is not known yet; svg: the region with wish and cleat.
    """

    side: str
    pattern: BoltPattern | None
    ways: tuple[TradeOff, ...] = ()
    problem: str = ""
    missing: tuple[str, ...] = ()
    svg: str = ""

    @property
    def doubt(self) -> str:
        """Said when the bolts' place is known too badly to call the first setting out of reach."""
        if self.pattern is None or not self.ways or self.ways[0].keeps == "wish":
            return ""
        missing = self.ways[0].pose.missing
        if within_hand(*missing.tolist()) or not self.pattern.may_allow(missing):
            return ""
        if self.pattern.picked:
            return "The bolts were picked to no better than that: it may fit, or not quite"
        return "The bolts’ place is not known well enough to be sure of that: pick the bolts in a photograph"


def envelope_of(visit: Visit, side: str) -> Envelope:
    """The region of one shoe; `missing` says what it still needs."""
    system, pattern, start = system_of(visit), bolts_of(visit, side), start_of(visit, side)
    found = _cleat(visit, side)
    problem = pattern_problem(visit, side)
    words = sentence(problem) if problem else ""
    missing = tuple(
        what
        for what, known in (
            ("the cleat system", system),
            ("the bolts or the cleat, picked in a photograph", pattern or problem),
            ("M1 and M5, for a first setting", start),
        )
        if not known
    )
    if system is None or pattern is None:
        return Envelope(side, pattern, (), words, missing)
    words = words or _outside(system, pattern, found)
    ways: tuple[TradeOff, ...] = ()
    if start is not None:
        ways = trade_offs(
            system, pattern.xz, start.cleat.vector.tolist(), start.point_mm, pattern.turn_deg.value
        )
    wish = start.cleat if start else None
    return Envelope(side, pattern, ways, words, missing, _drawn(side, system, pattern, ways, wish, found))


def float_words(visit: Visit, side: str) -> tuple[str, ...]:
    """The float as it is set against the foot that hangs and, where the yaw was filmed, the foot that pedals."""
    hangs, ridden = foot_of(visit, side).float_words, ridden_of(visit, side)
    rides = ridden.room.words if ridden and ridden.tracked and ridden.room else ""
    return (*((hangs,) if hangs else ()), *((f"as ridden, {rides}",) if rides else ()))


def _cleat(visit: Visit, side: str) -> CleatPose | None:
    reading = newest_reading(visit, side)
    return reading.cleat if reading else None


def _outside(system: CleatSystem, pattern: BoltPattern, found: CleatPose | None) -> str:
    """A cleat that sits where its slots cannot let it: said only when picks and pattern cannot explain it."""
    if found is None:
        return ""
    near = reach(system, pattern.xz, found.vector.tolist(), pattern.turn_deg.value)
    u = np.hypot(found.u, [pattern.x.u, pattern.z.u, pattern.turn_deg.u])
    if np.all(np.abs(near.missing) <= Z95 * u):
        return ""
    dx, dz, turn = near.missing
    return (
        f"The cleat as found lies {np.hypot(dx, dz):.1f} mm and {abs(turn):.1f}° outside what these bolts allow. Are "
        "the measures those of this cleat, and bolts and cleat picked where they are?"
    )


def _drawn(
    side: str, system: CleatSystem, pattern: BoltPattern, ways: tuple[TradeOff, ...], wish: CleatPose | None,
    found: CleatPose | None,
) -> str:  # fmt: skip
    pose = ways[0].pose if ways else None
    psi = pose.psi_deg if pose else found.psi_deg if found else pattern.turn_deg.value
    polygon = pose.polygon_mm if pose else feasible_polygon(system, pattern.xz, psi, pattern.turn_deg.value)
    region = Region(
        side, polygon, psi, wish=wish.vector[:2] if wish is not None else None,
        reached=np.array([pose.x_mm, pose.z_mm]) if pose else None, found=found.vector[:2] if found else None,
    )  # fmt: skip
    return region_svg(region)
