"""Curves over the turn."""

from dataclasses import replace

import numpy as np
import pytest

from fitwright.sheets.curve import Chart, CurveLine, CurveTarget, curve_svg


def _mean_paths(root, color, width="2"):
    return [
        e
        for e in root.iter()
        if e.tag.endswith("path") and e.get("stroke") == color and e.get("stroke-width") == width
    ]


def test_mean_line_follows_the_numbers(svg, numbers, knee_curve):
    curve = knee_curve()
    root = svg(curve_svg(Chart("Knee flexion", (CurveLine(curve, "right"),)), "paper", 420, 250))
    points = numbers(_mean_paths(root, "#D55E00")[0].get("d"))
    theta = (points[:, 0] - 44) / (420 - 14 - 44) * 360
    assert theta == pytest.approx(np.append(np.arange(0, 360, 3), 360), abs=0.02)
    value = curve.mean[np.append(np.arange(0, 360, 3), 0)]
    slope, intercept = np.polyfit(points[:, 1], value, 1)
    assert slope < 0
    assert slope * points[:, 1] + intercept == pytest.approx(value, abs=0.05)


def test_target_bracket_stands_at_its_event(svg, knee_curve):
    chart = Chart("Knee flexion", (CurveLine(knee_curve(), "right"),), target=CurveTarget(33, 43, 173))
    rect = svg(curve_svg(chart, "paper", 420, 250)).find(".//{*}rect")
    middle = float(rect.get("x")) + float(rect.get("width")) / 2
    assert (middle - 44) / (420 - 58) * 360 == pytest.approx(173, abs=0.1)


def test_gaps_stay_gaps(svg, numbers, knee_curve):
    curve = knee_curve()
    mean = curve.mean.copy()
    mean[60:110] = np.nan
    root = svg(curve_svg(Chart("Knee", (CurveLine(replace(curve, mean=mean), "left"),)), "paper"))
    assert _mean_paths(root, "#0072B2")[0].get("d").count("M") == 2


def test_all_missing_and_none(svg, knee_curve):
    nothing = replace(knee_curve(), mean=np.full(360, np.nan), sd=np.full(360, np.nan))
    assert "nothing measured" in svg(curve_svg(Chart("Knee", (CurveLine(nothing, "left"),))))[1].text
    assert svg(curve_svg(Chart("Knee", ())))[1].text == "Nothing measured yet."


def test_small_themed_and_text_as_text(svg, knee_curve):
    lines = tuple(
        CurveLine(knee_curve(3.0 * k), side, state)
        for k, (side, state) in enumerate(
            (s, t) for s in ("left", "right") for t in ("before", "predicted", "now")
        )
    )
    text = curve_svg(Chart("Knee flexion", lines, target=CurveTarget(33, 43), up="more bent"), "page")
    assert len(text.encode()) < 40_000
    assert "var(--left, #0072B2)" in text
    assert text.count("#") == text.count("var(--")
    words = {e.text for e in svg(text).iter() if e.tag.endswith("text")}
    assert {"Knee flexion", "0° top", "180° bottom", "↑ more bent"} <= words
    assert "var(" not in curve_svg(Chart("Knee flexion", lines), "paper")
