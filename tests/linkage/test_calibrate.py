"""Calibration on simulated rides of known legs, first guesses, and contradictions between tape and film."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from fitwright.bike.contact import ContactPoints
from fitwright.body.measures import BodyMeasures
from fitwright.errors import InputError
from fitwright.linkage.calibrate import NAMES, calibrate, fits
from fitwright.linkage.first_guess import first_guess
from fitwright.linkage.leg import extremes
from fitwright.linkage.twin import CalibratedTwin, LegTwin
from fitwright.motion.ride import together

CONTACT = ContactPoints(720, 204.5, 478, 632, 172.5, 148, 53)
BODY = BodyMeasures(1803, "M", inseam_mm=862, foot_length_right_mm=275)
TRUE = LegTwin(411.0, 421.5, 124.5, 105.0, 172.5, -194.5, 765.0, 15.0, (-6.0, -0.8), (10.4, 0.8))


def test_recovers_a_known_leg(simulated_ride):
    twin = calibrate(simulated_ride(TRUE), "right", first_guess(BODY, CONTACT))
    u = dict(zip(twin.names, np.sqrt(np.diag(twin.covariance)), strict=True))
    for name in NAMES[:8]:
        assert abs(getattr(twin.leg, name) - getattr(TRUE, name)) < 4 * u[name], name
    assert twin.leg.shank_mm == pytest.approx(421.5, abs=1.0)
    assert twin.residual_rms_mm < 1.5
    assert extremes(twin.leg).low == pytest.approx(extremes(TRUE).low, abs=0.3)
    assert twin.extra["hip_motion_y_mm"][3] == pytest.approx(5.0, abs=0.3)  # sin 2θ
    assert twin.extra["hip_motion_x_mm"][0] == pytest.approx(3.0, abs=0.3)  # cos θ


def test_survives_gaps_and_json(simulated_ride):
    ride = simulated_ride(TRUE)
    curves = dict(ride.curves["right"])
    holes = curves["knee_x"].mean.copy()
    holes[40:80] = np.nan
    curves["knee_x"] = replace(curves["knee_x"], mean=holes)
    twin = calibrate(replace(ride, curves={"right": curves}), "right", first_guess(BODY, CONTACT))
    assert twin.leg.shank_mm == pytest.approx(421.5, abs=1.0)
    assert CalibratedTwin.from_json(twin.to_json()).leg == twin.leg


def test_works_without_the_sole(simulated_ride):
    ride = simulated_ride(TRUE)
    curves = {k: v for k, v in ride.curves["right"].items() if k != "sole_pitch"}
    twin = calibrate(replace(ride, curves={"right": curves}), "right", first_guess(BODY, CONTACT))
    assert extremes(twin.leg).low == pytest.approx(extremes(TRUE).low, abs=0.5)


def test_missing_curves_are_named(simulated_ride):
    ride = simulated_ride(TRUE)
    curves = {k: v for k, v in ride.curves["right"].items() if k != "knee_y"}
    with pytest.raises(InputError, match="knee_y"):
        calibrate(replace(ride, curves={"right": curves}), "right", first_guess(BODY, CONTACT))
    with pytest.raises(InputError, match="left side has no"):
        calibrate(ride, "left", first_guess(BODY, CONTACT))


def test_contradictory_tape_is_said(simulated_ride):
    """A shank taped 60 mm too long is contradicted by the film in words."""
    body = replace(BODY, shank_mm=482.0)
    prior = first_guess(replace(body, inseam_mm=None), replace(CONTACT, saddle_height_mm=720))
    twin = calibrate(simulated_ride(TRUE), "right", prior)
    assert any("shank" in w and "tape" in w for w in twin.warnings)
    fair = calibrate(simulated_ride(TRUE), "right", first_guess(replace(BODY, shank_mm=420.0), CONTACT))
    assert not any("film says" in w for w in fair.warnings)


def test_a_ride_of_nothing_is_refused(simulated_ride):
    """Points at a tenth of their true size cannot be a leg on this bike."""
    ride = simulated_ride(TRUE)
    tiny = {
        k: replace(c, mean=c.mean * 0.1) if c.unit == "mm" else c for k, c in ride.curves["right"].items()
    }
    with pytest.raises(InputError):
        calibrate(replace(ride, curves={"right": tiny}), "right", first_guess(BODY, CONTACT))


def test_first_guess_of_both_sides_and_its_limits():
    right, left = first_guess(BODY, CONTACT), first_guess(BODY, CONTACT, "left")
    assert right.leg.thigh_mm == left.leg.thigh_mm
    longer = replace(BODY, leg_length_difference_mm=25.0)
    r, s = first_guess(longer, CONTACT).leg, first_guess(longer, CONTACT, "left").leg
    assert r.thigh_mm + r.shank_mm - s.thigh_mm - s.shank_mm == pytest.approx(25.0)
    with pytest.raises(InputError, match="cannot reach"):
        first_guess(BodyMeasures(1400, "F"), replace(CONTACT, saddle_height_mm=850))
    shim = first_guess(BODY, replace(CONTACT, shim_right_mm=3)).leg
    assert shim.axle_to_malleolus_y_mm == pytest.approx(right.leg.axle_to_malleolus_y_mm + 3)


@pytest.mark.parametrize(("height", "saddle", "crank"), [(1400, 540, 155), (2100, 900, 180)])
def test_first_guess_of_small_and_tall_riders(height, saddle, crank):
    contact = ContactPoints(saddle, saddle * 0.284, 478, 632, crank, 148, 53)
    guess = first_guess(BodyMeasures(height), contact)
    assert 0 < extremes(guess.leg).low < 80


def test_a_first_guess_is_valid_json():
    """No ride, no residual: null, because NaN is no JSON."""
    guess = first_guess(BODY, CONTACT)
    text = json.dumps(guess.to_json(), allow_nan=False)
    assert math.isnan(CalibratedTwin.from_json(json.loads(text)).residual_rms_mm)


def test_a_ride_with_guessed_points_is_refused(simulated_ride):
    """A leg fitted to a guess would be taken for this rider's."""
    ride = replace(simulated_ride(TRUE), guessed=("lateral_femoral_condyle",))
    with pytest.raises(InputError, match="guessed"):
        calibrate(ride, "right", first_guess(BODY, CONTACT))


def test_films_of_both_sides_give_each_leg_its_own_twin(simulated_ride):
    """Simulated: the left leg 15 mm shorter, its cleat 6 mm further back; each twin finds its own."""
    left = replace(TRUE, thigh_mm=403.5, shank_mm=414.0, axle_to_malleolus_x_mm=118.5)
    ride, sides = together({"right": simulated_ride(TRUE), "left": simulated_ride(left, "left", seed=4)})
    assert sides == ("right", "left")
    assert all(fits(ride, s) for s in sides)
    body = replace(BODY, leg_length_difference_mm=15.0)
    for side, leg in (("right", TRUE), ("left", left)):
        twin = calibrate(ride, side, first_guess(body, CONTACT, side))
        assert twin.leg.shank_mm == pytest.approx(leg.shank_mm, abs=1.0)
        assert extremes(twin.leg).low == pytest.approx(extremes(leg).low, abs=0.3)


def test_films_taken_in_different_ways_stay_apart(simulated_ride):
    other = replace(simulated_ride(TRUE, "left"), method={"dimension": "3-D", "state": "dynamic"})
    ride, sides = together({"right": simulated_ride(TRUE), "left": other})
    assert sides == ("right",)
    assert not fits(ride, "left")


def test_what_a_short_piece_of_the_turn_cannot_tell_is_said_in_words(simulated_ride):
    """Only 40° near the bottom seen and nothing taped: two lengths hang together; the words name what to tape."""
    ride = simulated_ride(TRUE)
    seen = np.zeros(360, dtype=bool)
    seen[165:205] = True
    curves = {k: replace(c, mean=np.where(seen, c.mean, np.nan)) for k, c in ride.curves["right"].items()}
    untaped = first_guess(BodyMeasures(1803, "M"), CONTACT)
    twin = calibrate(replace(ride, curves={"right": curves}), "right", untaped)
    u = dict(zip(twin.names, np.sqrt(np.diag(twin.covariance)), strict=True))
    whole = calibrate(ride, "right", untaped)
    assert u["thigh_mm"] > 2 * float(np.sqrt(whole.covariance[0, 0]))
    words = "thigh and hip height cannot be told apart from this ride; measure the thigh by tape"
    assert words in twin.warnings
    assert not any("cannot be told apart" in w for w in whole.warnings)


@pytest.mark.parametrize(
    ("height", "saddle", "crank"), [(1400, 520, 140), (1400, 530, 180), (2100, 900, 140), (2100, 880, 180)]
)
def test_small_and_tall_riders_with_one_leg_25_mm_shorter(simulated_ride, height, saddle, crank):
    """1.40 m and 2.10 m, cranks of 140 and 180: the shorter leg's ride is fitted from its own first guess."""
    contact = ContactPoints(saddle, saddle * 0.284, 478, 632, crank, 148, 53)
    body = BodyMeasures(height, "F" if height < 1500 else "M", leg_length_difference_mm=25.0)
    for side in ("right", "left"):
        guess = first_guess(body, contact, side)
        true = replace(guess.leg, thigh_mm=guess.leg.thigh_mm + 4, shank_mm=guess.leg.shank_mm - 3)
        twin = calibrate(simulated_ride(true, side), side, guess)
        assert extremes(twin.leg).low == pytest.approx(extremes(true).low, abs=0.6)
