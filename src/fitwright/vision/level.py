"""Where plumb is: what a side film knows of the camera's roll.

The pedal's circle looks the same to a camera rolled about its axis, so its path cannot tell the crank's dead centres
from those a degree further on. Anything known to be level or plumb can: two wheel axles, the tyres' places on the
floor, a door frame, the line where the floor meets the wall. Each is a `LevelLine`; all that are there go into the
camera's fit together, and each is also told on its own so that they can be compared.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from fitwright.quantity import Z95, Floats, Measured, combine, format_pm
from fitwright.vision.camera import U_PICK_PX, Pinhole
from fitwright.vision.turning import FREE, TurningFit

AXLE_HEIGHT_U_MM = 3.0
"""Difference in height of two axles, or two contact places, that are called equal: tyres, pressure, floor (our
choice)."""
FLOOR_PARALLEL_U_DEG = 3.0
"""How nearly a line on floor or wall runs along the bike (our choice)."""
SHORTEST_PX = 40.0
ROLL_ALARM_DEG = 2.5

PAIRS = {
    "axles": ("rear_axle", "front_axle", "both wheel axles"),
    "contact": ("rear_contact", "front_contact", "both tyres' places on the floor"),
    "plumb": ("plumb_bottom", "plumb_top", "an upright edge"),
    "floor": ("floor_rear", "floor_front", "a line on the floor"),
}
"""Kind → its two points, and what it is called."""
LEVEL_POINTS = tuple(name for a, b, _ in PAIRS.values() for name in (a, b))


@dataclass(frozen=True)
class LevelLine:
    """Two points of something level or plumb.

    Attributes: kind, one of `PAIRS`; ends_px (2, 2) from the picture's centre, u forward, rear or lower end first;
    rise_mm by which the front end is higher than the rear (axles, contact); u_px of one coordinate; enlarged: factor
    on its u when the lines contradict one another.
    """

    kind: str
    ends_px: Floats
    rise_mm: float = 0.0
    u_px: float = U_PICK_PX
    enlarged: float = 1.0

    @property
    def how(self) -> str:
        """What it is, in words."""
        return PAIRS[self.kind][2]

    def gap_deg(self, lens: Pinhole) -> float:
        """How far from level or plumb this camera would make it, deg."""
        if self.kind in ("axles", "contact"):
            rear, front = lens.meet(self.ends_px, 2, 0.0)[:, :2]
            along = math.hypot(*(front - rear))
            return math.degrees(math.atan2(front[1] - rear[1], front[0] - rear[0])
                                - math.asin(max(-1.0, min(1.0, self.rise_mm / along))))  # fmt: skip
        across = self._across(lens)
        return math.degrees(math.asin(float(across[1] if self.kind == "plumb" else across[0])))

    def u_deg(self, lens: Pinhole) -> float:
        """Standard uncertainty of the gap: the two points, and what "level" is worth; not the camera's own."""
        picked = math.degrees(math.sqrt(2.0) * self.u_px / math.dist(*self.ends_px))
        if self.kind in ("axles", "contact"):
            rear, front = lens.meet(self.ends_px, 2, 0.0)[:, :2]
            known = math.degrees(AXLE_HEIGHT_U_MM / math.dist(rear, front))
        else:
            known = FLOOR_PARALLEL_U_DEG * abs(float(self._across(lens)[2])) if self.kind == "floor" else 0.0
        return self.enlarged * combine(picked, known)

    def misfit(self, lens: Pinhole) -> Floats:
        """(1,) gap over its standard uncertainty: the `Witness` of the camera's fit."""
        return np.array([self.gap_deg(lens) / self.u_deg(lens)])

    def _across(self, lens: Pinhole) -> Floats:
        """(3,) unit normal, bike frame, of the plane through lens and line: the line's direction lies in it."""
        first, second = lens.rays(self.ends_px)
        normal = np.cross(first, second)
        return np.asarray(normal / np.linalg.norm(normal))


@dataclass(frozen=True)
class Level:
    """What is known of the camera's roll.

    Attributes: roll of the final fit; readings: how → the roll that each line tells by itself; agree: whether they do
    (when not, their uncertainties were enlarged before they were used).
    """

    roll: Measured
    readings: Mapping[str, Measured]
    agree: bool

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "roll": self.roll.to_json(), "agree": self.agree,
            "readings": {how: m.to_json() for how, m in self.readings.items()},
        }  # fmt: skip

    @property
    def words(self) -> str:
        """What it rests on, in one line."""
        if not self.readings:
            return (f"Nothing level or plumb is marked: the camera is taken as level to ± {Z95 * self.roll.u:.1f}°, "
                    "and crank angle, trunk and thigh are no surer than that. Mark both wheel axles or an upright "
                    "edge.")  # fmt: skip
        told = ", ".join(f"{how} {format_pm(m)}" for how, m in self.readings.items())
        if not self.agree:
            return (f"What is marked as level or plumb disagrees ({told}): taken is {format_pm(self.roll)}. Look at "
                    "these points again, or say by how much the front axle is higher.")  # fmt: skip
        return f"Camera roll {format_pm(self.roll)}, from {told}."


def level_lines(
    still_px: Mapping[str, Floats], front_higher_mm: float, u_px: float = U_PICK_PX
) -> tuple[LevelLine, ...]:
    """The lines of which both ends are marked; `still_px` from the picture's centre, u forward."""
    out = []
    for kind, (first, second, _) in PAIRS.items():
        if first in still_px and second in still_px:
            ends = np.array([still_px[first], still_px[second]], dtype=np.float64)
            if math.dist(*ends) >= SHORTEST_PX:
                out.append(
                    LevelLine(kind, ends, front_higher_mm if kind in ("axles", "contact") else 0.0, u_px)
                )
    return tuple(out)


def compare(fit: TurningFit, lines: Sequence[LevelLine]) -> tuple[dict[str, Measured], float]:
    """The roll each line tells alone, and how many times further apart they are than they should be (1: they agree).

    Args:
        fit: the camera fitted without any of them.
    """
    readings = {line.how: roll_from(fit, line) for line in lines}
    values = list(readings.values())
    apart = [
        abs(a.value - b.value) / combine(a.u, b.u) for i, a in enumerate(values) for b in values[i + 1 :]
    ]
    worst = max(apart, default=0.0)
    return readings, worst if worst > Z95 else 1.0


def roll_from(fit: TurningFit, line: LevelLine) -> Measured:
    """The camera's roll when this line alone is believed, deg.

    Turning the camera's roll moves the other values of the fit along with it (regression on the roll); what of them
    remains unknown at a given roll goes into the uncertainty together with the line's own.
    """
    k = FREE.index("roll_deg")
    slope = fit.slopes(line.gap_deg)
    along = fit.covariance[:, k] / fit.covariance[k, k]
    rest = fit.covariance - np.outer(along, along) * fit.covariance[k, k]
    reply = float(slope @ along)
    u = math.sqrt(line.u_deg(fit.lens) ** 2 + max(0.0, float(slope @ rest @ slope)))
    return Measured(fit.values["roll_deg"] - line.gap_deg(fit.lens) / reply, u / abs(reply), "deg", line.how)
