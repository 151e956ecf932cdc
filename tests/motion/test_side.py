"""The side view against a simulated leg with known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.motion.axle_under_foot import FootMarks
from fitwright.motion.ride import RideResult
from fitwright.motion.side import SideSystematic, analyse_side

METHOD = {"dimension": "2-D", "state": "dynamic", "landmarks": "stickers"}
EXACT = SideSystematic(landmark_u_mm={})
CURVES = {"hip_x", "hip_y", "knee_x", "knee_y", "malleolus_x", "malleolus_y", "axle_x", "axle_y", "sole_pitch",
          "knee_flexion", "hip_flexion", "thigh_to_horizontal", "ankle_plantarflexion", "trunk_inclination",
          "elbow_flexion", "shoulder_flexion"}  # fmt: skip


@pytest.mark.parametrize(
    ("rate_hz", "jitter", "rpm"), [(60, 0, 87), (60, 0.6, 92), (30, 0.2, 75), (120, 0, 105)]
)
def test_knee_flexion_meets_the_truth(
    side_film, worked_leg, rate_hz: float, jitter: float, rpm: float
) -> None:
    """Simulated, 0.3 mm noise per frame: extremes and BDC within 0.3°, their angles within 1°."""
    film = side_film(seconds=30, rpm=rpm, noise_mm=0.3, rate_hz=rate_hz, jitter=jitter)
    ride = analyse_side(film, "right", 172.5, EXACT, METHOD)
    knee = ride.quantities["right"]["knee_flexion_deg"]
    for event in ("min", "max", "bdc"):
        assert knee[event].value == pytest.approx(worked_leg[event], abs=0.3)
    for event in ("min_at", "max_at"):
        assert knee[event].value == pytest.approx(worked_leg[event], abs=1.0)
    assert ride.cadence_rpm.value == pytest.approx(rpm, abs=0.05)


def test_all_quantities_and_curves_are_there(side_film) -> None:
    ride = analyse_side(side_film(), "left", 172.5, SideSystematic(), METHOD)
    assert set(ride.curves["left"]) >= CURVES
    assert {c.removesuffix("_deg") for c in ride.quantities["left"]} <= CURVES
    pitch = ride.quantities["left"]["sole_pitch_deg"]
    assert (pitch["min"].value, pitch["max"].value) == pytest.approx((3, 27), abs=0.1)
    assert ride.quantities["left"]["trunk_inclination_deg"]["mean"].value == pytest.approx(53.13, abs=0.05)
    axle = ride.curves["left"]["axle_y"].mean  # origin at the crank's centre
    assert axle[0] == pytest.approx(172.5, abs=0.2)
    assert RideResult.from_json(ride.to_json()).to_json() == ride.to_json()


def test_landmark_error_is_carried_as_geometry_says(side_film) -> None:
    """A trochanter sticker 12 mm off across a 405 mm thigh turns the thigh by 1.70° and the knee by as much."""
    u = SideSystematic(landmark_u_mm={"greater_trochanter": 12.0})
    ride = analyse_side(side_film(), "right", 172.5, u, METHOD)
    knee = ride.quantities["right"]["knee_flexion_deg"]
    assert knee["min"].u == pytest.approx(np.degrees(12 / 405), rel=0.03)
    assert knee["range"].u < 0.1  # the sticker stays where it is, so differences do not suffer


def test_stated_intervals_hold_the_truth(side_film, worked_leg) -> None:
    """Simulated misplaced stickers: 95 % intervals of the minimum hold the truth in 85 to 100 % of 60 films."""
    rng = np.random.default_rng(8)
    held = 0
    for i in range(60):
        film = side_film(seconds=5, noise_mm=0.3, seed=i)
        moved = film.position_mm.copy()
        thigh = film.point("lateral_femoral_condyle") - film.point("greater_trochanter")
        along = thigh / np.linalg.norm(thigh, axis=1, keepdims=True)
        across = np.column_stack([-along[:, 1], along[:, 0]])
        moved[:, 0] += 12 * (rng.normal() * along + rng.normal() * across)
        moved[:, 1] += 6 * (rng.normal() * along + rng.normal() * across)
        u = SideSystematic(landmark_u_mm={"greater_trochanter": 12.0, "lateral_femoral_condyle": 6.0})
        ride = analyse_side(replace(film, position_mm=moved), "right", 172.5, u, METHOD)
        low, high = ride.quantities["right"]["knee_flexion_deg"]["min"].interval95
        held += low <= worked_leg["min"] <= high
    assert 51 <= held <= 60


def test_axle_under_the_foot(side_film) -> None:
    """The axle runs 12 mm ahead of M5; M1 is 30 mm ahead of M5 without yaw, so λ = 1 − 12/30."""
    foot = FootMarks((201.0, -38.0), (171.0, 44.0), yaw_deg=0.0, heel_above_mm=20, m5_above_mm=20)
    ride = analyse_side(side_film(), "right", 172.5, SideSystematic(), METHOD, foot=foot)
    fraction = ride.quantities["right"]["axle_under_foot"]["mean"]
    assert fraction.value == pytest.approx(0.6, abs=0.01)
    assert 0.05 < fraction.u < 0.4


def test_swapped_marks_are_refused(side_film) -> None:
    foot = FootMarks((171.0, 44.0), (201.0, -38.0))
    with pytest.raises(InputError, match="swapped"):
        analyse_side(side_film(), "right", 172.5, SideSystematic(), METHOD, foot=foot)


def test_wrong_side_is_refused(side_film) -> None:
    film = side_film()
    mirrored = replace(film, position_mm=film.position_mm * [-1.0, 1.0])
    with pytest.raises(InputError, match="runs backward"):
        analyse_side(mirrored, "right", 172.5, SideSystematic(), METHOD)


@pytest.mark.parametrize(("side", "crank", "field"), [("right", 17.5, "crank_mm"), ("middle", 172.5, "side")])
def test_absurd_settings_name_the_field(side_film, side: str, crank: float, field: str) -> None:
    with pytest.raises(InputError) as caught:
        analyse_side(side_film(), side, crank, SideSystematic(), METHOD)
    assert caught.value.field == field


def test_missing_points_only_limit_what_is_told(side_film) -> None:
    film = side_film()
    keep = [film.names.index(n) for n in ("pedal_axle", "greater_trochanter", "lateral_femoral_condyle")]
    few = replace(film, names=tuple(film.names[i] for i in keep), position_mm=film.position_mm[:, keep],
                  u_mm=film.u_mm[:, keep])  # fmt: skip
    ride = analyse_side(few, "right", 172.5, SideSystematic(), METHOD)
    assert set(ride.quantities["right"]) == {"thigh_to_horizontal_deg"}
    without = replace(few, names=few.names[1:], position_mm=few.position_mm[:, 1:], u_mm=few.u_mm[:, 1:])
    with pytest.raises(InputError, match="pedal axle"):
        analyse_side(without, "right", 172.5, SideSystematic(), METHOD)


def test_a_wrong_scale_is_noticed(side_film) -> None:
    ride = analyse_side(side_film(), "right", 165.0, SideSystematic(), METHOD)
    assert any("check the scale" in note for note in ride.notes)


def test_a_point_unseen_for_long_is_named_and_not_invented(side_film) -> None:
    film = side_film(seconds=12)
    film.position_mm[100:400, 1] = np.nan
    ride = analyse_side(film, "right", 172.5, SideSystematic(), METHOD)
    assert any("lateral_femoral_condyle: unseen in 300" in n for n in ride.notes)
    film.position_mm[20:, 1] = np.nan
    assert (
        "knee_flexion_deg"
        not in analyse_side(film, "right", 172.5, SideSystematic(), METHOD).quantities["right"]
    )
