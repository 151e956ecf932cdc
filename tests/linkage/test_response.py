"""The rider's response: what each share does to knee and ankle, and that published group means come out."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fitwright.bike.contact import ContactPoints
from fitwright.linkage.leg import extremes, solve
from fitwright.linkage.response import (
    NAMES,
    PRIOR,
    ResponseModel,
    crank_in_line_deg,
    expected_change,
    heel_per_mm,
    rigid_changes,
    settled,
)

CONTACT = ContactPoints(705, 705 * math.cos(math.radians(73.5)), 478, 632, 172.5, 148, 53)
RAISE = {"saddle_height_mm": 5.0}


def change(leg, deltas, quantity, event, model=None):
    return expected_change(leg, CONTACT, deltas, quantity, event, model or ResponseModel())


def test_crank_in_line_for_a_seat_tube_of_73_5():
    assert crank_in_line_deg(CONTACT) == pytest.approx(163.5)


def test_knee_realises_its_share(worked_leg):
    rigid = rigid_changes(worked_leg(705), CONTACT, RAISE, "knee_flexion_deg", "min")["saddle_height_mm"]
    effect = change(worked_leg(705), RAISE, "knee_flexion_deg", "min").total
    assert rigid == pytest.approx(-2.46, abs=0.01)
    assert effect.value == pytest.approx(0.48 * rigid)
    assert effect.u == pytest.approx(0.15 * abs(rigid))
    top = rigid_changes(worked_leg(705), CONTACT, RAISE, "knee_flexion_deg", "max")["saddle_height_mm"]
    assert change(worked_leg(705), RAISE, "knee_flexion_deg", "max").total.value == pytest.approx(0.77 * top)


def test_knee_ankle_and_pelvis_share_one_whole():
    model = ResponseModel()
    for place, rest in (("bottom", 0.31), ("top", 0.19)):
        knee, ankle, pelvis = (model.share(f"{part}_{place}") for part in ("knee", "ankle", "pelvis"))
        assert knee.value + ankle.value + pelvis.value == pytest.approx(1.0)
        assert pelvis.value == pytest.approx(rest)
        # Var(1 − k − a) with a correlation of −0.5
        assert pelvis.u**2 == pytest.approx(knee.u**2 + ankle.u**2 - knee.u * ankle.u)
    # 24-38 % for the rest at the bottom is what the group means leave
    assert 0.24 < model.share("pelvis_bottom").value < 0.38


def test_heel_up_by_the_told_degrees_undoes_a_millimetre_of_saddle(worked_leg):
    """The rate against the twin itself: saddle up 0.01 mm and heel up by it leave the knee where it was."""
    from dataclasses import replace

    from fitwright.linkage.sensitivity import moved

    leg = worked_leg(705)
    for place, event in (("bottom", "low"), ("top", "high")):
        up = moved(leg, CONTACT, {"saddle_height_mm": 0.01})
        both = replace(up, pitch_mean_deg=up.pitch_mean_deg + 0.01 * heel_per_mm(leg, CONTACT, place))
        at = [getattr(extremes(leg), f"{event}_at_deg")]
        now, raised, undone = (float(solve(x, at).knee_flexion_deg[0]) for x in (leg, up, both))
        assert abs(raised - now) > 1e-3
        assert undone == pytest.approx(now, abs=2e-6)


def test_the_ankle_takes_its_share_as_heel_up(worked_leg):
    """With everything given to the ankle (knee 0, ankle 1) the ankle opens by the heel's own turn."""
    leg, n = worked_leg(705), len(NAMES)
    mean = [0.0] * n
    mean[NAMES.index("ankle_bottom")] = 1.0
    none = ResponseModel(tuple(mean), tuple((0.0,) * n for _ in range(n)))
    effect = change(leg, RAISE, "ankle_plantarflexion_deg", "max", none).total
    assert effect.value == pytest.approx(5 * heel_per_mm(leg, CONTACT, "bottom"))
    assert effect.u == 0


def test_changes_add_up_and_their_common_share_does_not_average_out(worked_leg):
    leg, model = worked_leg(705), ResponseModel()
    deltas = {"saddle_height_mm": -6.0, "cleat_x_mm": -5.0}
    rigid = rigid_changes(leg, CONTACT, deltas, "knee_flexion_deg", "min")
    total = change(leg, deltas, "knee_flexion_deg", "min")
    assert sum(rigid.values()) == pytest.approx(sum(total.by_share))
    twice = change(leg, {"cleat_x_mm": -5.0, "shim_mm": 2.0}, "knee_flexion_deg", "min")
    assert twice.total.u == pytest.approx(model.share("other").u * abs(sum(twice.by_share)))


def test_a_range_is_its_two_ends_with_what_they_have_in_common(worked_leg):
    leg, deltas = worked_leg(705), {"saddle_height_mm": -6.0, "crank_mm": -5.0}
    for quantity in ("knee_flexion_deg", "ankle_plantarflexion_deg"):
        high, low, both = (change(leg, deltas, quantity, e) for e in ("max", "min", "range"))
        assert both.total.value == pytest.approx(high.total.value - low.total.value)
        rows = np.array([high.by_share, low.by_share])
        covariance = rows @ ResponseModel().matrix @ rows.T
        assert both.total.u**2 == pytest.approx(covariance[0, 0] + covariance[1, 1] - 2 * covariance[0, 1])


def test_no_change_has_no_effect(worked_leg):
    for quantity, event in (("knee_flexion_deg", "range"), ("ankle_plantarflexion_deg", "max")):
        effect = change(worked_leg(705), {}, quantity, event).total
        assert (effect.value, effect.u) == (0.0, 0.0)


@pytest.mark.parametrize("raised", [-10.0, 6.0])
def test_the_settled_twin_shows_about_what_is_predicted(worked_leg, raised):
    """For drawings: the moved twin's own angles are near the predicted ones (it has one hip for both places)."""
    leg, model = worked_leg(705), ResponseModel()
    after = settled(leg, CONTACT, {"saddle_height_mm": raised}, model)
    for quantity, event, slack in (
        ("knee_flexion_deg", "min", 0.25), ("knee_flexion_deg", "max", 0.25),
        ("ankle_plantarflexion_deg", "min", 0.3), ("ankle_plantarflexion_deg", "max", 0.3),
    ):  # fmt: skip
        predicted = change(leg, {"saddle_height_mm": raised}, quantity, event).total
        side = {"min": "low", "max": "high"}[event]
        seen = getattr(extremes(after, quantity), side) - getattr(extremes(leg, quantity), side)
        assert abs(seen - predicted.value) < slack * abs(predicted.value) + 0.3, (quantity, event)


def test_json_round_trip_and_prior():
    model = ResponseModel()
    assert ResponseModel.from_json(model.to_json()) == model
    assert model.to_json()["shares"]["pelvis_bottom"]["value"] == pytest.approx(0.31)
    assert all(model.share(n).value == PRIOR[n].value for n in NAMES)
    assert np.linalg.eigvalsh(model.matrix).min() > 0
