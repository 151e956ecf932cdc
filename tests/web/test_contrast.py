"""Contrast of every ink on every ground that the style sheet lays it on, in both colour schemes (WCAG 2.2, 1.4.3)."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import fitwright.web

CSS = (Path(fitwright.web.__file__).parent / "static" / "fitwright.css").read_text("utf-8")
GROUNDS = ("paper", "sheet", "wash")
TEXT = [(ink, ground) for ink in ("ink", "ink-soft", "link") for ground in GROUNDS]
TEXT += [("ink", "band"), ("paper", "ink")]  # a quiet button under the pointer, a button and a chosen answer
# Lines of drawings, side signs and focus rings: 3.0 (WCAG 2.2, 1.4.11).
LINES = [(ink, ground) for ink in ("left", "right", "focus", "ink-soft") for ground in (*GROUNDS, "band")]


def schemes() -> dict[str, dict[str, str]]:
    """The custom properties of the light and of the dark scheme."""
    blocks = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)
    light, dark = (dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", b)) for b in blocks[:2])
    return {"light": light, "dark": light | dark}


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a: str, b: str) -> float:
    """1 to 21."""
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_the_measure_itself():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_can_be_read(scheme):
    colours = schemes()[scheme]
    poor = {(a, b): round(c, 2) for a, b in TEXT if (c := contrast(colours[a], colours[b])) < 4.5}
    assert poor == {}


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_lines_can_be_seen(scheme):
    colours = schemes()[scheme]
    poor = {(a, b): round(c, 2) for a, b in LINES if (c := contrast(colours[a], colours[b])) < 3.0}
    assert poor == {}


def test_no_colour_is_written_past_the_palette():
    """So that the pairs above are all there are: colours only in `:root`, and text only in the inks listed."""
    rules = re.sub(r":root \{.*?\}", "", CSS, flags=re.DOTALL)
    assert re.findall(r"#[0-9a-fA-F]{3,8}\b|rgba?\(|hsla?\(", rules) == []
    inks = set(re.findall(r"(?<![-a-z])color: ([^;]+);", rules))
    assert inks <= {"var(--ink)", "var(--ink-soft)", "var(--link)", "var(--paper)", "inherit"}
    grounds = set(re.findall(r"background(?:-color)?: var\(--([a-z-]+)\)", rules))
    assert grounds <= {*GROUNDS, "band", "ink", "leaf"}  # a leaf is a printed page with its own black ink
