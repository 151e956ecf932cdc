"""Which measures are possible but odd, so that one asks "measured right?" before they are kept.

Odd is what lies outside 0.1 to 99.9 % of the reference sample, or hardly goes with another measure. A doubt says
nothing against the rider: bodies outside a sample exist, and then the answer is yes.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from fitwright.body.reference import WHO, span
from fitwright.body.sided import BY_STEM, SIDED
from fitwright.quantity import Z95, combine

SAMPLED = {
    "height_mm": "stature_mm", "inseam_mm": "crotch_height_mm", "trochanter_height_mm": "trochanter_height_mm",
    "thigh_mm": "thigh_mm", "shank_mm": "shank_mm", "malleolus_height_mm": "malleolus_height_mm",
    **{m.name(side): m.sample for m in SIDED if m.sample for side in ("left", "right")},
}  # fmt: skip
"""Measure → its name in the reference sample."""
RATIOS = (
    ("inseam_mm", "height_mm", "crotch_to_stature", "inseam", "height"),
    ("thigh_mm", "shank_mm", "thigh_to_shank", "thigh", "shank"),
    *(
        (f"{top}_{side}_mm", f"foot_length_{side}_mm", measure, f"{words}, {side},", "the foot’s length")
        for side in ("left", "right")
        for top, measure, words in (
            ("ball_length", "ball_to_foot_length", "ball length"),
            ("foot_breadth", "breadth_to_foot_length", "foot breadth"),
        )
    ),
)
U_TYPED_DIFFERENCE_MM = 5.0


@dataclass(frozen=True)
class Doubt:
    """A question about one measure, or about several that hardly go together: names, the likelier culprit first."""

    about: tuple[str, ...]
    words: str

    @property
    def key(self) -> str:
        """A short name for the record."""
        return " ".join(name.removesuffix("_mm").removesuffix("_deg") for name in self.about)


def doubts(values: Mapping[str, float], sex: str = "") -> tuple[Doubt, ...]:
    """Every doubt about these measures (mm, deg; by name of the field), the sample's first."""
    return (
        *_outside_the_sample(values, sex), *_odd_ratios(values, sex), *_odd_sides(values), *_odd_legs(values),
    )  # fmt: skip


def _outside_the_sample(values: Mapping[str, float], sex: str) -> Iterator[Doubt]:
    for name, measure in SAMPLED.items():
        if name in values:
            low, high = span(measure, sex)
            if not low <= values[name] <= high:
                yield Doubt(
                    (name,),
                    f"{values[name]:g} mm is outside {low:.0f} to {high:.0f} mm, the 0.1 to 99.9 % of {WHO[sex]}",
                )


def _odd_ratios(values: Mapping[str, float], sex: str) -> Iterator[Doubt]:
    for top, bottom, measure, words, base in RATIOS:
        if top in values and bottom in values:
            low, high = span(measure, sex)
            share = values[top] / values[bottom]
            if not low <= share <= high:
                yield Doubt(
                    (top, bottom),
                    f"{words} is {share:.1%} of {base}, outside {low:.1%} to {high:.1%}, "
                    f"the 0.1 to 99.9 % of {WHO[sex]}".replace("%", " %").replace("  %", " %"),
                )


def _odd_sides(values: Mapping[str, float]) -> Iterator[Doubt]:
    for m in SIDED:
        left, right = m.name("left"), m.name("right")
        if left in values and right in values:
            apart = abs(values[right] - values[left])
            if apart > m.apart:
                sign = "°" if m.unit == "deg" else f" {m.unit}"
                yield Doubt(
                    (right, left),
                    f"{m.label.lower()}: left and right differ by {apart:.0f}{sign}, more than {m.apart:g}{sign}",
                )


def _odd_legs(values: Mapping[str, float]) -> Iterator[Doubt]:
    """The typed difference of leg length against both legs as taped."""
    names = ("leg_length_left_mm", "leg_length_right_mm", "leg_length_difference_mm")
    if not set(names) <= set(values):
        return
    left, right, typed = (values[n] for n in names)
    m = BY_STEM["leg_length"]
    taped, u_leg = right - left, combine(m.u_hand, m.u_tool)
    room = Z95 * combine(u_leg, u_leg, U_TYPED_DIFFERENCE_MM)
    if abs(taped - typed) > room:
        yield Doubt(
            names[::-1],
            f"right minus left is {taped:+.0f} mm by both leg lengths, but {typed:+.0f} mm by the difference: "
            f"more than {room:.0f} mm apart".replace("-", "−"),
        )
