"""Numbers and units as people read them on a sheet."""

from __future__ import annotations

from fitwright.quantity import Measured, format_pm

RATING = "of 10"
"""Unit of what a rider says on a scale from 0 to 10: its spread is drawn, not written."""
UNITS = {RATING: "", "deg": "°", "1": "", "%": " %", "mm2": " mm²"}


def unit_tail(unit: str) -> str:
    """What follows a number: "°", " mm", "" for a bare ratio."""
    return UNITS.get(unit, f" {unit}")


def number(value: float, unit: str = "1", decimals: int = 1) -> str:
    """`705 mm`, `33.8°`: trailing zeros dropped, a true minus sign."""
    words = f"{value:.{decimals}f}"
    words = words.rstrip("0").rstrip(".") if "." in words else words
    return ("0" if words in ("-0", "") else words).replace("-", "−") + unit_tail(unit)


def value_words(m: Measured) -> str:
    """`33.8 ± 1.1°`; a value whose uncertainty nobody stated stands alone: `705 mm`; so does a rating: `3`."""
    if m.unit == RATING:
        return number(m.value, decimals=0)
    return format_pm(m) if m.u > 0 else number(m.value, m.unit)


def place_words(x_mm: float, z_mm: float) -> str:
    """`208.7 / 8.1 mm`: a place on the sole, from the heel / outward, always with one decimal."""
    return f"{x_mm:.1f} / {z_mm:.1f} mm".replace("-", "−")


def signed(value: float, unit: str, decimals: int = 1) -> str:
    """`+5 mm`, `−1.2°`, `0 mm`."""
    words = number(value, unit, decimals)
    return words if value <= 0 or words.startswith("0" + unit_tail(unit)) else f"+{words}"


def capital(words: str) -> str:
    """The words as the beginning of a sentence."""
    return words[:1].upper() + words[1:]
