"""What can be turned: range, step, cautious step per visit, how much the rider feels it, how it is undone.

Ranges and steps are common practice, no source; a part's own marks and limits prevail. Names carry the side where
there is one: `cleat_x_mm_left`, `spacer_mm_right`. The 15 mm of saddle height per visit are our choice, under half
of the 4 % of leg length below which a review of 41 studies found at most small effects (Bini & Priego-Quesada).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np

from fitwright.bike.contact import ContactPoints
from fitwright.errors import InputError, check_range
from fitwright.foot.sole import CleatPose


@dataclass(frozen=True)
class Adjustable:
    """One kind of adjustment.

    Attributes: kind; unit; step: smallest useful step; low, high: hardware range as change from now; cautious: the
    most to change in one visit; felt: 0 (unnoticed) to 1 (a new bike), breaks ties; rank: order of doing (feet 0,
    saddle height 1, setback 2, bars 3, parts 4); noun; more, less: words for a positive and a negative change;
    undo: how it is taken back.
    """

    kind: str
    unit: str
    step: float
    low: float
    high: float
    cautious: float
    felt: float
    rank: int
    noun: str
    more: str
    less: str
    undo: str


KINDS: Mapping[str, Adjustable] = {
    a.kind: a
    for a in (
        Adjustable("cleat_psi_deg", "deg", 1, -15, 15, 8, 0.3, 0, "cleat rotation", "turn the cleat so that the "
                   "foot points further out", "turn the cleat so that the foot points less out", "datum marks"),
        Adjustable("cleat_x_mm", "mm", 1, -15, 15, 10, 0.3, 0, "cleat fore-aft", "move the cleat forward",
                   "move the cleat back", "datum marks"),
        Adjustable("cleat_z_mm", "mm", 1, -5, 5, 4, 0.2, 0, "cleat sideways", "move the cleat outward",
                   "move the cleat inward", "datum marks"),
        Adjustable("spacer_mm", "mm", 1, -10, 20, 4, 0.3, 0, "pedal spacer", "add to the pedal spacer",
                   "take off the pedal spacer", "put the old spacer back"),
        Adjustable("shim_mm", "mm", 1, -10, 10, 3, 0.5, 0, "shim", "add to the shim under the cleat",
                   "take off the shim under the cleat", "take the shim out"),
        Adjustable("saddle_height_mm", "mm", 1, -60, 60, 15, 0.4, 1, "saddle height", "raise the saddle",
                   "lower the saddle", "mark on the seat post"),
        Adjustable("saddle_setback_mm", "mm", 1, -25, 25, 10, 0.4, 2, "saddle setback", "move the saddle back",
                   "move the saddle forward", "mark on the rails"),
        Adjustable("hood_y_mm", "mm", 5, -40, 40, 10, 0.6, 3, "bar height", "raise the bar", "lower the bar",
                   "spacers back"),
        Adjustable("hood_x_mm", "mm", 10, -40, 40, 20, 0.7, 3, "bar reach", "lengthen the stem",
                   "shorten the stem", "the old stem"),
        Adjustable("crank_mm", "mm", 2.5, -15, 15, 7.5, 0.9, 4, "crank length", "fit longer cranks",
                   "fit shorter cranks", "the old cranks"),
    )
}  # fmt: skip
SIDED = ("cleat_psi_deg", "cleat_x_mm", "cleat_z_mm", "spacer_mm", "shim_mm")


@dataclass(frozen=True)
class Setting:
    """Everything that can be turned, as it stands: contact points and cleat poses."""

    contact: ContactPoints
    cleats: Mapping[str, CleatPose]

    def value(self, name: str) -> float:
        """The hardware value of one adjustable.

        Raises:
            InputError: unknown name, or a cleat that was not measured.
        """
        kind, side = split(name)
        if kind in ("spacer_mm", "shim_mm"):
            return float(getattr(self.contact, f"{kind.removesuffix('_mm')}_{side}_mm"))
        if side:
            if side not in self.cleats:
                raise InputError(name, f"the {side} cleat has not been measured")
            return float(getattr(self.cleats[side], kind.removeprefix("cleat_")))
        return float(getattr(self.contact, kind))

    def changed(self, deltas: Mapping[str, float]) -> Setting:
        """The setting after changes (name → change). Saddle height slides along the seat post."""
        contact, cleats = self.contact, dict(self.cleats)
        values: dict[str, Any] = {}
        height = contact.saddle_height_mm + deltas.get("saddle_height_mm", 0.0)
        check_range("saddle_height_mm", height, 400, 1000, "mm")
        setback = contact.saddle_setback_mm * height / contact.saddle_height_mm
        contact = contact.with_saddle(height, setback + deltas.get("saddle_setback_mm", 0.0))
        for name, delta in deltas.items():
            kind, side = split(name)
            if kind in ("saddle_height_mm", "saddle_setback_mm"):
                continue
            if kind.startswith("cleat"):
                self.value(name)  # refuses a cleat that was not measured
                field = kind.removeprefix("cleat_")
                cleats[side] = replace(cleats[side], **{field: getattr(cleats[side], field) + delta})
            else:
                field = f"{kind.removesuffix('_mm')}_{side}_mm" if side else kind
                values[field] = getattr(contact, field) + delta
        return Setting(replace(contact, **values), cleats)


@lru_cache(maxsize=256)
def split(name: str) -> tuple[str, str]:
    """`cleat_x_mm_left` → ("cleat_x_mm", "left"); `saddle_height_mm` → ("saddle_height_mm", "").

    `saddle_height`, `cleat_x_left` and `spacer_left_mm` are understood too. InputError for anything else.
    """
    for side in ("left", "right"):
        stem = name.removesuffix(f"_{side}")
        for kind in (stem, f"{stem}_mm", f"{stem}_deg"):
            if stem != name and kind in SIDED:
                return kind, side
        if name in (f"spacer_{side}_mm", f"shim_{side}_mm"):
            return name.replace(f"_{side}", ""), side
    for candidate in (name, f"{name}_mm"):
        if candidate in KINDS and candidate not in SIDED:
            return candidate, ""
    raise InputError("adjustable", "unknown", value=name, allowed=", ".join(all_names()))


@lru_cache(maxsize=256)
def canonical(name: str) -> str:
    """The one spelling of an adjustable's name."""
    kind, side = split(name)
    return f"{kind}_{side}" if side else kind


def all_names() -> tuple[str, ...]:
    """Every adjustable's name, in the order of doing."""
    order = sorted(KINDS.values(), key=lambda a: a.rank)
    return tuple(
        f"{a.kind}_{side}" if side else a.kind for a in order
        for side in (("left", "right") if a.kind in SIDED else ("",))
    )  # fmt: skip


def kind_of(name: str) -> Adjustable:
    """The `Adjustable` behind a name."""
    return KINDS[split(name)[0]]


def instruction(name: str, before: float, after: float) -> str:
    """Words for the hand: "lower the saddle 8 mm: from 718 to 710 mm"."""
    a, (_, side) = kind_of(name), split(name)
    delta = after - before
    unit = "°" if a.unit == "deg" else f" {a.unit}"
    decimals = 0 if np.allclose([before, after, delta], np.round([before, after, delta]), atol=0.05) else 1
    where = (
        f" ({side} shoe)" if side and a.kind.startswith(("cleat", "shim")) else f" ({side})" if side else ""
    )
    words = a.more if delta > 0 else a.less

    def n(x: float) -> str:
        return f"{x:.{decimals}f}".replace("-", "−")

    step = f"{words} {n(abs(delta))}{unit}{where}"
    return f"{step}: from {n(before)} to {n(after)}{unit}"
