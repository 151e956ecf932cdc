"""A plan asks for no cleat that the picked bolts of the shoe cannot hold."""

from __future__ import annotations

import contextlib
import itertools
from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.foot.bolts import BoltPattern
from fitwright.foot.convex import inside
from fitwright.foot.hardware import CATALOGUE, feasible_polygon, reach
from fitwright.plan.adjustables import all_names
from fitwright.plan.bolting import Bolting
from fitwright.plan.findings import find_all
from fitwright.plan.forecast import make_forecast
from fitwright.plan.make import make_plan, whatif
from fitwright.plan.search import solve, task_of
from fitwright.quantity import Measured

THREE = replace(CATALOGUE[2], slot_half_x_mm=2.5, slot_half_z_mm=3.0, source="measured")


def bolting(inputs, system=THREE, x_mm: float = 192.0, u_mm: float = 0.1) -> Bolting:
    """The left cleat of the visit (x 193, z 1, ψ 2.5) on bolts about `x_mm`."""
    pattern = BoltPattern(
        Measured(x_mm, u_mm, "mm"), Measured(1.0, u_mm, "mm"), Measured(0.0, 0.1, "deg"), "bolts picked"
    )
    return Bolting(system, pattern, inputs.cleats["left"])


def left(plan, kind: str) -> float:
    return next((c.after for c in plan.changes if c.adjustable == f"{kind}_left"), float("nan"))


def test_the_plan_stays_within_the_slots_and_says_what_stands_in_the_way(visit):
    """Free, the cleat is asked 8 mm back and 8° round; in slots of ± 2.5 mm turning takes most of the way back."""
    free = make_plan(visit())
    assert left(free, "cleat_x_mm") < 188
    inputs = visit()
    held = bolting(inputs)
    plan = make_plan(replace(inputs, bolting={"left": held}))
    for way in plan.alternatives:
        pose = make_forecast(inputs, find_all(inputs)).setting.changed(way.deltas).cleats["left"]
        near = reach(THREE, held.pattern.xz, pose.vector.tolist())
        assert np.all(np.abs(near.missing) <= 1.96 * np.array([0.1, 0.1, 0.1]) + 0.051)
    assert 189 <= left(plan, "cleat_x_mm") < 193
    assert 3 < left(plan, "cleat_psi_deg") < 10
    assert any("its bolts do not hold it there" in w for w in plan.unmet)
    # The rest of the plan is not shortened with it.
    saddle = next(c.delta for c in free.changes if c.adjustable == "saddle_height_mm")
    assert next(c.delta for c in plan.changes if c.adjustable == "saddle_height_mm") == pytest.approx(
        saddle, abs=3
    )


def test_a_trial_beyond_the_slots_is_refused_with_the_nearest(visit):
    inputs = visit()
    inputs = replace(inputs, bolting={"left": bolting(inputs)})
    assert whatif(inputs, {"cleat_x_left": -2})
    with pytest.raises(
        InputError, match=r"left cleat.*4\.2 mm short towards the heel.*190\.2 mm from the heel"
    ):
        whatif(inputs, {"cleat_x_left": -7})
    assert whatif(inputs, {"cleat_x_right": -7})  # the other shoe's bolts were not picked


def test_what_is_not_known_of_the_bolts_forbids_nothing(visit):
    inputs = visit()
    assert whatif(replace(inputs, bolting={"left": bolting(inputs, u_mm=4.0)}), {"cleat_x_left": -7})


def test_where_the_cleat_stands_now_can_be_bolted(visit):
    """A cleat that the picks put 4 mm outside of its slots is not asked to be impossible: it stands there."""
    inputs = visit()
    inputs = replace(inputs, bolting={"left": bolting(inputs, x_mm=186.5)})
    assert make_plan(inputs).changes
    assert whatif(inputs, {"cleat_psi_left": 1})


@pytest.mark.parametrize("system", CATALOGUE, ids=lambda s: s.key)
@pytest.mark.parametrize("psi", [-8.0, 0.0, 3.0, 7.5])
def test_fences_are_the_region(visit, system, psi):
    """10 000 places: inside of all fences is inside of the polygon, to the hundredth where nothing is in doubt."""
    inputs = visit()
    held = bolting(inputs, system, x_mm=193.0, u_mm=0.0)
    held = replace(held, stands=replace(held.stands, z_mm=1.0, psi_deg=0.0))
    normals, room, slope = held.fences(psi)
    polygon = feasible_polygon(system, held.pattern.xz, psi)
    places = np.random.default_rng(1).uniform((170, -10), (216, 12), (10_000, 2))
    slack = room - np.max(polygon @ normals.T, axis=0)
    assert np.all(np.abs(slack) < 0.01)
    within = np.all(places @ normals.T <= room, axis=1)
    assert within.any()
    edge = np.min(np.abs(places @ normals.T - room), axis=1) < 0.02
    assert np.array_equal(within[~edge], np.array([inside(polygon, p) for p in places])[~edge])
    grown = (
        np.max(feasible_polygon(system, held.pattern.xz, psi + 0.2) @ normals.T, axis=0)
        if abs(psi) < 8
        else room
    )
    assert np.all(np.abs(room + slope * (0.2 if abs(psi) < 8 else 0.0) - grown) < 0.05)


def test_no_feasible_combination_is_better(visit):
    """All whole steps of the left cleat that a hand can make one after the other: the programme found the best."""
    inputs = visit()
    task = task_of(replace(inputs, bolting={"left": bolting(inputs)}), find_all(inputs))
    found = solve(task).deltas
    moves = {m.name: m for m in task.moves if m.name.startswith("cleat")}
    assert list(moves) != []

    def cost(deltas) -> float:
        value = task.forecast.expected(deltas)
        mine = [(f.target, value[f.id].value) for f in task.findings if f.id.startswith("left.")]
        return sum(max(t.low - v, v - t.high, 0.0) / ((t.high - t.low) / 2) for t, v in mine)

    tried = []
    order = [n for n in all_names() if n in moves]
    for steps in itertools.product(*(range(-moves[n].down, moves[n].up + 1) for n in order)):
        deltas = dict(zip(order, map(float, steps), strict=True))
        with contextlib.suppress(InputError):
            for k in range(len(order)):
                task.forecast.expected({n: deltas[n] for n in order[: k + 1]})
            tried.append(cost({**found, **deltas}))
    assert len(tried) > 50
    assert cost(found) <= min(tried) + 0.1  # a change is worth a tenth of a half-width
