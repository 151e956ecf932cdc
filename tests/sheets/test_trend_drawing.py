"""A trend drawn to scale: dots where the values are, whiskers as long as the 95 % interval, dots joined as told."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from math import isclose

import pytest

from fitwright.quantity import Measured
from fitwright.sheets.trend_drawing import DOTTED, Trend, TrendPoint, trend_svg

SVG = "{http://www.w3.org/2000/svg}"


def drawn(*points: TrendPoint, days: int = 3, unit: str = "deg", **more: object) -> ET.Element:
    trend = Trend("Knee", tuple(f"{n} May 26" for n in range(days)), points, unit, **more)  # type: ignore[arg-type]
    return ET.fromstring(trend_svg(trend))


def groups(root: ET.Element) -> list[ET.Element]:
    return root.findall(f"{SVG}g")


def whisker(group: ET.Element) -> tuple[float, float]:
    line = group.find(f"{SVG}line")
    assert line is not None
    return float(line.get("y1", "nan")), float(line.get("y2", "nan"))


def test_dots_and_whiskers_are_to_scale():
    root = drawn(
        TrendPoint(0, "left", Measured(10, 1, "deg")),
        TrendPoint(2, "left", Measured(20, 2, "deg"), clear=True),
    )
    first, second = groups(root)
    circles = [g.find(f"{SVG}circle") for g in (first, second)]
    ys = [float(c.get("cy")) for c in circles if c is not None]
    per_degree = (ys[0] - ys[1]) / 10
    for group, y, u in ((first, ys[0], 1), (second, ys[1], 2)):
        low, high = whisker(group)
        assert isclose(low - high, 2 * 1.959964 * u * per_degree, abs_tol=0.02)
        assert isclose((low + high) / 2, y, abs_tol=0.02)


@pytest.mark.parametrize(("clear", "dash"), [(True, None), (False, DOTTED)])
def test_only_a_change_that_can_be_told_is_joined_by_a_solid_line(clear: bool, dash: str | None):
    root = drawn(
        TrendPoint(0, "right", Measured(10, 1, "mm")),
        TrendPoint(1, "right", Measured(11, 1, "mm"), clear=clear),
    )
    joins = [
        n for n in root.findall(f"{SVG}line") if n.get("y1") != n.get("y2") and n.get("x1") != n.get("x2")
    ]
    assert [n.get("stroke-dasharray") for n in joins] == [dash]
    assert ("not distinguishable" in (root.findtext(f"{SVG}desc") or "")) is not clear


def test_both_sides_and_both_moments_stand_beside_each_other():
    value = Measured(10, 1, "mm")
    points = [TrendPoint(1, s, value, w) for s in ("left", "right") for w in ("before", "now")]  # type: ignore[arg-type]
    root = drawn(*points)
    xs = [float(g.find(f"{SVG}line").get("x1")) for g in groups(root)]  # type: ignore[union-attr, arg-type]
    assert len(set(xs)) == 4
    assert max(xs) - min(xs) < 420 / 3


def test_nothing_leaves_the_sheet_with_many_visits_or_values_beyond_the_scale():
    points = [TrendPoint(n, "both", Measured(float(n % 11), 0.64, "of 10")) for n in range(40)]
    root = drawn(*points, days=40, unit="of 10", span=(0.0, 10.0))
    width, height = (float(x) for x in root.get("viewBox", "").split()[2:])
    for node in root.iter():
        for name, most in (("x1", width), ("x2", width), ("y1", height), ("y2", height)):
            assert 0 <= float(node.get(name, 0)) <= most
    days = [t for t in root.findall(f"{SVG}text") if "May" in (t.text or "")]
    assert 3 <= len(days) <= 8
    assert days[-1].text == "39 May 26"


def test_no_value_and_one_value_are_drawings_too():
    assert "nothing measured yet" in (drawn().findtext(f"{SVG}desc") or "")
    assert len(groups(drawn(TrendPoint(0, "both", Measured(5, 0, "mm")), days=1))) == 1
