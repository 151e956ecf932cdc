"""Strips: dots, whiskers and brackets stand where the numbers say."""

import numpy as np
import pytest

from fitwright.sheets.strip import Strip, legend_svg, strip_svg


def _axis(strip, width):
    low, high = strip.axis()
    return lambda x: low + (x - 12) / (width - 24) * (high - low)


def test_dot_whisker_and_bracket_are_at_their_values(svg, reading):
    strip = Strip("Knee", (reading(35.1, 0.55, "deg", "left"),), (33, 43), "deg", (20, 50))
    root = svg(strip_svg(strip, "paper", width=320))
    value = _axis(strip, 320)
    dot = root.find(".//{*}circle")
    assert value(float(dot.get("cx"))) == pytest.approx(35.1, abs=0.01)
    whisker = next(e for e in root.iter() if e.tag.endswith("line") and e.get("stroke") == "#0072B2")
    ends = [value(float(whisker.get(k))) for k in ("x1", "x2")]
    assert ends == pytest.approx([35.1 - 1.96 * 0.55, 35.1 + 1.96 * 0.55], abs=0.01)
    rect = root.find(".//{*}rect")
    x, wide = float(rect.get("x")), float(rect.get("width"))
    assert (value(x), value(x + wide)) == pytest.approx((33, 43), abs=0.01)


def test_words_say_it_all(svg, reading):
    readings = (reading(29.2, 0.6, "deg", "left", "before"), reading(35.1, 0.55, "deg", "left"))
    desc = svg(strip_svg(Strip("Knee flexion, least", readings, (33, 43))))[1].text
    assert desc == "left before 29.2 ± 1.2°; left now 35.1 ± 1.1°. Target 33 to 43°."


def test_readings_that_overlap_take_their_own_lane(svg, reading):
    readings = tuple(
        reading(35 + 0.1 * k, 0.5, "deg", "right", s) for k, s in enumerate(("before", "predicted", "now"))
    )
    root = svg(strip_svg(Strip("Knee", readings, (33, 43)), "paper"))
    heights = {e.get("y1") for e in root.iter() if e.tag.endswith("line") and e.get("stroke") == "#D55E00"}
    assert len(heights) == 3


def test_empty_and_one_value_without_uncertainty(svg, reading):
    assert svg(strip_svg(Strip("Knee", (), (33, 43))))[1].text.startswith("nothing measured yet")
    svg(strip_svg(Strip("Knee", ())))
    svg(strip_svg(Strip("Knee", (reading(3, 0, "mm"),))))


def test_a_value_beyond_the_axis_is_pointed_at(svg, reading, numbers):
    strip = Strip("Knee", (reading(70, 2, "deg", "right"),), (33, 43), "deg", (20, 50))
    text = strip_svg(strip, "paper", width=320)
    xs = np.vstack([numbers(e.get("d")) for e in svg(text).iter() if e.tag.endswith("path")])[:, 0]
    assert xs.max() <= 320


def test_the_key_names_every_sign(svg):
    words = {e.text for e in svg(legend_svg()).iter() if e.tag.endswith("text")}
    assert words == {"left", "right", "before", "now", "predicted", "target", "95 % interval"}
