"""Predicted against measured."""

from __future__ import annotations

import pytest
from scipy.stats import binom

from fitwright.linkage.learning import updated
from fitwright.linkage.response import ResponseModel
from fitwright.plan.make import whatif
from fitwright.plan.outcome import Coverage, compare, coverage, outcomes, pairs_of, predicted_change
from fitwright.plan.types import Prediction
from fitwright.quantity import Measured

P = Prediction("right.knee_flexion_deg.min", "Least", Measured(27, 2, "deg"), Measured(31.5, 2.4, "deg"))


def test_change_of_a_prediction_leaves_out_todays_measurement():
    change = predicted_change(P)
    assert change.value == pytest.approx(4.5)
    assert change.u == pytest.approx((2.4**2 - 2**2) ** 0.5)


def test_agreement_and_disagreement():
    assert compare(P, Measured(32.0, 2, "deg")).agrees
    far = compare(P, Measured(39.0, 2, "deg"))
    assert not far.agrees
    assert "do not agree" in far.words
    assert compare(P, Measured(36.5, 2, "deg"), same_stickers=False).agrees
    assert not compare(P, Measured(36.5, 2, "deg")).agrees


def test_small_changes_are_not_distinguishable():
    """Below MDC95 = 1.96 √2 · 1° = 2.8° with the stickers kept (Weir 2005; from memory)."""
    assert compare(P, Measured(29.7, 2, "deg")).distinguishable is False
    assert "not distinguishable" in compare(P, Measured(29.0, 2, "deg")).words
    assert compare(P, Measured(29.9, 2, "deg")).distinguishable is True


def test_outcomes_pair_by_id_and_are_counted():
    found = outcomes(
        [P], {"right.knee_flexion_deg.min": Measured(31, 2, "deg"), "other": Measured(1, 1, "mm")}
    )
    assert len(found) == 1
    assert coverage([found[0].to_json()]).words == "Of our last 1 predicted 80 % interval, 1 held"
    assert found[0].to_json()["agrees"] is True


def test_learning_from_a_done_change(visit):
    inputs = visit()
    deltas = {"saddle_height_mm": -18.0}
    predictions = whatif(inputs, deltas)
    knee = next(p for p in predictions if p.id == "right.knee_flexion_deg.min")
    stiff = Measured(knee.now.value + 0.25 * (knee.expected.value - knee.now.value) / 0.48, 2, "deg")
    leg, contact = inputs.twins["right"].leg, inputs.contact

    def learn(done):
        return updated(ResponseModel(), pairs_of(leg, contact, done, outcomes(predictions, {knee.id: stiff})))

    share = learn(deltas).share("knee_bottom")
    assert 0.25 < share.value < 0.48
    assert learn(deltas).pairs == 1
    # a cleat moved back at the same time straightened the leg, so the saddle did more than was seen
    assert learn({**deltas, "cleat_x_mm_right": -5.0}).share("knee_bottom").value > share.value
    # a cleat alone teaches about cleats only
    cleat = learn({"cleat_x_mm_right": -5.0})
    assert cleat.share("knee_bottom").value == 0.48
    assert cleat.share("other").value < 0.74
    assert learn({"cleat_x_mm_left": -5.0}) == ResponseModel()


def test_knee_and_ankle_at_both_places_are_told_once_each(visit):
    inputs, deltas = visit(), {"saddle_height_mm": -12.0}
    keys = [f"right.{q}" for q in (
        "knee_flexion_deg.min", "knee_flexion_deg.bdc", "knee_flexion_deg.max", "ankle_plantarflexion_deg.max",
        "ankle_plantarflexion_deg.min", "ankle_plantarflexion_deg.range",
    )]  # fmt: skip
    now = Measured(30, 2, "deg")
    rows = outcomes([Prediction(k, k, now, now) for k in keys], dict.fromkeys(keys, Measured(33, 2, "deg")))
    pairs = pairs_of(inputs.twins["right"].leg, inputs.contact, deltas, rows)
    assert [tuple(i for i, v in enumerate(p.by_share) if v) for p in pairs] == [(0,), (2,), (0, 1), (2, 3)]


def test_coverage_counts_the_newest_predicted_intervals_and_says_when_80_is_hard_to_believe():
    def row(held: bool, u: float = 1.0) -> dict[str, object]:
        return {"held80": held, "predicted": {"u": u}}

    rows = [row(False)] * 30 + [row(True)] * 33 + [row(False)] * 7 + [row(True, 0.0)] * 5
    assert coverage(rows) == Coverage(33, 40)
    assert coverage(rows).words == "Of our last 40 predicted 80 % intervals, 33 held"
    assert coverage([]).words == "No predicted 80 % interval has been measured yet"


@pytest.mark.parametrize("of", [5, 40])
def test_the_verdict_is_the_exact_binomial_tail(of):
    """Against scipy.stats.binom."""
    for held in range(of + 1):
        words = Coverage(held, of).words
        few, many = binom.cdf(held, of, 0.8) < 0.025, binom.sf(held - 1, of, 0.8) < 0.025
        assert ("narrow" in words, "wide" in words) == (few, many)
