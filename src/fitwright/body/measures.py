"""Tape measures of a rider: ranges, cross-checks and what they say about the thigh and the shank.

Ranges are wide enough for riders of 1.00 m to 2.30 m; a value outside is refused naming field and range. What
is possible but odd is a question (`fitwright.body.doubts`), not a refusal.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from fitwright.body.reference import SAMPLE, prior, reference
from fitwright.errors import InputError, check_range
from fitwright.quantity import Measured

LIMITS: Mapping[str, tuple[float, float, str]] = {
    "height_mm": (1000, 2300, "mm"),
    "mass_kg": (25, 250, "kg"),
    "inseam_mm": (400, 1150, "mm"),
    "trochanter_height_mm": (450, 1250, "mm"),
    "thigh_mm": (200, 650, "mm"),
    "shank_mm": (200, 650, "mm"),
    "malleolus_height_mm": (30, 130, "mm"),
    "foot_length_left_mm": (150, 350, "mm"),
    "foot_length_right_mm": (150, 350, "mm"),
    "torso_mm": (250, 750, "mm"),
    "upper_arm_mm": (180, 480, "mm"),
    "forearm_mm": (150, 420, "mm"),
    "shoulder_width_mm": (250, 600, "mm"),
    "leg_length_difference_mm": (-60, 60, "mm"),
}
U_TAPE_MM = 5.0
U_LANDMARK_MM = 8.0


@dataclass(frozen=True)
class BodyMeasures:
    """Tape measures in mm (mass in kg); only the height is needed, None where not taken.

    Attributes: height_mm; sex "M", "F" or ""; inseam_mm floor to crotch, a book pressed up, without shoes;
    trochanter_height_mm floor to greater trochanter; thigh_mm trochanter to lateral femoral epicondyle;
    shank_mm epicondyle to lateral malleolus; malleolus_height_mm; foot_length_*_mm; torso_mm trochanter to
    acromion; upper_arm_mm acromion to elbow; forearm_mm elbow to grip; shoulder_width_mm;
    leg_length_difference_mm right minus left (positive: right longer).
    """

    height_mm: float
    sex: str = ""
    mass_kg: float | None = None
    inseam_mm: float | None = None
    trochanter_height_mm: float | None = None
    thigh_mm: float | None = None
    shank_mm: float | None = None
    malleolus_height_mm: float | None = None
    foot_length_left_mm: float | None = None
    foot_length_right_mm: float | None = None
    torso_mm: float | None = None
    upper_arm_mm: float | None = None
    forearm_mm: float | None = None
    shoulder_width_mm: float | None = None
    leg_length_difference_mm: float | None = None

    def __post_init__(self) -> None:
        if self.sex not in ("M", "F", ""):
            raise InputError("sex", "unknown", value=self.sex, allowed="M, F or empty")
        for name, (low, high, unit) in LIMITS.items():
            value = getattr(self, name)
            if value is not None:
                hint = _unit_hint(value, low, high) if unit == "mm" else ""
                check_range(name, value, low, high, unit, hint)
        _cross_check(self)

    def to_json(self) -> dict[str, Any]:
        """Plain data by field name; what was not taken is null."""
        return asdict(self)

    @staticmethod
    def from_json(data: Mapping[str, Any]) -> BodyMeasures:
        """The inverse of `to_json`; unknown fields and words in place of numbers are refused by name."""
        known = {"sex", *LIMITS}
        for name, value in data.items():
            if name not in known:
                raise InputError(name, "unknown body measure", allowed=", ".join(sorted(known)))
            if name != "sex" and value is not None and (isinstance(value, bool) or not _is_number(value)):
                raise InputError(name, "is not a number", value=value)
        if data.get("height_mm") is None:
            raise InputError("height_mm", "is needed", allowed="1000 to 2300 mm")
        numbers = {k: None if v is None else float(v) for k, v in data.items() if k != "sex"}
        return BodyMeasures(sex=str(data.get("sex") or ""), **numbers)  # type: ignore[arg-type]


def _is_number(value: object) -> bool:
    try:
        float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        return False
    return True


def _unit_hint(value: float, low: float, high: float) -> str:
    """Guess that a value out of range was meant in another unit."""
    for factor, unit in ((10, "cm"), (1000, "m"), (25.4, "inches")):
        if low <= value * factor <= high:
            return f"If {value:g} {unit} was meant, enter {value * factor:.0f}"
    return ""


def _cross_check(body: BodyMeasures) -> None:
    """Refuse combinations that no body has."""
    parts = (
        ("inseam_mm", body.inseam_mm, body.height_mm, "larger than the height"),
        ("trochanter_height_mm", body.trochanter_height_mm, body.height_mm, "larger than the height"),
        ("thigh_mm", body.thigh_mm, body.inseam_mm, "longer than the inseam"),
        ("shank_mm", body.shank_mm, body.inseam_mm, "longer than the inseam"),
    )
    for name, value, limit, problem in parts:
        if value is not None and limit is not None and value >= limit:
            raise InputError(name, problem, value=value, allowed=f"less than {limit:g} mm")


def check_crank(body: BodyMeasures, crank_mm: float) -> None:
    """Refuse a crank that is longer than the leg (or than 30 % of it, which no leg can turn)."""
    leg = thigh_length(body).value + shank_length(body).value
    if crank_mm >= leg:
        raise InputError("crank_mm", "longer than the leg", value=crank_mm, allowed=f"less than {leg:.0f} mm")
    if crank_mm > 0.30 * leg:
        raise InputError(
            "crank_mm", "more than 30 % of the leg", value=crank_mm, allowed=f"less than {0.3 * leg:.0f} mm"
        )


def thigh_length(body: BodyMeasures) -> Measured:
    """Thigh, trochanter to lateral epicondyle, mm: by tape, else from the inseam or the height."""
    return _segment("thigh", body)


def shank_length(body: BodyMeasures) -> Measured:
    """Shank, lateral epicondyle to lateral malleolus, mm: by tape, else from the inseam or the height."""
    return _segment("shank", body)


def _segment(segment: str, body: BodyMeasures) -> Measured:
    """By tape (± landmark), else by the sample's ratio to inseam or, failing that, to height."""
    taped = getattr(body, f"{segment}_mm")
    if taped is not None:
        return Measured(float(taped), U_LANDMARK_MM, "mm", "tape")
    base, name = (body.inseam_mm, "crotch") if body.inseam_mm is not None else (body.height_mm, "stature")
    ratio = reference(f"{segment}_to_{name}", body.sex)
    size = Measured(ratio.mean * base, ratio.sd * base, "mm", f"{name} × ratio: {SAMPLE}")
    return size.widened(ratio.mean * U_TAPE_MM)


def malleolus_height(body: BodyMeasures) -> Measured:
    """Floor to lateral malleolus, bare foot, mm: by tape, else the sample's mean."""
    if body.malleolus_height_mm is not None:
        return Measured(body.malleolus_height_mm, 3.0, "mm", "tape")
    return prior("malleolus_height_mm", body.sex)


def foot_length(body: BodyMeasures, side: str) -> Measured:
    """Foot length, mm: measured on that side, else the other side, else from the height."""
    here = getattr(body, f"foot_length_{side}_mm")
    other = body.foot_length_left_mm if side == "right" else body.foot_length_right_mm
    if here is not None:
        return Measured(float(here), 2.0, "mm", "measured")
    if other is not None:
        return Measured(float(other), 4.0, "mm", "the other foot")
    ratio = 0.154 if body.sex == "M" else 0.151 if body.sex == "F" else 0.1525
    return Measured(ratio * body.height_mm, 0.0055 * body.height_mm, "mm", f"height × ratio: {SAMPLE}")
