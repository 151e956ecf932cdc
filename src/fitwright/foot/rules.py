"""Where others would begin: starting rules side by side, each with its source and what it gives on this foot.

A rule says where the axle shall run, or how the cleat is turned, or both; what it leaves open is taken from the wish.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from fitwright.foot.frame import axle_fraction
from fitwright.foot.sole import SolePoint
from fitwright.foot.start import Place, StartSetting, start_at, x_under
from fitwright.quantity import Z95, Floats, Measured, format_pm, propagate

NO_SOURCE = "common practice, no source"
WALKING = Measured(7.5, 5.0, "deg", "walking toe-out, before any test")
"""Mean toe-out in walking and our spread for it: "The angle of gait", J Bone Joint Surg 1932;14(4), abstract: mean
7.5°, most 5–10°, large scatter from step to step."""
BEHIND_MM, BEHIND_SHARE = 10.0, 0.04  # only where to begin: the practitioner states them


@dataclass(frozen=True)
class Rule:
    """A way to begin.

    Attributes: key; name, two or three words for a drawing; words; source; place of the axle, yaw and lateral
    setting, each None where the wish's own holds; finding: what was seen with it; needs: what is missing to apply it.
    """

    key: str
    name: str
    words: str
    source: str
    place: Place | None = None
    yaw: Measured | None = None
    lateral_mm: float | None = None
    finding: str = ""
    needs: str = ""


@dataclass(frozen=True)
class Wish:
    """What is wanted of one cleat: where the axle runs, the foot's yaw, the lateral setting; the foot's length where
    it is known."""

    place: Place
    yaw: Measured
    lateral_mm: float
    length: Measured | None = None


@dataclass(frozen=True)
class Candidate:
    """A rule on one foot.

    Attributes: rule; setting it gives; fraction λ at that setting's yaw; ahead, how far the cleat would lie ahead of
    the wish (mm), out, how far it would be turned further out (deg), both with what marks and yaw have in common
    taken out; all None when something is missing. chosen: it is the wish.
    """

    rule: Rule
    setting: StartSetting | None = None
    fraction: Measured | None = None
    ahead: Measured | None = None
    out: Measured | None = None
    chosen: bool = False

    @property
    def distinguishable(self) -> bool:
        """Whether it differs from the wish by more than the 95 % half-width of the difference."""
        return any(m is not None and abs(m.value) > Z95 * m.u for m in (self.ahead, self.out))

    @property
    def words(self) -> str:
        """The difference to the wish in words."""
        if self.ahead is None or self.out is None:
            return f"needs {self.rule.needs}"
        if self.chosen:
            return "this is the wish"
        sides = (
            (self.ahead, "towards the toe", "towards the heel"),
            (self.out, "more toe-out", "less toe-out"),
        )
        parts = [
            f"{format_pm(replace(m, value=abs(m.value)))} {plus if m.value > 0 else minus}"
            for m, plus, minus in sides
            if abs(m.value) >= 0.05
        ]
        if not parts:
            return "the same"
        return ", ".join(parts) if self.distinguishable else f"not distinguishable ({', '.join(parts)})"

    def to_json(self) -> dict[str, Any]:
        """Plain numbers and words; x null when something is missing."""
        measured = {"lambda": self.fraction, "ahead_mm": self.ahead, "out_deg": self.out}
        return {
            "rule": f"{self.rule.words} ({self.rule.source})", "key": self.rule.key,
            "x_c_mm": self.setting.cleat.x_mm if self.setting else None,
            "psi_c_deg": self.setting.cleat.psi_deg if self.setting else None,
            **{k: m.to_json() if m else None for k, m in measured.items()},
            "distinguishable": self.distinguishable, "words": self.words,
        }  # fmt: skip


def rules(behind_mm: float = BEHIND_MM, behind_share: float = BEHIND_SHARE) -> tuple[Rule, ...]:
    """The rules that need nothing but the foot; `behind_mm`, `behind_share` as the practitioner states them."""
    return (
        Rule("m1", "M1", "axle under M1",
             "named as the usual position by Silberman 2005, as cited in Chartogne 2016; the original was not seen",
             Place.between(0.0)),
        Rule("midway", "midway", "axle midway between M1 and M5", NO_SOURCE, Place.between(0.5)),
        Rule("m5", "M5", "axle under M5", NO_SOURCE, Place.between(1.0)),
        Rule("behind_mm", f"{behind_mm:g} mm behind M1", f"axle {behind_mm:g} mm behind M1", NO_SOURCE,
             Place(1.0, 0.0, back_mm=behind_mm),
             finding="5 mm further back: calf muscles worked less, no change of power (Millour 2020, 7 triathletes, "
             "a pilot)"),
        Rule("behind_share", f"{100 * behind_share:g} % behind M1",
             f"axle {100 * behind_share:g} % of the foot’s length behind M1", NO_SOURCE,
             Place(1.0, 0.0, back_share=behind_share)),
        Rule("midfoot", "mid-foot", "axle half-way between heel and M1", "studied by Van Sickle & Hull 2007",
             Place(0.5, 0.0),
             finding="no effect on oxygen cost (11 riders, 90 rpm, 203 W, p = 0.31); for the run after a ride the "
             "studies disagree (Paton & Jardine 2012; Viker & Richardson 2013)"),
        Rule("straight", "straight", "cleat straight along the shoe", NO_SOURCE,
             yaw=Measured(0.0, 0.0, "deg", "straight along the shoe")),
        Rule("walking", "walking", "turned as feet turn out in walking",
             "“The angle of gait”, J Bone Joint Surg 1932;14(4): mean 7.5°, most 5–10°", yaw=WALKING),
    )  # fmt: skip


def side_by_side(m1: SolePoint, m5: SolePoint, wish: Wish, others: Sequence[Rule]) -> tuple[Candidate, ...]:
    """What each rule gives on this foot beside the wish.

    Raises InputError as `start_at` does.
    """
    return tuple(_candidate(m1, m5, wish, rule) for rule in others)


def follows(wish: Wish, rule: Rule) -> bool:
    """Whether the wish does what the rule says."""
    pairs = (rule.place, wish.place), (rule.yaw, wish.yaw), (rule.lateral_mm, wish.lateral_mm)
    return not rule.needs and all(said is None or said == wanted for said, wanted in pairs)


def _candidate(m1: SolePoint, m5: SolePoint, wish: Wish, rule: Rule) -> Candidate:
    place = rule.place or wish.place
    if place.back_share and wish.length is None and not rule.needs:
        rule = replace(rule, needs="the foot’s length (station Body)")
    if rule.needs:
        return Candidate(rule)
    own = rule.yaw
    z = wish.lateral_mm if rule.lateral_mm is None else rule.lateral_mm
    length = wish.length or Measured(0.0, 0.0, "mm")
    setting = start_at(m1, m5, own or wish.yaw, z, place, length=wish.length)

    def compare(v: Floats) -> Floats:
        """λ of the rule, and rule minus wish in x and ψ, from the same marks."""
        first, fifth, long = v[:2], v[2:4], float(v[6])
        yaw = float(v[5] if own else v[4])  # a yaw that both share is one number, wrong for both alike
        x = x_under(place.point(first, fifth, long), yaw, z)
        at = x_under(wish.place.point(first, fifth, long), float(v[4]), wish.lateral_mm)
        return np.array([axle_fraction(first, fifth, np.array([x, z]), yaw), x - at, yaw - v[4]])

    covariance = np.zeros((7, 7))
    covariance[:2, :2], covariance[2:4, 2:4] = m1.covariance_mm2, m5.covariance_mm2
    covariance[4:, 4:] = np.diag([wish.yaw.u**2, own.u**2 if own else 0.0, length.u**2])
    mean = [m1.x_mm, m1.z_mm, m5.x_mm, m5.z_mm, wish.yaw.value, own.value if own else 0.0, length.value]
    value, cov = propagate(compare, mean, covariance)
    u = np.sqrt(np.maximum(np.diag(cov), 0.0))
    u[u < 1e-9] = 0.0
    fraction, ahead, out = (
        Measured(float(a), float(b), unit, rule.words)
        for a, b, unit in zip(value, u, ("1", "mm", "deg"), strict=True)
    )
    return Candidate(rule, setting, fraction, ahead, out, follows(wish, rule))
