"""Published saddle-height relations, side by side: start values before any ride, never a goal.

Each is turned to the distance BB axis – saddle top, mm, with its source and its limit. They spread by several
mm for one rider, definitions of the inseam slip between papers, and slopes of a regression across riders are
not what happens to one rider when his saddle moves.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from fitwright.errors import check_range
from fitwright.quantity import Measured


@dataclass(frozen=True)
class HeightRule:
    """One published relation: BB–saddle ± u in mm, its formula in words, source, and what limits it."""

    key: str
    height_mm: Measured
    formula: str
    source: str
    limits: str

    def to_json(self) -> dict[str, Any]:
        """The record's form."""
        return {
            "key": self.key, "height_mm": self.height_mm.to_json(), "formula": self.formula,
            "source": self.source, "limits": self.limits,
        }  # fmt: skip


def saddle_heights(
    inseam_mm: float, crank_mm: float, knee_flexion_deg: float = 35.0, seat_tube_deg: float = 73.5,
    greatest_flexion_deg: float | None = None,
) -> tuple[HeightRule, ...]:  # fmt: skip
    """All relations for one rider.

    Args: inseam_mm 400-1150; crank_mm 100-220; knee_flexion_deg: wanted least flexion, 20-50;
    seat_tube_deg 60-90; greatest_flexion_deg: adds the second relation of Gatti et al. when given, 90-135.
    The papers' formulas are in cm from the pedal axle at its lowest; the crank is taken off here.
    """
    inseam = check_range("inseam_mm", inseam_mm, 400, 1150, "mm") / 10
    crank = check_range("crank_mm", crank_mm, 100, 220, "mm") / 10
    low = check_range("knee_flexion_deg", knee_flexion_deg, 20, 50, "deg")
    sta = check_range("seat_tube_deg", seat_tube_deg, 60, 90, "deg")
    gatti = "Gatti et al. 2021, 10.1080/17461391.2021.1902570; 40 adults"
    rules = [
        _rule("hamley_thomas", 1.09 * inseam - crank, 1.5, "1.09 × inseam − crank",
              "Hamley & Thomas 1967, J Physiol 191:55P (from memory)", "inseam only; u is our assumption"),
        _rule("inseam_share", 0.883 * inseam, 1.5, "0.883 × inseam",
              "cited in the literature without agreement on its definition (from memory)",
              "ignores the crank; u is our assumption"),
        _rule("gatti_least", 7.41 + 0.82 * inseam - 0.1 * low + 0.003 * inseam * sta - crank, 1.15,
              "7.41 + 0.82 I − 0.1 φmin + 0.003 I·STA − crank (cm, deg)", gatti,
              "RMSE 11.5 mm; pedal to saddle by consistency with the others"),
        _rule("ferrer_roca", 22.1 + 0.896 * inseam - 0.15 * low - crank, 1.5,
              "22.1 + 0.896 I − 0.15 φ − crank (cm, deg)",
              "Ferrer-Roca et al. 2012, 10.1519/JSC.0b013e318245c09d (from memory)",
              "trained riders; u is our assumption"),
    ]  # fmt: skip
    if greatest_flexion_deg is not None:
        high = check_range("greatest_flexion_deg", greatest_flexion_deg, 90, 135, "deg")
        value = 41.63 + 0.78 * inseam - 0.25 * high + 0.002 * inseam * sta - crank
        rules.append(_rule("gatti_greatest", value, 1.15, "41.63 + 0.78 I − 0.25 φmax + 0.002 I·STA − crank",
                           gatti, "RMSE 11.5 mm"))  # fmt: skip
    return tuple(rules)


def _rule(key: str, height_cm: float, u_cm: float, formula: str, source: str, limits: str) -> HeightRule:
    return HeightRule(key, Measured(10 * height_cm, 10 * u_cm, "mm", formula), formula, source, limits)


def spread_mm(rules: tuple[HeightRule, ...]) -> float:
    """Greatest minus least of the relations, mm: how much a rule of thumb leaves open."""
    values = [r.height_mm.value for r in rules]
    return max(values) - min(values)
