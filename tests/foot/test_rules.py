"""Starting rules side by side."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitwright.foot.frame import to_bike
from fitwright.foot.rules import WALKING, Rule, Wish, rules, side_by_side
from fitwright.foot.sole import SolePoint
from fitwright.foot.start import Place
from fitwright.quantity import Z95, Measured

M1, M5 = SolePoint(201, -38, np.eye(2) * 1.5**2), SolePoint(172, 44, np.eye(2) * 1.2**2)
WISH = Wish(Place.between(0.5), Measured(7, 2, "deg", "hanging foot"), 2.0, Measured(262, 1.5, "mm"))


def by_key(wish=WISH, m1=M1, m5=M5, **behind):
    return {c.rule.key: c for c in side_by_side(m1, m5, wish, rules(**behind))}


def test_each_rule_puts_the_axle_where_it_says():
    """Checked in the bike frame: the rule's point lies above the axle at the foot's yaw."""
    places = {"m1": M1.xz, "m5": M5.xz, "behind_mm": M1.xz - [10, 0], "behind_share": M1.xz - [0.04 * 262, 0],
              "midfoot": M1.xz / 2}  # fmt: skip
    found = by_key()
    for key, point in places.items():
        pose = found[key].setting.cleat
        assert to_bike(point[None], pose.vector[:2], 7.0)[0, 0] == pytest.approx(0.0, abs=1e-9)
    assert found["m1"].fraction.value == pytest.approx(0.0)
    assert found["straight"].setting.cleat.psi_deg == 0.0
    assert found["walking"].setting.cleat.psi_deg == WALKING.value


def test_the_difference_has_what_both_share_taken_out():
    """JCGM 101, 20 000 draws: M1 against half-way, and M5 against 10 mm behind M1, marks and yaw in common."""
    rng = np.random.default_rng(3)
    n = 20_000
    m1, m5 = rng.normal(M1.xz, 1.5, (n, 2)), rng.normal(M5.xz, 1.2, (n, 2))
    t = np.tan(np.radians(rng.normal(7, 2, n)))

    def x(p):
        return p[:, 0] + (2.0 - p[:, 1]) * t

    wish = x((m1 + m5) / 2)
    found = by_key()
    assert np.std(x(m1) - wish) == pytest.approx(found["m1"].ahead.u, rel=0.03)
    assert np.std(x(m1 - [10, 0]) - wish) == pytest.approx(found["behind_mm"].ahead.u, rel=0.03)
    assert np.mean(x(m1 / 2) - wish) == pytest.approx(found["midfoot"].ahead.value, abs=0.1)
    apart = np.sqrt(found["m1"].setting.cleat.u[0] ** 2 + found["m5"].setting.cleat.u[0] ** 2)
    one = {c.rule.key: c for c in side_by_side(M1, M5, replace(WISH, place=Place.between(1.0)), rules())}
    assert one["m1"].ahead.u != pytest.approx(apart, rel=0.02)  # they are not independent


def test_what_cannot_be_told_apart_is_said_so():
    found = by_key()
    assert found["walking"].words.startswith("not distinguishable")
    assert found["straight"].distinguishable
    assert "less toe-out" in found["straight"].words
    assert found["m1"].words == "19.5 ± 3.4 mm towards the toe"
    near = by_key(behind_mm=20.0)["behind_mm"]
    assert abs(near.ahead.value) < Z95 * near.ahead.u
    assert near.words.startswith("not distinguishable")


def test_the_wish_is_known_among_the_rules():
    assert [k for k, c in by_key().items() if c.chosen] == ["midway"]
    both = by_key(replace(WISH, yaw=WALKING))
    assert {k for k, c in both.items() if c.chosen} == {"midway", "walking"}
    assert both["walking"].words == "this is the wish"


def test_what_is_missing_is_named():
    found = by_key(replace(WISH, length=None))["behind_share"]
    assert found.setting is None
    assert "foot’s length" in found.words
    asked = Rule("last", "last", "as last time", "record", needs="an earlier visit")
    (told,) = side_by_side(M1, M5, WISH, [asked])
    assert told.words == "needs an earlier visit"
    assert told.to_json()["x_c_mm"] is None


@given(st.floats(-10, 20), st.floats(-6, 6), st.floats(0, 1))
def test_a_rule_against_itself_is_no_difference(phi, z, lam):
    wish = Wish(Place.between(lam), Measured(phi, 2, "deg"), z)
    (told,) = side_by_side(M1, M5, wish, [Rule("own", "own", "own", "own", Place.between(lam))])
    assert told.chosen
    assert told.ahead.value == pytest.approx(0.0, abs=1e-9)
    assert told.ahead.u == 0.0


def test_every_rule_has_its_source():
    for rule in rules():
        assert rule.source
        assert "no source" in rule.source or any(c.isdigit() for c in rule.source), rule.key
