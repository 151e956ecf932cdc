"""The depths that a side film supposes, against the open body measures of Gordon et al. 2014 (NATICK/TR-15/007)."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from statistics import mean, stdev

import pytest

from fitwright.vision.scene import BEHIND_AXLE_MM, DEPTH_MM, TOE_OUT_DEG, USUAL_MM, Scene, sticker_shifts

SHOE_MM = {"lateral_malleolus": 0.0, "heel": 4.0, "fifth_metatarsal": 0.0}
"""How far the sticker stands off the bare foot on account of the shoe (our choice; the ball narrows behind its widest
place by as much as the shoe adds)."""
BREADTHS = {
    "lateral_malleolus": "bimalleolarbreadth_mm", "heel": "heelbreadth_mm",
    "fifth_metatarsal": "footbreadthhorizontal_mm",
}  # fmt: skip


@pytest.fixture(scope="module")
def bodies(outside_data: Path) -> list[dict[str, str]]:
    with (outside_data / "anthropometry" / "ansur2_2012_subset.csv").open() as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("name", list(BREADTHS))
def test_a_point_of_the_foot_lies_half_a_breadth_beside_its_middle(
    bodies: list[dict[str, str]], name: str
) -> None:
    """Women and men weigh alike. What is supposed is within 3 mm of that, and its own u is no smaller than the spread
    of half the breadth between people."""
    halves = {s: [float(b[BREADTHS[name]]) / 2 for b in bodies if b["sex"] == s] for s in ("F", "M")}
    brought_in = BEHIND_AXLE_MM.get(name, 0.0) * math.sin(math.radians(TOE_OUT_DEG))
    out = USUAL_MM["stance"] + mean(mean(h) for h in halves.values()) + SHOE_MM[name] - brought_in
    supposed, own_u = DEPTH_MM[name]
    assert supposed == pytest.approx(out, abs=3.0)
    assert own_u > stdev([*halves["F"], *halves["M"]])


def test_a_turned_foot_moves_heel_and_malleolus_together() -> None:
    (turned, *own) = sticker_shifts(("heel", "lateral_malleolus", "pedal_axle"))
    assert turned["heel"] / turned["lateral_malleolus"] == pytest.approx(170 / 120)
    assert {n for shift in own for n in shift} == {"heel", "lateral_malleolus", "pedal_axle"}
    assert Scene(stance_mm=138.0).depth("heel")[0] - Scene().depth("heel")[0] == pytest.approx(10.0)
