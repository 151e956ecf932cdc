"""The plan on a simulated visit: what it changes, why, in what order, and when it does nothing."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from fitwright.errors import InputError
from fitwright.plan.adjustables import KINDS, kind_of
from fitwright.plan.inputs import PlanInputs
from fitwright.plan.make import make_plan, whatif
from fitwright.plan.types import Target
from fitwright.quantity import probability_within

KNEE = "right.knee_flexion_deg.crank_in_line"


def bare(visit, **fields) -> PlanInputs:
    """The side film alone."""
    return visit(front_ride=None, cleats={}, marks={}, hanging_yaw_deg={}, float_window_deg={}, **fields)


def test_whole_visit(visit):
    plan = make_plan(visit())
    names = [c.adjustable for c in plan.changes]
    assert names == ["cleat_psi_deg_left", "cleat_x_mm_left", "saddle_height_mm"]  # feet, then saddle height
    psi, x, saddle = plan.changes
    assert psi.after == pytest.approx(10.5, abs=0.6)  # the hanging foot's yaw
    assert saddle.delta < 0
    assert saddle.words.startswith(
        f"lower the saddle {-saddle.delta:.0f} mm: from 727 to {saddle.after:.0f} mm"
    )
    assert any("Ferrer-Roca 2012" in w for w in saddle.why)
    assert x.why[0].startswith("left.axle_under_foot.setting")
    assert all(c.measure_again and c.predictions for c in plan.changes)
    assert plan.unmet == ()
    json.dumps(plan.to_json(), allow_nan=False)


def test_outlook_is_inside_with_the_wanted_probability(visit):
    plan = make_plan(visit(probability=0.8))
    knee = next(p for p in plan.outlook if p.id == KNEE)
    assert probability_within(knee.expected, 30, 40) >= 0.8
    less = make_plan(visit(probability=0.6))
    assert abs(less.changes[-1].delta) < abs(plan.changes[-1].delta)


def test_the_step_is_the_smallest_that_reaches(visit):
    inputs = bare(visit)
    plan = make_plan(inputs)
    assert [c.adjustable for c in plan.changes] == ["saddle_height_mm"]
    one_less = {p.id: p.expected for p in whatif(inputs, {"saddle_height_mm": plan.changes[0].delta + 1})}
    assert probability_within(one_less[KNEE], 30, 40) < 0.8


def test_predictions_chain(visit):
    """Each change starts where the one before ended, and the last equals the outlook."""
    plan = make_plan(visit())
    at = {p.id: p.now.value for p in plan.outlook}
    for change in plan.changes:
        for p in change.predictions:
            assert p.now.value == pytest.approx(at[p.id])
            at[p.id] = p.expected.value
    assert at == pytest.approx({p.id: p.expected.value for p in plan.outlook})


def test_lambda_after_the_plan_is_the_wish(visit):
    for wish in (0.4, 0.5, 0.6):
        plan = make_plan(visit(wanted_lambda={"left": wish, "right": wish}))
        for side in ("left", "right"):
            end = next(p for p in plan.outlook if p.id == f"{side}.axle_under_foot.setting").expected
            assert end.value == pytest.approx(wish, abs=0.065)


def test_nothing_to_change(visit, good_leg):
    plan = make_plan(bare(visit, leg=good_leg))
    assert plan.changes == ()
    assert any("Nothing to change" in n for n in plan.notes)


def test_uncertain_values_lead_to_no_change(visit, good_leg):
    """A knee just outside its band but more likely inside than out is left alone."""
    leg = replace(good_leg, hip_y_mm=good_leg.hip_y_mm + 8)
    plan = make_plan(bare(visit, leg=leg, u_deg=1.5))
    finding = next(f for f in plan.findings if f.id == KNEE)
    assert finding.state == "unclear"
    assert finding.probability_in > 0.5
    assert plan.changes == ()


def test_red_flag_stops_the_plan_and_keeps_the_findings(visit):
    plan = make_plan(visit(red_flags={"chest_or_fainting": True}))
    assert plan.changes == ()
    assert plan.outlook == ()
    assert "No change is advised" in plan.stopped
    assert "today" in plan.stopped
    assert len(plan.findings) == len(make_plan(visit()).findings)


def test_forbidden_everything_says_the_nearest_miss(visit):
    everything = frozenset(
        f"{k}_{s}" if a.kind in ("cleat_psi_deg", "cleat_x_mm", "cleat_z_mm", "spacer_mm", "shim_mm") else k
        for k, a in KINDS.items() for s in ("left", "right")
    )  # fmt: skip
    plan = make_plan(visit(forbids=everything))
    assert plan.changes == ()
    assert len(plan.unmet) == 3
    assert any("may not be touched" in w and "outside 30 to 40°" in w for w in plan.unmet)


def test_forbidding_the_height_does_not_turn_a_bolt_that_hardly_helps(visit):
    """10 mm of setback are worth 0.3° here: not worth a change, and the plan says so."""
    plan = make_plan(bare(visit, forbids=frozenset(["saddle_height"])))
    assert plan.changes == ()
    assert "saddle height may not be touched, saddle setback alone does too little" in plan.unmet[0]


def test_pins_are_kept(visit):
    plan = make_plan(bare(visit, pins={"saddle_height_mm": 722.0}))
    saddle = next(c for c in plan.changes if c.adjustable == "saddle_height_mm")
    assert saddle.after == 722.0
    with pytest.raises(InputError, match="larger than the hardware's range"):
        make_plan(bare(visit, pins={"saddle_height_mm": 500.0}))


def test_no_change_exceeds_its_cautious_step(visit):
    high = replace(visit().twins["right"].leg, hip_y_mm=781.0)
    plan = make_plan(bare(visit, leg=high))
    assert abs(plan.changes[0].delta) == kind_of("saddle_height_mm").cautious
    assert "15 mm at most in one visit" in plan.unmet[0]


def test_contradictory_and_empty_bands_are_refused(visit):
    def band(low: float, high: float) -> Target:
        return Target("knee_flexion_deg.min", "x", low, high, "deg", "studio", "practice", {})

    with pytest.raises(InputError, match="exclude each other"):
        make_plan(visit(targets=(band(20, 25), band(30, 35))))
    with pytest.raises(InputError, match="empty"):
        make_plan(visit(targets=(band(35, 30),)))


def test_a_band_narrower_than_the_uncertainty_is_said(visit):
    narrow = Target(
        "knee_flexion_deg.min", "Least", 34, 35, "deg", "studio", "practice", {"dimension": "2-D"}
    )
    plan = make_plan(bare(visit, targets=(narrow,)))
    assert any("too uncertain" in n for n in plan.notes)
    assert any("more certain measurement" in w or "at most in one visit" in w for w in plan.unmet)


def test_opinion_moves_bars_only_on_wish(visit, good_leg):
    from fitwright.linkage.upper_body import UpperBody

    upper = UpperBody(522, 330, 300)
    shown = make_plan(bare(visit, leg=good_leg, trunk_deg=48.0, upper=upper))
    assert shown.changes == ()
    acted = make_plan(bare(visit, leg=good_leg, trunk_deg=48.0, upper=upper, act_on_opinion=True))
    assert {c.adjustable for c in acted.changes} <= {"hood_x_mm", "hood_y_mm"}
    assert acted.changes


def test_whatif(visit):
    predictions = {p.id: p for p in whatif(visit(), {"saddle_height": -8})}
    knee = predictions["right.knee_flexion_deg.min"]
    assert knee.expected.value > knee.now.value
    assert knee.expected.u > knee.now.u
    assert (
        predictions["left.axle_under_foot.setting"].expected
        == predictions["left.axle_under_foot.setting"].now
    )
    for bad, match in (({"saddle": 3}, "unknown"), ({"saddle_height": 200}, "larger than"),
                       ({"crank_mm": float("nan")}, "larger than")):  # fmt: skip
        with pytest.raises(InputError, match=match):
            whatif(visit(), bad)
    with pytest.raises(InputError, match="cannot reach"):
        whatif(visit(), {"saddle_height": 60})


def test_bad_inputs_are_named(visit):
    for fields, field in (({"use": "sofa"}, "use"), ({"probability": 1.2}, "probability"),
                          ({"wanted_lambda": {"left": 3.0}}, "wanted_lambda left"),
                          ({"wanted_lambda": {"middle": 0.5}}, "wanted_lambda")):  # fmt: skip
        with pytest.raises(InputError) as caught:
            visit(**fields)
        assert caught.value.field == field


def test_the_parts_own_range_bounds_the_change(visit):
    """A cleat that can only go back to x = 189 mm stops there, and the plan says that the part ends."""
    plan = make_plan(visit(ranges={"cleat_x_left": (189.0, 199.0)}))
    cleat = next(c for c in plan.changes if c.adjustable == "cleat_x_mm_left")
    assert cleat.after == pytest.approx(189.0)
    assert any("cannot go further" in w for w in plan.unmet)


def test_alternatives_differ_in_kind(visit):
    """Fewest changes has no more of them than the others, the gentlest is felt least, the last ends nearest to the
    middle; each is what `make_plan` gives when it is chosen."""
    inputs = visit()
    plan = make_plan(inputs)
    ways = {a.key: a for a in plan.alternatives}
    assert list(ways) == ["fewest", "gentlest", "middle"]
    assert len(ways["fewest"].deltas) == min(len(a.deltas) for a in ways.values())
    assert ways["gentlest"].felt == min(a.felt for a in ways.values())
    assert ways["middle"].off_middle == min(a.off_middle for a in ways.values())
    assert ways["middle"].deltas != ways["fewest"].deltas
    chosen = make_plan(replace(inputs, taste="middle"))
    assert {c.adjustable: c.delta for c in chosen.changes} == ways["middle"].deltas
    assert tuple(c.words for c in chosen.changes) == ways["middle"].words
    with pytest.raises(InputError, match=r"taste.*fewest, gentlest, middle"):
        replace(inputs, taste="cheap")


def test_more_than_one_visit_can_take_is_split(visit, good_leg):
    """A saddle 35 mm too low: 15 mm now, and how much in all."""
    low = replace(good_leg, hip_y_mm=good_leg.hip_y_mm - 35)
    plan = make_plan(bare(visit, leg=low))
    (change,) = plan.changes
    assert change.delta == KINDS["saddle_height_mm"].cautious
    (said,) = plan.later
    total = float(said.split("saddle height: ")[1].split(" mm")[0])
    assert total > 20
    assert "15 mm at most in one visit, so over" in said
