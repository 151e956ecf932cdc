"""A twin from outside (JSON already parsed): every field checked and named before it is used."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from fitwright.errors import InputError
from fitwright.linkage.leg import LIMITS, check_leg
from fitwright.linkage.twin import LegTwin

FIELDS = (
    "thigh_mm", "shank_mm", "axle_to_malleolus_x_mm", "axle_to_malleolus_y_mm", "crank_mm", "hip_x_mm", "hip_y_mm",
)  # fmt: skip
MAX_HARMONICS = 12


def leg_from_json(data: Mapping[str, Any]) -> LegTwin:
    """A checked `LegTwin`.

    Raises:
        InputError: a field missing, unknown, no number or out of range; names the field and what is allowed.
    """
    for name in data:
        if name not in (*FIELDS, "pitch_deg"):
            raise InputError(name, "unknown field", allowed=", ".join((*FIELDS, "pitch_deg")))
    numbers = {}
    for name in FIELDS:
        low, high, unit = LIMITS[name]
        if name not in data:
            raise InputError(name, "is missing", allowed=f"{low:g} to {high:g} {unit}")
        numbers[name] = number(name, data[name])
    pitch = data.get("pitch_deg")
    if not isinstance(pitch, Mapping):
        raise InputError(
            "pitch_deg", "is missing or no object", allowed='{"mean": , "cos": [c1, c2], "sin": [s1, s2]}'
        )
    if "mean" not in pitch:
        raise InputError("pitch_deg.mean", "is missing", allowed="-60 to 80 deg")
    cos, sin = _harmonics(pitch, "cos"), _harmonics(pitch, "sin")
    longest = max(len(cos), len(sin))
    cos, sin = cos + (0.0,) * (longest - len(cos)), sin + (0.0,) * (longest - len(sin))
    return check_leg(LegTwin(**numbers, pitch_mean_deg=number("pitch_deg.mean", pitch["mean"]),
                             pitch_cos_deg=cos, pitch_sin_deg=sin))  # fmt: skip


def number(field: str, value: Any) -> float:
    """A finite number, not a word and not a truth value."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(field, "is not a number", value=value)
    try:
        out = float(value)
    except OverflowError as error:
        raise InputError(field, "is too large") from error
    if not math.isfinite(out):
        raise InputError(field, "is not a finite number", value=value)
    return out


def _harmonics(pitch: Mapping[str, Any], name: str) -> tuple[float, ...]:
    values = pitch.get(name, [])
    if not isinstance(values, list | tuple) or len(values) > MAX_HARMONICS:
        raise InputError(
            f"pitch_deg.{name}", "is not a list of harmonics", allowed=f"up to {MAX_HARMONICS} numbers"
        )
    return tuple(number(f"pitch_deg.{name} harmonic {k}", v) for k, v in enumerate(values, start=1))
