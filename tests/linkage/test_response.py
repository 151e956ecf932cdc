"""The rider's response: shares, ranges, and the update in closed form."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from fitwright.bike.contact import ContactPoints
from fitwright.linkage.response import (
    KNEE_BOTTOM,
    Pair,
    ResponseModel,
    crank_in_line_deg,
    expected_change,
    rigid_changes,
    updated,
)
from fitwright.quantity import Measured

CONTACT = ContactPoints(705, 705 * math.cos(math.radians(73.5)), 478, 632, 172.5, 148, 53)


def test_crank_in_line_for_a_seat_tube_of_73_5():
    assert crank_in_line_deg(CONTACT) == pytest.approx(163.5)


def test_knee_realises_its_share(worked_leg):
    rigid = rigid_changes(worked_leg(705), CONTACT, {"saddle_height_mm": 5}, "knee_flexion_deg", "min")
    effect = expected_change(
        worked_leg(705), CONTACT, {"saddle_height_mm": 5}, "knee_flexion_deg", "min", ResponseModel()
    ).total
    assert rigid["saddle_height_mm"] == pytest.approx(-2.46, abs=0.01)
    assert effect.value == pytest.approx(0.48 * rigid["saddle_height_mm"])
    assert effect.u == pytest.approx(0.15 * abs(rigid["saddle_height_mm"]))


def test_changes_add_up_and_their_common_share_does_not_average_out(worked_leg):
    leg, model = worked_leg(705), ResponseModel()
    deltas = {"saddle_height_mm": -6.0, "cleat_x_mm": -5.0}
    rigid = rigid_changes(leg, CONTACT, deltas, "knee_flexion_deg", "min")
    total = expected_change(leg, CONTACT, deltas, "knee_flexion_deg", "min", model)
    assert sum(rigid.values()) == pytest.approx(sum(total.rigid.values()))
    twice = expected_change(
        leg, CONTACT, {"cleat_x_mm": -5.0, "shim_mm": 2.0}, "knee_flexion_deg", "min", model
    )
    assert twice.total.u == pytest.approx(model.other.u * abs(sum(twice.rigid.values())))


def test_no_change_has_no_effect(worked_leg):
    for quantity, event in (("knee_flexion_deg", "range"), ("ankle_plantarflexion_deg", "max")):
        effect = expected_change(worked_leg(705), CONTACT, {}, quantity, event, ResponseModel()).total
        assert (effect.value, effect.u) == (0.0, 0.0)


def test_update_equals_the_posterior_by_integration():
    """Conjugate normal update against numerical integration of prior × likelihood (scipy.integrate)."""
    pairs = [Pair(-4.1, Measured(-2.6, 1.4, "deg")), Pair(2.2, Measured(1.5, 1.4, "deg"))]

    def density(share: float) -> float:
        p = norm.pdf(share, KNEE_BOTTOM.value, KNEE_BOTTOM.u)
        for pair in pairs:
            p *= norm.pdf(pair.seen_deg.value, share * pair.rigid_deg, pair.seen_deg.u)
        return float(p)

    mass = quad(density, -2, 3)[0]
    mean = quad(lambda s: s * density(s), -2, 3)[0] / mass
    variance = quad(lambda s: (s - mean) ** 2 * density(s), -2, 3)[0] / mass
    after = updated(ResponseModel(), pairs)
    assert after.knee_bottom.value == pytest.approx(mean, abs=1e-7)
    assert after.knee_bottom.u == pytest.approx(math.sqrt(variance), abs=1e-7)
    assert after.pairs == 2


def test_update_learns_a_riders_share_and_nothing_from_nothing():
    rng = np.random.default_rng(3)
    rigid = rng.uniform(-5, 5, 60)
    pairs = [Pair(r, Measured(0.8 * r + rng.normal(0, 1.0), 1.0, "deg")) for r in rigid]
    after = updated(ResponseModel(), pairs)
    assert after.knee_bottom.value == pytest.approx(0.8, abs=0.12)
    assert after.knee_bottom.u < 0.06
    assert updated(ResponseModel(), []) == ResponseModel()
    same = updated(ResponseModel(), [Pair(0.0, Measured(3.0, 1.0, "deg"))])
    assert same.knee_bottom.value == pytest.approx(KNEE_BOTTOM.value)


def test_json_round_trip():
    model = updated(ResponseModel(), [Pair(-4.0, Measured(-2.0, 1.0, "deg"))])
    assert ResponseModel.from_json(model.to_json()) == model


def test_intervals_cover_simulated_riders(worked_leg):
    """Simulated: riders drawn from the prior, five changes each; 80 % intervals hold for 75-87 %."""
    rng = np.random.default_rng(11)
    held = total = 0
    deltas = {h: expected_change(worked_leg(705), CONTACT, {"saddle_height_mm": h}, "knee_flexion_deg", "min",
                                 ResponseModel()) for h in (-15.0, -9.0, -5.0, 4.0, 7.0)}  # fmt: skip
    for _ in range(600):
        share = rng.normal(0.48, 0.15)
        h = rng.choice(list(deltas))
        effect = deltas[h]
        seen = share * sum(effect.rigid.values()) + rng.normal(0, 1.4)
        held += abs(seen - effect.total.value) <= 1.2816 * math.hypot(effect.total.u, 1.4)
        total += 1
    assert 0.75 <= held / total <= 0.87


def test_a_rider_unlike_the_prior_is_covered_after_learning(worked_leg):
    """Simulated: riders with a share of 0.95. 80 % intervals fail at first and mostly hold after six pairs."""
    rng = np.random.default_rng(12)

    def change(h: float, model: ResponseModel) -> tuple[float, Measured]:
        e = expected_change(
            worked_leg(705), CONTACT, {"saddle_height_mm": h}, "knee_flexion_deg", "min", model
        )
        return sum(e.rigid.values()), e.total

    def rate(learned: int, riders: int = 120) -> float:
        held = 0
        for _ in range(riders):
            pairs = []
            for h in rng.uniform(-15, 6, learned):
                rigid, _ = change(float(h), ResponseModel())
                pairs.append(Pair(rigid, Measured(0.95 * rigid + rng.normal(0, 1.4), 1.4, "deg")))
            rigid, predicted = change(-15.0, updated(ResponseModel(), pairs))
            held += abs(0.95 * rigid + rng.normal(0, 1.4) - predicted.value) <= 1.2816 * math.hypot(
                predicted.u, 1.4
            )
        return held / riders

    assert rate(0) < 0.5
    assert rate(6) > 0.62
