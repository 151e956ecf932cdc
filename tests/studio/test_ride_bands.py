"""Which band stands on which curve: by event, by the ride's method, by use; none where the method differs."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.linkage.response import crank_in_line_deg
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Measured
from fitwright.sheets.curve import Chart, CurveLine, curve_svg
from fitwright.studio import bike
from fitwright.studio.ride_bands import curve_target, value_band
from fitwright.studio.visits import new_rider, open_visit

pytestmark = pytest.mark.django_db
BIKE = {"saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
        "crank_mm": "172.5", "q_factor_mm": "148", "pedal_offset_mm": "53"}  # fmt: skip
DYNAMIC_2D = {"dimension": "2-D", "state": "dynamic"}


@pytest.fixture
def visit(db):
    opened = open_visit(new_rider("Rosa Lind"), use="road")
    assert not bike.save_bike(opened, BIKE).errors
    return opened


def ride(method: dict[str, str], *curves: str) -> RideResult:
    flat = np.full(360, 40.0)
    made = {n: CycleCurve(n, "deg", flat, flat * 0, flat * 0 + 1, 30) for n in curves or ("knee_flexion",)}
    at = {"knee_flexion_deg": {"min_at": Measured(173.0, 1.0, "deg")}}
    return RideResult(
        "side", Measured(88.0, 0.1, "rpm"), {"right": 30}, {"right": at}, {"right": made}, method
    )


def test_the_band_stands_where_it_was_measured(visit):
    band = curve_target(visit, "knee_flexion", [ride(DYNAMIC_2D)])
    assert band is not None
    assert (band.low, band.high) == (30, 40)
    assert band.at_deg == pytest.approx(crank_in_line_deg(bike.contact_points(visit)))
    assert band.words == "30–40°, 2-D in motion: Ferrer-Roca 2012"


@pytest.mark.parametrize(
    ("method", "low", "words"),
    [
        ({"dimension": "3-D", "state": "dynamic"}, 33, "33–43°, 3-D in motion"),
        ({"dimension": "2-D", "state": "static"}, 25, "25–35°, 2-D held still"),
        ({"dimension": "3-D", "state": "static"}, 25 + 2.2, "27.2–37.2°, converted, 3-D held still"),
    ],
)
def test_each_method_has_its_own_band(visit, method, low, words):
    band = curve_target(visit, "knee_flexion", [ride(method)])
    assert band is not None
    assert band.low == pytest.approx(low)
    assert band.at_deg == 180
    assert band.words.startswith(words)


def test_a_mean_is_a_band_over_the_whole_turn_and_only_in_motion(visit):
    band = curve_target(visit, "trunk_inclination", [ride(DYNAMIC_2D, "trunk_inclination")])
    assert band is not None
    assert (band.low, band.high, band.at_deg) == (30, 45, None)
    static = ride(DYNAMIC_2D | {"state": "static"}, "trunk_inclination")
    assert curve_target(visit, "trunk_inclination", [static]) is None  # no conversion is published
    visit.use = "town"
    town = curve_target(visit, "trunk_inclination", [ride(DYNAMIC_2D, "trunk_inclination")])
    assert town is not None
    assert town.low == 50


@pytest.mark.parametrize("curve", ["hip_flexion", "ankle_plantarflexion", "knee_path"])
def test_without_a_band_for_a_place_on_the_curve_there_is_none(visit, curve):
    """Hip and ankle have none; that of the knee's path is its range, which has no place on a curve."""
    assert curve_target(visit, curve, [ride(DYNAMIC_2D, curve)]) is None


def test_an_unknown_method_or_two_of_them_have_no_band(visit):
    assert curve_target(visit, "knee_flexion", [ride({"dimension": "2-D"})]) is None
    both = [ride(DYNAMIC_2D), ride({"dimension": "3-D", "state": "dynamic"})]
    assert curve_target(visit, "knee_flexion", both) is None
    assert curve_target(visit, "knee_flexion", [ride(DYNAMIC_2D), ride(DYNAMIC_2D)]) is not None


def test_a_value_has_the_band_of_its_own_event_and_method(visit):
    film = ride(DYNAMIC_2D)
    assert value_band(visit, "knee_flexion_deg", "bdc", [film])[0] == pytest.approx((30.8, 40.8))
    assert "converted, 2-D in motion" in value_band(visit, "knee_flexion_deg", "bdc", [film])[1]
    assert value_band(visit, "knee_flexion_deg", "max", [film]) == (None, "")
    assert value_band(visit, "knee_flexion_deg", "bdc", []) == (None, "")
    assert (
        value_band(visit, "knee_flexion_deg", "bdc", [film, ride({"dimension": "3-D", "state": "dynamic"})])[
            0
        ]
        is None
    )


def test_the_chart_says_the_band_in_words(visit):
    film = ride(DYNAMIC_2D)
    chart = Chart("Knee flexion", (CurveLine(film.curves["right"]["knee_flexion"], "right"),),
                  target=curve_target(visit, "knee_flexion", [film]))  # fmt: skip
    svg = curve_svg(chart, "page")
    assert "bracket 30–40°, 2-D in motion: Ferrer-Roca 2012" in svg
    assert "Bracket: 30–40°" in svg
