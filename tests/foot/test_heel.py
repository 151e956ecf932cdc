"""The heel's room with its uncertainty."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.foot import heel
from fitwright.foot.clearance import Bar
from fitwright.foot.heel import HeelBike, Stay, crank_words, heel_outline, heel_room, tightest_of
from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.quantity import Measured

PITCH = 18 + 12 * np.cos(np.radians(np.arange(360) - 300))
GUESS = heel_outline(None, Measured(76.0, 5.0, "mm", "a heel of the usual breadth"))
CLEAT = CleatPose(186, 2, 4, np.diag([0.2, 0.2, 0.3]) ** 2)


def mm(value, u):
    return Measured(value, u, "mm")


STAY = Stay(mm(410, 2), mm(70, 3), mm(70, 1), mm(100, 2), mm(140, 2))
BIKE = HeelBike(mm(172.5, 0.2), mm(148, 1), mm(53, 0.5), mm(0, 0.0), arms_at_axle=mm(130, 1), stay=STAY)


def rooms(bike=BIKE, cleat=CLEAT, window=(2.0, 2.0)):
    return {r.part: r for r in heel_room(GUESS, cleat, window, bike, PITCH, 4.0)}


def test_u_against_monte_carlo():
    """JCGM 101: 300 draws of every input through the same search."""
    told, rng = rooms(), np.random.default_rng(3)
    numbers = BIKE.numbers()
    drawn = []
    for _ in range(300):
        pose = rng.multivariate_normal(CLEAT.vector, CLEAT.covariance)
        parts = [rng.normal(m.value, m.u) for m in numbers]
        v = np.array([rng.normal(0, GUESS.u_mm), rng.normal(0, 4.0), *pose, *parts])
        drawn.append([c.gap_mm for _, c in heel._tightest(GUESS, (2.0, 2.0), BIKE, PITCH, v, 2)])
    for room, u in zip(told.values(), np.std(drawn, axis=0, ddof=1), strict=True):
        assert room.gap.u == pytest.approx(u, rel=0.2), room.part


def test_a_wider_q_leaves_the_arm_alone_and_clears_the_stay():
    straight = replace(BIKE, arms_at_axle=None)  # guessed from Q, so it goes out with Q
    wide = replace(straight, q_factor=mm(158, 1))
    a, b = rooms(straight), rooms(wide)
    assert b["crank arm"].gap.value == pytest.approx(a["crank arm"].gap.value, abs=0.01)
    assert b["chainstay"].gap.value == pytest.approx(a["chainstay"].gap.value + 5, abs=0.01)
    spacer = rooms(replace(straight, spacer=mm(6, 0.1)))
    assert spacer["crank arm"].gap.value == pytest.approx(a["crank arm"].gap.value + 6, abs=0.01)


def test_more_float_and_more_toe_out_are_tighter_and_said():
    narrow, wide = rooms(window=(0.0, 0.0)), rooms(window=(6.0, 6.0))
    for part in narrow:
        assert wide[part].gap.value < narrow[part].gap.value
    assert "the toes turned out to the end of the float" in wide["crank arm"].words
    assert "at the middle of its float" in narrow["crank arm"].words
    out = rooms(cleat=replace(CLEAT, psi_deg=14.0))
    assert out["crank arm"].state == "too little"
    assert out["crank arm"].words.endswith("less than 5 mm")
    there = replace(CLEAT, psi_deg=out["crank arm"].turn_deg)
    assert rooms(cleat=there, window=(0.0, 0.0))["crank arm"].gap.value == pytest.approx(5.0, abs=0.3)
    assert tightest_of(list(out.values())).gap.value == min(r.gap.value for r in out.values())


def test_another_part_is_named_and_one_far_away_is_free():
    carrier = Bar("carrier", (-150.0, 150.0), (-400.0, 150.0), 80.0, 60.0, 60.0)
    lamp = Bar("lamp", (900.0, 900.0), (950.0, 900.0), 5.0, 80.0, 80.0)
    near = rooms(replace(BIKE, other=carrier))
    assert near["carrier"].gap.u >= BIKE.u_other_mm
    free = rooms(replace(BIKE, other=lamp))["lamp"]
    assert (free.state, free.gap) == ("free", None)
    assert free.to_json()["gap"] is None


def reading(landmarks=(), outline=()):
    marks = {n: SolePoint(x, z, np.diag([0.3, 0.3]) ** 2) for n, (x, z) in dict(landmarks).items()}
    return SoleReading("left", marks, {}, None, mm(281, 0.5), {}, tuple(outline))


def test_the_outline_found_is_preferred_then_the_picked_edge_then_a_guess():
    t = np.linspace(0, 2 * np.pi, 60)
    edge = [(140 - 140 * np.cos(a), 40 * np.sin(a)) for a in t]
    found = heel_outline(reading({"heel_inner": (42, -34)}, edge), mm(76, 5))
    assert "edge in the photograph" in found.source
    assert np.all(found.points_mm[:, 1] < 0)
    assert found.points_mm[:, 0].max() < 0.36 * 281
    picked = heel_outline(reading({"heel_inner": (42, -34)}), mm(76, 5))
    assert picked.points_mm[:, 1].min() == pytest.approx(-34)
    assert picked.u_mm < GUESS.u_mm
    assert "not measured" in GUESS.source
    assert GUESS.points_mm[:, 1].min() == pytest.approx(-38)


def test_crank_words():
    assert crank_words(264) == "the crank at 264°, pointing back"
    assert crank_words(358) == "the crank at 358°, pointing up"
