"""What hangs from guessed points: called an estimate with its width, or not told; the rest of the ride untouched."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.motion.estimate import as_estimates, hanging_from, refuse_guesses
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Measured, difference, format_pm, weighted_mean

QUANTITIES = (
    "knee_flexion_deg", "hip_flexion_deg", "ankle_plantarflexion_deg", "sole_pitch_deg", "trunk_inclination_deg",
    "shoulder_flexion_deg", "elbow_flexion_deg", "thigh_to_horizontal_deg",
)  # fmt: skip
CURVES = (
    *(q.removesuffix("_deg") for q in QUANTITIES),
    "knee_x",
    "hip_y",
    "heel_x",
    "axle_x",
    "axle_ahead_of_m5",
)


@pytest.fixture
def ride() -> RideResult:
    """Every quantity ± 1°, every curve ± 1."""
    events = {
        "min": Measured(33.8, 0.5, "deg", "side view"),
        "range": Measured(75.2, 0.5, "deg", "side view"),
    }
    curves = {
        n: CycleCurve(n, "deg", np.full(360, 40.0), np.full(360, 1.0), np.full(360, 0.5), 30) for n in CURVES
    }
    return RideResult(
        "side", Measured(90.0, 0.1, "rpm"), {"right": 30}, {"right": dict.fromkeys(QUANTITIES, events)},
        {"right": curves}, {"dimension": "2-D", "state": "dynamic"}, notes=("A note.",),
    )  # fmt: skip


def estimates(ride: RideResult) -> set[str]:
    return {q for q, events in ride.quantities["right"].items() if all(m.estimate for m in events.values())}


def test_what_hangs_from_a_point_is_what_cannot_be_told_without_it():
    assert hanging_from(["lateral_femoral_condyle"]) == {
        "knee_flexion", "hip_flexion", "ankle_plantarflexion", "thigh_to_horizontal",
    }  # fmt: skip
    assert hanging_from(["heel"]) == {"sole_pitch", "ankle_plantarflexion"}
    assert hanging_from([]) == frozenset()


def test_a_guessed_knee_reads_estimate_12_degrees(ride):
    told = as_estimates(ride, ["lateral_femoral_condyle"])
    assert estimates(told) == {
        "knee_flexion_deg", "hip_flexion_deg", "ankle_plantarflexion_deg", "thigh_to_horizontal_deg",
    }  # fmt: skip
    assert format_pm(told.value("right", "knee_flexion_deg", "min")) == "34°, estimate ± 12°"
    assert format_pm(told.value("right", "knee_flexion_deg", "range")) == "75°, estimate ± 12°"
    assert format_pm(told.value("right", "trunk_inclination_deg", "min")) == "33.8 ± 1.0°"
    curves = told.curves["right"]
    assert curves["knee_flexion"].estimate
    assert np.all(curves["knee_flexion"].u * 1.96 > 11.9)
    assert curves["knee_x"].estimate
    assert np.all(curves["knee_x"].u == 25.0)
    assert not curves["hip_y"].estimate
    assert np.all(curves["axle_x"].u == 0.5)
    assert "Guessed and not confirmed by hand: lateral_femoral_condyle" in told.notes[0]
    assert told.notes[1:] == ("A note.",)


def test_a_width_that_is_larger_already_stays(ride):
    wide = {"right": {"knee_flexion_deg": {"min": Measured(33.8, 9.0, "deg")}}}
    told = as_estimates(RideResult(**{**vars(ride), "quantities": wide}), ["lateral_femoral_condyle"])
    assert told.value("right", "knee_flexion_deg", "min").u == 9.0


@pytest.mark.parametrize("point", ["lateral_malleolus", "heel", "fifth_metatarsal"])
def test_a_guessed_foot_tells_no_ankle_and_no_sole(ride, point):
    told = as_estimates(ride, [point])
    kept = set(told.quantities["right"])
    assert not {"ankle_plantarflexion_deg", "sole_pitch_deg"} & kept
    assert not {"ankle_plantarflexion", "sole_pitch", "axle_ahead_of_m5"} & set(told.curves["right"])
    assert told.value("right", "knee_flexion_deg", "min").estimate == (point == "lateral_malleolus")
    assert "Ankle and sole are not told" in told.notes[0]


def test_without_guesses_the_ride_is_itself(ride):
    assert as_estimates(ride, ()) is ride
    assert as_estimates(ride, ["pedal_axle"]) is ride  # no network tells it
    refuse_guesses(ride)


def test_the_flag_goes_through_the_record(ride):
    told = as_estimates(ride, ["greater_trochanter"])
    data = json.loads(json.dumps(told.to_json()))
    assert data["guessed"] == ["greater_trochanter"]
    assert data["quantities"]["right"]["knee_flexion_deg"]["min"]["estimate"] is True
    assert data["curves"]["right"]["hip_flexion"]["estimate"] is True
    again = RideResult.from_json(data)
    assert again.guessed == told.guessed
    assert estimates(again) == estimates(told)
    assert "estimate" not in json.dumps(ride.to_json())
    with pytest.raises(InputError, match="greater_trochanter"):
        refuse_guesses(again)


def test_an_estimate_stays_one_in_a_difference_and_a_mean():
    sure, guess = Measured(40.0, 0.5, "deg"), Measured(35.0, 6.0, "deg", estimate=True)
    assert difference(sure, guess).estimate
    assert weighted_mean([sure, guess]).estimate
    assert not weighted_mean([sure, sure]).estimate
    assert format_pm(difference(guess, sure)) == "−5°, estimate ± 12°"
