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
from fitwright.plan.types import USES, Target

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


@dataclass(frozen=True)
class Quantity:
    """What a band may be about: words, unit, the range in which a band makes sense, and the narrowest useful one.

    `joint`: an angle that hangs from its method (state, dimension), so its band must say both.
    """

    label: str
    unit: str
    low: float
    high: float
    narrowest: float
    joint: bool = False


QUANTITIES: Mapping[str, Quantity] = {
    "knee_flexion_deg.crank_in_line": Quantity(_KNEE, "deg", 0, 90, 2, True),
    "knee_flexion_deg.bdc": Quantity("Knee flexion at bottom dead centre", "deg", 0, 90, 2, True),
    "knee_flexion_deg.min": Quantity("Least knee flexion", "deg", 0, 90, 2, True),
    "knee_flexion_deg.max": Quantity("Greatest knee flexion", "deg", 60, 150, 2, True),
    "hip_flexion_deg.max": Quantity("Greatest hip flexion", "deg", 20, 160, 2, True),
    "ankle_plantarflexion_deg.min": Quantity("Ankle, most lifted", "deg", -40, 60, 2, True),
    "ankle_plantarflexion_deg.max": Quantity("Ankle, most pointed", "deg", -40, 80, 2, True),
    "ankle_plantarflexion_deg.range": Quantity("Ankle range over the turn", "deg", 0, 90, 2, True),
    "trunk_inclination_deg.mean": Quantity("Trunk above the horizontal", "deg", 0, 90, 2),
    "elbow_flexion_deg.mean": Quantity("Elbow flexion", "deg", 0, 120, 2, True),
    "knee_path_mm.range": Quantity("Knee travel sideways over the turn", "mm", 0, 120, 1),
    "knee_path_mm.mean": Quantity("Knee outward of the pedal, mean", "mm", -100, 100, 1),
    "foot_yaw_deg.mean": Quantity("Foot turned out while pedalling", "deg", -30, 45, 1),
    "axle_under_foot.setting": Quantity("Axle under the foot, off the chosen setting", "1", -0.5, 0.5, 0.02),
    "cleat_rotation_deg.off_foot": Quantity("Cleat rotation against the foot's own yaw", "deg", -15, 15, 1),
    "float_margin_deg.min": Quantity("Ridden yaw: distance to the nearest end of the float", "deg", 0, 45, 1),
}
STRENGTHS = ("study", "review", "opinion", "practice")
ROLES = ("target", "describe")
METHODS: Mapping[str, tuple[str, ...]] = {"state": ("dynamic", "static"), "dimension": ("2-D", "3-D")}
_RULE = "first setting of the cleat; common practice, no source"
_OWN = "no population; common practice"


def _band(
    ident: str, key: str, low: float, high: float, source: str, strength: str, method: Mapping[str, str],
    population: str, uses: tuple[str, ...] = (), role: str = "target",
) -> Target:  # fmt: skip
    about = QUANTITIES[key]
    return Target(
        key, about.label, low, high, about.unit, source, strength, method, uses, role, population, ident
    )


TARGETS: tuple[Target, ...] = (
    _band("knee_in_line", "knee_flexion_deg.crank_in_line", 30, 40, _K3, "study", DYNAMIC_2D,
          "well-trained cyclists"),
    _band("knee_bottom_3d", "knee_flexion_deg.bdc", 33, 43, _K4, "study", DYNAMIC_3D, "37 riders"),
    _band("knee_bottom_static", "knee_flexion_deg.bdc", 25, 35, _K1, "review", STATIC_2D,
          "clinical recommendation, no one sample"),
    _band("knee_least", "knee_flexion_deg.min", 29, 47, _K8, "study", DYNAMIC_2D, "17 professionals",
          role="describe"),
    _band("trunk_sport", "trunk_inclination_deg.mean", 30, 45, _T1, "opinion", {"state": "dynamic"},
          "no sample: experience", ("road", "racing", "gravel")),
    _band("trunk_town", "trunk_inclination_deg.mean", 50, 60, _T1, "opinion", {"state": "dynamic"},
          "no sample: experience", ("town",)),
    _band("knee_travel", "knee_path_mm.range", 2, 14, _P1, "study", {"state": "dynamic"},
          "12 pain-free riders", role="describe"),
    _band("axle", "axle_under_foot.setting", -0.06, 0.06, _RULE, "practice", {}, _OWN),
    _band("rotation", "cleat_rotation_deg.off_foot", -2, 2, f"hanging-foot test, offered and not corrected; {_RULE}",
          "practice", {}, _OWN),
    _band("float", "float_margin_deg.min", 1, 45,
          "a foot at the end of its float passes torsion to the knee; margin our choice, no source", "practice", {},
          _OWN),
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
IN_THE_TURN = {"crank_in_line", "bdc", "min", "max", "mean"}


@dataclass(frozen=True)
class Matched:
    """A band ready for comparison: its ends in the value's method, the u that converting added, and words."""

    target: Target
    u: float = 0.0
    refused: str = ""
    note: str = ""


def band_for(candidates: Iterable[Target], method: Mapping[str, str]) -> Matched:
    """Of the bands for one key, the one in the value's own method, else one converted, else a refusal.

    Of two that fit alike, the one made for certain uses goes before the one made for all.

    Raises:
        InputError: no candidate at all.
    """
    bands = list(candidates)
    if not bands:
        raise InputError("targets", "no band for this quantity")
    tried = [convert(band, method) for band in bands]
    return min(tried, key=lambda m: (bool(m.refused), bool(m.note), m.u, not m.target.uses))


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
        check_band(t)
    for clash in clashes(known):
        raise InputError(f"target {clash.one.key}", "two bands exclude each other", value=clash.words,
                         hint="Change one of them, or put it away")  # fmt: skip
    return known


def check_band(t: Target) -> None:
    """InputError when a band is empty, or says of itself what no band can."""
    if not t.low < t.high:
        raise InputError(f"target {t.key}", "the band is empty", value=f"{t.low:g} to {t.high:g}",
                         allowed="low below high")  # fmt: skip
    if t.role not in ROLES:
        raise InputError(f"target {t.key}", "unknown role", value=t.role, allowed=", ".join(ROLES))


@dataclass(frozen=True)
class Clash:
    """Two bands that no rider can meet at once, for some uses, and why in words."""

    one: Target
    other: Target
    uses: tuple[str, ...]
    words: str


def clashes(targets: Iterable[Target]) -> tuple[Clash, ...]:
    """Pairs of bands to be met that exclude each other: directly, through a conversion, or within one turn."""
    wanted = [t for t in targets if t.role == "target"]
    found = []
    for i, one in enumerate(wanted):
        for other in wanted[i + 1 :]:
            uses = shared_uses(one, other)
            why = _exclusion(one, other) if uses else None
            if why is not None:
                found.append(Clash(one, other, uses, f"{told(one)} and {told(other)}{why}"))
    return tuple(found)


def shared_uses(one: Target, other: Target) -> tuple[str, ...]:
    """The uses for which both bands count; a band for certain uses stands in for the same one made for all."""
    if one.key == other.key and dict(one.method) == dict(other.method) and bool(one.uses) != bool(other.uses):
        return ()
    return tuple(u for u in USES if all(not t.uses or u in t.uses for t in (one, other)))


def told(t: Target) -> str:
    """`Least knee flexion 30-40°`."""
    unit = "°" if t.unit == "deg" else "" if t.unit == "1" else f" {t.unit}"
    return f"{t.label} {t.low:g}-{t.high:g}{unit}"


def _exclusion(one: Target, other: Target) -> str | None:
    """Why the two cannot both be met ("" needs no reason); None when they can."""
    joint, event = one.key.rsplit(".", 1)
    if other.key.rsplit(".", 1)[0] != joint:
        return None
    moved = convert(other, one.method)
    if moved.refused:
        return None
    low, high = moved.target.low, moved.target.high
    if one.key == other.key:
        apart = max(one.low - high, low - one.high)
        said = f" (the second is {low:g} to {high:g} by the first one's method)" if moved.note else ""
        return said if apart > 1.96 * moved.u else None
    at = other.key.rsplit(".", 1)[1]
    for least, most, name in ((one.low, high, event), (low, one.high, at)):
        if name == "min" and {event, at} & IN_THE_TURN and least > most:
            return ": the least of a turn is never above what it is elsewhere in that turn"
    for most, least, name in ((one.high, low, event), (high, one.low, at)):
        if name == "max" and {event, at} & IN_THE_TURN and most < least:
            return ": the greatest of a turn is never below what it is elsewhere in that turn"
    return None


def for_use(targets: Iterable[Target], use: str) -> tuple[Target, ...]:
    """The bands that apply to one use."""
    return tuple(t for t in targets if not t.uses or use in t.uses)
