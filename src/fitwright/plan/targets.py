"""Bands with their sources, and the two published conversions between methods.

An angle is compared only with a band of its own method (static or dynamic, 2-D or 3-D), or through a published
conversion whose spread then widens the comparison. Anything else is refused. Bands marked "describe" are shown
beside a value and never lead to a change. Three bands for the knee near the bottom exist side by side in the
literature: static 25-35° plus the published 8.2° would give 33-43° dynamic, the 2-D study that measured in motion
gives 30-40°, and 3-D work uses 33-43°, which is 31-41° in 2-D terms. Each is used for its own method.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from fitwright.errors import InputError
from fitwright.plan.types import Target

DYNAMIC_2D = {"state": "dynamic", "dimension": "2-D"}
DYNAMIC_3D = {"state": "dynamic", "dimension": "3-D"}
STATIC_2D = {"state": "static", "dimension": "2-D"}

_K1 = "Holmes 1994, 10.1016/S0278-5919(20)30363-X; Peveler 2005-2011"
_K3 = "Ferrer-Roca 2012, 10.1519/JSC.0b013e318245c09d"
_K4 = "normal band of a 37-rider 3-D study, J Sci Cycling abstract 892"
_K8 = "17 professionals, 150 W, J Sci Cycling 2020, 10.28985/0620.jsc.03: mean 38°, SD about 4.5°"
_T1 = "Silberman 2005; Pruitt & Matheny 2006 (experience, not data)"
_P1 = (
    "abstract 'Abnormal patterns of knee medio-lateral deviation' (12 pain-free riders, front 2-D): 8 ± 3 mm; "
    "cross-sectional, and another study found no link with pain"
)
_KNEE = "Knee flexion, crank in line with the saddle line"

TARGETS: tuple[Target, ...] = (
    Target("knee_flexion_deg.crank_in_line", _KNEE, 30, 40, "deg", _K3, "study", DYNAMIC_2D),
    Target("knee_flexion_deg.bdc", "Knee flexion at bottom dead centre", 33, 43, "deg", _K4, "study", DYNAMIC_3D),
    Target("knee_flexion_deg.bdc", "Knee flexion at bottom dead centre", 25, 35, "deg", _K1, "review", STATIC_2D),
    Target("knee_flexion_deg.min", "Least knee flexion", 29, 47, "deg", _K8, "study", DYNAMIC_2D, role="describe"),
    Target("trunk_inclination_deg.mean", "Trunk above the horizontal", 30, 45, "deg", _T1, "opinion",
           {"state": "dynamic"}, ("road", "racing", "gravel"), "target"),
    Target("trunk_inclination_deg.mean", "Trunk above the horizontal", 50, 60, "deg", _T1, "opinion",
           {"state": "dynamic"}, ("town",), "target"),
    Target("knee_path_mm.range", "Knee travel sideways over the turn", 2, 14, "mm", _P1, "study",
           {"state": "dynamic"}, role="describe"),
)  # fmt: skip


@dataclass(frozen=True)
class Conversion:
    """Add `shift` to a value of method `frm` to get what method `to` reads; `spread` is the SD between riders.

    `u_mean` is the standard uncertainty of the shift itself (SD / √n): bands are shifted with it, single riders'
    values would carry the whole spread.
    """

    joint: str
    key: str
    frm: str
    to: str
    shift: float
    spread: float
    n: int
    source: str

    @property
    def u_mean(self) -> float:
        """SD of the mean shift."""
        return float(self.spread / self.n**0.5)


_BINI = "Bini & Hume 2016, 10.1515/humo-2016-0005"
_FONDA = "Fonda 2014, 10.1080/02640414.2013.868919"
CONVERSIONS: tuple[Conversion, ...] = (
    Conversion("knee_flexion_deg", "state", "static", "dynamic", 8.2, 5.0, 30, _BINI),
    Conversion("ankle_plantarflexion_deg", "state", "static", "dynamic", 8.2, 5.3, 30, _BINI),
    Conversion(
        "knee_flexion_deg", "dimension", "2-D", "3-D", 2.2, 2.2, 11, _FONDA + " (spread: our assumption)"
    ),
)
BOTTOM = ("crank_in_line", "bdc", "min")


@dataclass(frozen=True)
class Matched:
    """A band ready for comparison: its ends in the value's method, the u that converting added, and words."""

    target: Target
    u: float = 0.0
    refused: str = ""
    note: str = ""


def band_for(candidates: Iterable[Target], method: Mapping[str, str]) -> Matched:
    """Of the bands for one key, the one in the value's own method, else one converted, else a refusal.

    Raises:
        InputError: no candidate at all.
    """
    bands = list(candidates)
    if not bands:
        raise InputError("targets", "no band for this quantity")
    tried = [convert(band, method) for band in bands]
    return min(tried, key=lambda m: (bool(m.refused), bool(m.note), m.u))


def convert(target: Target, method: Mapping[str, str]) -> Matched:
    """The band moved to the value's method by the published conversions, or the reason why it cannot be.

    Applies at the bottom of the turn only, where the conversions were measured.
    """
    joint, event = target.key.rsplit(".", 1)
    moved, u2, notes = target, 0.0, []
    for key, wanted in target.method.items():
        has = method.get(key)
        if has is None:
            return Matched(target, refused=f"the value does not say its {key}; the band is {wanted}")
        if has == wanted:
            continue
        step = _conversion(joint, key, wanted, has) if event in BOTTOM else None
        if step is None:
            return Matched(
                target, refused=f"the value is {has}, the band {wanted}: no published conversion here"
            )
        shift, conversion = step
        moved = replace(moved, low=moved.low + shift, high=moved.high + shift,
                        method={**moved.method, key: has})  # fmt: skip
        u2 += conversion.u_mean**2
        notes.append(f"band moved by {shift:+.1f}° from {wanted} to {has} ({conversion.source}; single riders "
                     f"scatter by {conversion.spread:g}°)")  # fmt: skip
    return Matched(moved, u2**0.5, "", "; ".join(notes))


def _conversion(joint: str, key: str, frm: str, to: str) -> tuple[float, Conversion] | None:
    for c in CONVERSIONS:
        if c.joint == joint and c.key == key and (c.frm, c.to) == (frm, to):
            return c.shift, c
        if c.joint == joint and c.key == key and (c.to, c.frm) == (frm, to):
            return -c.shift, c
    return None


def check_targets(targets: Iterable[Target]) -> tuple[Target, ...]:
    """The bands when each is one, else InputError: an empty band, or two that exclude each other for one use."""
    known = tuple(targets)
    for t in known:
        if not t.low < t.high:
            raise InputError(f"target {t.key}", "the band is empty", value=f"{t.low:g} to {t.high:g}",
                             allowed="low below high")  # fmt: skip
        if t.role not in ("target", "describe"):
            raise InputError(f"target {t.key}", "unknown role", value=t.role, allowed="target, describe")
    for i, a in enumerate(known):
        for b in known[i + 1 :]:
            same = a.key == b.key and dict(a.method) == dict(b.method) and a.role == b.role == "target"
            shared = not a.uses or not b.uses or set(a.uses) & set(b.uses)
            if same and shared and (a.high < b.low or b.high < a.low):
                raise InputError(f"target {a.key}", "two bands exclude each other",
                                 value=f"{a.low:g}-{a.high:g} and {b.low:g}-{b.high:g}")  # fmt: skip
    return known


def for_use(targets: Iterable[Target], use: str) -> tuple[Target, ...]:
    """The bands that apply to one use."""
    return tuple(t for t in targets if not t.uses or use in t.uses)
