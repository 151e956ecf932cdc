"""The drawing of a residual analysis: what it says in words is what the analysis found."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from fitwright.motion.smoothing import smooth_trajectories
from fitwright.motion.trajectories import Trajectories
from fitwright.sheets.residual_drawing import residual_svg

SVG = "{http://www.w3.org/2000/svg}"


def facts_of(noise_mm: float) -> dict:
    """A simulated marker on a circle of 170 mm, 100 pictures per second."""
    t = np.arange(0, 12, 0.01)
    xy = 170 * np.column_stack([np.sin(9 * t), np.cos(9 * t)])
    xy = xy + np.random.default_rng(1).normal(0, noise_mm, xy.shape)
    traj = Trajectories(("heel",), t, xy[:, None], np.full((t.size, 1, 2), noise_mm), ("X", "Y"), "simulated")
    return smooth_trajectories(traj)[1]["heel"]


@pytest.mark.parametrize("noise_mm", [0.1, 1.0, 8.0])
def test_words_and_marks(noise_mm: float) -> None:
    facts = facts_of(noise_mm)
    root = ET.fromstring(residual_svg("heel right", facts, ident="a"))
    words = root.findtext(f"{SVG}desc")
    assert words == (
        f"Noise {facts['noise_mm']:.2g} mm; residual equals it at {facts['residual']['found_hz']:.1f} Hz; "
        f"used {facts['cutoff_hz']:.1f} Hz."
    )
    width, height = (float(v) for v in root.get("viewBox", "").split()[2:])
    dot = root.find(f"{SVG}circle")
    assert dot is not None
    assert 0 < float(dot.get("cx", "")) < width
    for path in root.findall(f"{SVG}path"):
        numbers = [float(v) for v in path.get("d", "").replace("M", " ").replace("L", " ").split()]
        assert all(-0.1 <= x <= width for x in numbers[::2])
        assert all(43.9 <= y <= height for y in numbers[1::2])


def test_the_dot_lies_on_the_curve() -> None:
    """At the found cut-off, at the height of the noise; the curve passes there within a pixel and a half."""
    root = ET.fromstring(residual_svg("heel", facts_of(0.5)))
    dot, curve = root.find(f"{SVG}circle"), root.findall(f"{SVG}path")[1]
    assert dot is not None
    numbers = [float(v) for v in curve.get("d", "").replace("M", " ").replace("L", " ").split()]
    y = np.interp(float(dot.get("cx", "")), numbers[::2], numbers[1::2])
    assert y == pytest.approx(float(dot.get("cy", "")), abs=1.5)
