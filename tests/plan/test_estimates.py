"""What rests on a guessed point is described and never acted on: findings, plan, forecast, outcome."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from fitwright.motion.estimate import as_estimates
from fitwright.plan.causes import ESTIMATE
from fitwright.plan.findings import asymmetries, find_all, judge
from fitwright.plan.forecast import make_forecast
from fitwright.plan.make import make_plan, whatif
from fitwright.plan.outcome import change_between, outcomes
from fitwright.plan.reading import ride_value
from fitwright.plan.targets import DYNAMIC_2D
from fitwright.plan.types import Target
from fitwright.quantity import Measured, distinguishable

BAND = Target("knee_flexion_deg.bdc", "Knee", 30, 40, "deg", "x", "study", DYNAMIC_2D)
KNEE = ("lateral_femoral_condyle",)
SADDLE = ("saddle_height_mm", "saddle_setback_mm")


@pytest.fixture
def guessed(visit):
    """The simulated visit with a saddle far too high, its knee's sticker guessed by a network."""
    inputs = visit()
    return replace(inputs, ride=as_estimates(inputs.ride, KNEE))


def test_the_same_ride_moves_the_saddle_when_its_points_are_confirmed(visit):
    """Else the refusal below would prove nothing."""
    assert any(c.adjustable in SADDLE for c in make_plan(visit()).changes)


def test_a_guessed_ride_never_moves_the_saddle(guessed):
    plan = make_plan(guessed)
    assert not [c for c in plan.changes if c.adjustable in SADDLE]
    assert not [r for c in plan.changes for r in c.why if "knee_flexion" in r]
    assert not [a for w in plan.alternatives for a in w.deltas if a in SADDLE]


def test_its_findings_are_described_only_and_say_why(guessed):
    knees = [f for f in find_all(guessed) if f.target.key.startswith("knee_flexion")]
    assert knees
    for finding in knees:
        assert finding.refused == ESTIMATE
        assert finding.state == "unclear"
        assert finding.probability_in == 0.0
        assert finding.causes == ()
        assert "estimate ± 12°" in str(finding.value)
        assert finding.to_json()["value"]["estimate"] is True


def test_other_findings_of_the_visit_stay(guessed, visit):
    """The cleats, and the trunk, do not hang from the knee."""
    kept = {f.id for f in find_all(guessed) if not f.refused}
    wanted = {f.id for f in find_all(visit()) if not f.refused and "knee_flexion" not in f.id}
    assert kept == wanted


def test_even_a_wide_miss_is_not_acted_on():
    far = Measured(80.0, 6.0, "deg", "side view", estimate=True)
    assert judge(BAND, "right", far).refused == ESTIMATE
    assert judge(BAND, "right", replace(far, estimate=False)).state == "high"


def test_the_curve_at_the_saddle_line_is_an_estimate_too(guessed):
    value = ride_value(guessed, "right", "knee_flexion_deg.crank_in_line")
    assert value is not None
    assert value.estimate


def test_a_forecast_keeps_the_word(guessed):
    for p in whatif(guessed, {"saddle_height_mm": -5.0}):
        assert p.now.estimate == p.expected.estimate == p.id.startswith("right.knee_flexion")


def test_sides_are_not_compared_with_an_estimate(guessed):
    right = dict(guessed.ride.quantities["right"])
    both = {"right": right, "left": {k: dict(v) for k, v in right.items()}}
    notes = asymmetries(replace(guessed, ride=replace(guessed.ride, quantities=both)))
    knee = next(n for n in notes if n.startswith("least knee flexion"))
    assert "an estimate is not compared" in knee


def test_nothing_is_learnt_from_an_estimate(guessed, visit):
    """After a change neither the prediction's record nor the rider's own response is fed by it."""
    before = whatif(guessed, {"saddle_height_mm": -5.0})
    after = {w.id: w.now for w in make_forecast(visit(), find_all(visit())).watched}
    assert not [o for o in outcomes(before, after) if "knee_flexion" in o.id]
    sure = whatif(visit(), {"saddle_height_mm": -5.0})
    doubtful = {w.id: w.now for w in make_forecast(guessed, find_all(guessed)).watched}
    assert not [o for o in outcomes(sure, doubtful) if "knee_flexion" in o.id]
    assert [o for o in outcomes(sure, after) if "knee_flexion" in o.id]


def test_a_change_between_estimates_keeps_their_width():
    """Two guesses of one knee do not share a sticker: nothing drops out of their difference."""
    a, b = (Measured(v, 12 / 1.96, "deg", estimate=True) for v in (35.0, 45.0))
    change, least = change_between(a, b)
    assert change.estimate
    assert change.u == pytest.approx(12 / 1.96 * 2**0.5)
    assert least == math.inf
    assert not distinguishable(a, replace(b, value=90.0))
