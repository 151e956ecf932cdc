"""Predicted against measured."""

from __future__ import annotations

import pytest

from fitwright.bike.contact import ContactPoints
from fitwright.linkage.response import KNEE_BOTTOM, ResponseModel
from fitwright.plan.make import whatif
from fitwright.plan.outcome import compare, coverage, learn, outcomes, predicted_change
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
    assert coverage(found) == "Of 1 predicted 80 % intervals, 1 held"
    assert found[0].to_json()["agrees"] is True


def test_learning_from_a_done_change(visit):
    inputs = visit()
    deltas = {"saddle_height_mm": -18.0}
    predictions = whatif(inputs, deltas)
    knee = next(p for p in predictions if p.id == "right.knee_flexion_deg.min")
    stiff = Measured(knee.now.value + 0.25 * (knee.expected.value - knee.now.value) / 0.48, 2, "deg")
    leg, contact = inputs.twins["right"].leg, inputs.contact
    model = learn(ResponseModel(), leg, contact, deltas, outcomes(predictions, {knee.id: stiff}))
    assert 0.25 < model.knee_bottom.value < KNEE_BOTTOM.value
    assert model.pairs == 1
    assert isinstance(contact, ContactPoints)
    # a cleat moved back at the same time straightened the leg, so the saddle did more than was seen
    both = {**deltas, "cleat_x_mm_right": -5.0}
    mixed = learn(ResponseModel(), leg, contact, both, outcomes(predictions, {knee.id: stiff}))
    assert mixed.knee_bottom.value > model.knee_bottom.value
    only = {"cleat_x_mm_right": -5.0}
    assert (
        learn(ResponseModel(), leg, contact, only, outcomes(predictions, {knee.id: stiff})) == ResponseModel()
    )
