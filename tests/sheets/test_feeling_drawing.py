"""The words at the ends of the lines: none on another, none outside the scale."""

from __future__ import annotations

from itertools import pairwise

import pytest

from fitwright.sheets.feeling_drawing import DEEP, TOP, FeelingLine, feeling_svg


@pytest.mark.parametrize("sites", [4, 10, 16])
def test_sites_that_end_at_nothing_are_all_readable(svg, sites):
    lines = [FeelingLine(f"site {k}", "both", (4, 0)) for k in range(sites)]
    root = svg(feeling_svg("Pain", ["arrived", "step 1"], lines))
    at = sorted(
        float(e.get("y"))
        for e in root.iter()
        if e.tag.endswith("text") and (e.text or "").startswith("site ")
    )
    assert len(at) == sites
    gaps = [b - a for a, b in pairwise(at)]
    assert min(gaps) >= min(14.0, DEEP / (sites - 1)) - 0.1
    assert at[0] >= TOP
    assert at[-1] <= TOP + DEEP + 4.1


def test_words_stand_beside_their_own_line_where_there_is_room(svg):
    lines = [FeelingLine("knee", "left", (4, 8)), FeelingLine("neck", "both", (4, 2))]
    root = svg(feeling_svg("Pain", ["arrived", "step 1"], lines))
    at = {e.text: float(e.get("y")) for e in root.iter() if e.tag.endswith("text")}
    assert at["knee"] == pytest.approx(TOP + DEEP * 0.2 + 4, abs=0.1)
    assert at["neck"] == pytest.approx(TOP + DEEP * 0.8 + 4, abs=0.1)
