"""A real rider, standing on an ergometer, 70 rpm: marker recording and static trial.

Data set "cycling-standing": R. Wilkinson, University of Queensland, repository moco-cycling-standing, Apache-2.0.
Expected values and tolerances stand in the data set's README; they were computed with numpy and scipy from the raw
markers, independently of this package.
"""

from __future__ import annotations

import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from fitwright.motion.angles import flexion, toe_out
from fitwright.motion.circle import fit_circle
from fitwright.motion.crank import cadence_from_crossings, crossings
from fitwright.studio.markers import MarkerResult, analyse_markers, named_landmarks
from fitwright.vision.marker_files import read_trc

SIDES = ("right", "left")
TRIAL, STATIC = "subject01_standing_10_70.trc", "subject01_static.trc"


@pytest.fixture(scope="module")
def folder(outside_data: Path) -> Path:
    path = outside_data / "cycling-standing"
    if not (path / TRIAL).is_file():
        pytest.skip(f"no {TRIAL} in {path}")
    return path


@pytest.fixture(scope="module")
def expected(folder: Path) -> dict:
    return json.loads((folder / "expected.json").read_text("utf-8"))


@pytest.fixture(scope="module")
def markers(folder: Path):
    return named_landmarks(read_trc(folder / TRIAL).trajectories, TRIAL)


@pytest.fixture(scope="module")
def result(folder: Path) -> MarkerResult:
    return analyse_markers(folder / TRIAL)


def turns_by_m5(markers, side: str) -> list[tuple[int, int]]:
    """Frame ranges between upward crossings of M5's mean height, as the README cuts them."""
    y = markers.point(f"fifth_metatarsal_{side}", "Y")[:, 0]
    at = np.searchsorted(markers.time_s, crossings(markers.time_s, y - y.mean()))
    return list(itertools.pairwise(at))


def test_files_as_described(folder: Path) -> None:
    trial, static = read_trc(folder / TRIAL), read_trc(folder / STATIC)
    assert trial.trajectories.position_mm.shape == (1000, 49, 3)
    assert trial.rate_hz == pytest.approx(100, abs=1e-6)
    assert any("2000 frames per second" in n for n in trial.notes)
    assert static.header["Units"] == "m"
    assert static.trajectories.position_mm.shape == (200, 52, 3)
    assert 1300 < np.nanmax(static.trajectories.position_mm[..., 1]) < 1900  # mm, though the file is in m


@pytest.mark.parametrize("side", SIDES)
def test_cadence_three_ways(result: MarkerResult, expected: dict, markers, side: str) -> None:
    ways = result.checks["cadence_rpm"][side]
    e = expected[side]
    assert ways["M5 height, crossings"] == pytest.approx(e["cadence_rpm_mt5_zero_crossing"], abs=0.1)
    assert ways["M5 height, spectrum"] == pytest.approx(e["cadence_rpm_mt5_fft"], abs=0.5)
    assert ways["crank angle"] == pytest.approx(e["pedal_axle_from_rigid_foot"]["cadence_rpm"], abs=0.05)
    assert result.ride.cadence_rpm.value == pytest.approx(
        e["pedal_axle_from_rigid_foot"]["cadence_rpm"], abs=0.05
    )
    height = markers.point(f"fifth_metatarsal_{side}", "Y")[:, 0]
    assert cadence_from_crossings(markers.time_s, height)[1] == e["whole_cycles"]
    assert result.ride.cycles[side] == e["whole_cycles"]


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(("plane", "dimensions"), [("3d", 3), ("sagittal", 2)])
def test_knee_flexion_of_the_raw_markers(
    markers, expected: dict, side: str, plane: str, dimensions: int
) -> None:
    hip, knee, ankle = (markers.point(f"{n}_{side}")[:, :dimensions] for n in
                        ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus"))  # fmt: skip
    angle = flexion(hip, knee, ankle)
    e = expected[side][f"knee_flexion_deg_{plane}"]
    assert (angle.min(), angle.max()) == pytest.approx((e["min"], e["max"]), abs=0.2)
    assert np.percentile(angle, [1, 99]) == pytest.approx((e["p01"], e["p99"]), abs=0.3)
    turns = turns_by_m5(markers, side)
    assert np.mean([angle[a:b].min() for a, b in turns]) == pytest.approx(e["mean_of_cycle_min"], abs=0.5)
    assert np.mean([angle[a:b].max() for a, b in turns]) == pytest.approx(e["mean_of_cycle_max"], abs=0.5)


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(
    ("quantity", "plane"), [("knee_flexion_deg", "3d"), ("knee_flexion_2d_deg", "sagittal")]
)
def test_knee_flexion_of_the_command(
    result: MarkerResult, expected: dict, side: str, quantity: str, plane: str
) -> None:
    """Smoothed, cut by the crank, one value per turn: still within the README's 0.5°."""
    knee, e = result.ride.quantities[side][quantity], expected[side][f"knee_flexion_deg_{plane}"]
    assert knee["min"].value == pytest.approx(e["mean_of_cycle_min"], abs=0.5)
    assert knee["max"].value == pytest.approx(e["mean_of_cycle_max"], abs=0.5)
    assert knee["min"].value - 0.5 < knee["bdc"].value < knee["min"].value + 5
    assert 0.5 < knee["min"].u < 4


@pytest.mark.parametrize("side", SIDES)
def test_sideways_range_of_the_knee(result: MarkerResult, markers, expected: dict, side: str) -> None:
    z, e = (
        markers.point(f"lateral_femoral_condyle_{side}", "Z")[:, 0],
        expected[side]["knee_frontal_range_mm"],
    )
    assert np.ptp(z) == pytest.approx(e["whole_trial"], abs=0.5)
    assert np.diff(np.percentile(z, [5, 95]))[0] == pytest.approx(e["p05_to_p95"], abs=0.5)
    told = result.ride.quantities[side]["knee_path_mm"]["range"]
    assert told.value == pytest.approx(e["mean_of_cycles"], abs=0.5)


@pytest.mark.parametrize("side", SIDES)
def test_a_plain_marker_circle_is_no_crank(result: MarkerResult, expected: dict, side: str) -> None:
    e, circle = expected[side]["mt5_circle"], result.checks["m5_circle"][side]
    for key in ("x_mm", "y_mm", "radius_mm"):
        assert circle[key] == pytest.approx(e[key], abs=0.5)
    assert circle["residual_sd_mm"] == pytest.approx(e["residual_sd_mm"], abs=0.5)
    crank = result.axles[side].numbers["crank_radius_mm"]
    assert abs(circle["radius_mm"] - crank.value) > 20 * crank.u


@pytest.mark.parametrize("side", SIDES)
def test_pedal_axle_from_the_rigid_foot(result: MarkerResult, expected: dict, side: str) -> None:
    e, axle = expected[side]["pedal_axle_from_rigid_foot"], result.axles[side].numbers
    assert axle["crank_radius_mm"].value == pytest.approx(e["crank_radius_mm"], abs=0.5)
    assert axle["centre_x_mm"].value == pytest.approx(e["centre_x_mm"], abs=0.5)
    assert axle["centre_y_mm"].value == pytest.approx(e["centre_y_mm"], abs=0.5)
    assert axle["residual_sd_mm"].value == pytest.approx(e["residual_sd_mm"], abs=0.05)
    assert result.axles[side].rigid_rms_mm == pytest.approx(e["foot_rigid_fit_rms_mm"], abs=0.05)
    for ours, theirs in (("ahead_of_m5_mm", "axle_ahead_of_mt5_mm_static_axes"),
                         ("ahead_of_m1_mm", "axle_ahead_of_mt1_mm_static_axes"),
                         ("below_m5_mm", "axle_below_mt5_mm_static_axes")):  # fmt: skip
        assert axle[ours].value == pytest.approx(e[theirs], abs=1.5)
        assert 0.1 < axle[ours].u < 3
    assert 0 < axle["lambda"].value < 0.5  # between M1 and M5, nearer to M1
    assert result.ride.value(side, "axle_under_foot", "mean") == axle["lambda"]


def test_the_two_cranks_stand_opposite(result: MarkerResult, expected: dict) -> None:
    phase = result.checks["right_minus_left_crank_phase_deg"]
    assert phase == pytest.approx(expected["right_minus_left_crank_phase_deg"], abs=0.3)


@pytest.mark.parametrize("side", SIDES)
def test_heel_to_toe_line(result: MarkerResult, markers, expected: dict, side: str) -> None:
    heel, toe = markers.point(f"heel_{side}"), markers.point(f"toe_{side}")
    e = expected[side]
    assert toe_out(heel, toe, side).mean() == pytest.approx(e["foot_yaw_toe_out_deg"]["mean"], abs=0.3)
    assert result.ride.value(side, "foot_yaw_deg", "mean").value == pytest.approx(
        e["foot_yaw_toe_out_deg"]["mean"], abs=0.3
    )
    down = np.degrees(np.arctan2(toe[:, 1] - heel[:, 1], toe[:, 0] - heel[:, 0])).mean()
    assert down == pytest.approx(e["foot_pitch_cal_toe_deg"]["mean"], abs=0.1)
    # The sole's own pitch leaves out by how much heel and toe markers differ in height on a level shoe.
    assert result.ride.value(side, "sole_pitch_deg", "mean").value == pytest.approx(-down, abs=5)


def test_static_distances(result: MarkerResult, expected: dict) -> None:
    names = {"m1_m5_right": "mt1_mt5_right", "m1_m5_left": "mt1_mt5_left", "heel_toe_right": "cal_toe_right",
             "heel_toe_left": "cal_toe_left", "ankle_width_right": "ankle_width_right",
             "knee_width_right": "knee_width_right", "asis_width": "asis_width"}  # fmt: skip
    for ours, theirs in names.items():
        assert result.static_mm[ours].value == pytest.approx(expected["static_mm"][theirs], abs=0.1)


def test_the_static_trial_is_found_and_said(result: MarkerResult) -> None:
    assert any(STATIC in n and "found beside" in n for n in result.notes)


def test_without_the_static_trial_the_crank_is_the_same(
    folder: Path, tmp_path: Path, result: MarkerResult
) -> None:
    """Only the recording, linked into a folder of its own: crank and knee stay, M1 is unknown."""
    alone = tmp_path / TRIAL
    alone.symlink_to(folder / TRIAL)
    other = analyse_markers(alone)
    for side in SIDES:
        ours, theirs = other.axles[side].numbers, result.axles[side].numbers
        assert ours["crank_radius_mm"].value == pytest.approx(theirs["crank_radius_mm"].value, abs=1.0)
        assert "lambda" not in ours
        assert other.ride.value(side, "knee_flexion_deg", "min").value == pytest.approx(
            result.ride.value(side, "knee_flexion_deg", "min").value, abs=0.3
        )
    assert any("No static trial" in n for n in other.notes)


@pytest.mark.parametrize("side", SIDES)
def test_circle_of_the_axle_against_scikit_image(result: MarkerResult, side: str) -> None:
    """scikit-image's CircleModel (total least squares) on the same path of the axle."""
    from skimage.measure import CircleModel

    path = result.axles[side].fit.path_mm[:, :2]
    ours, other = fit_circle(path[:, 0], path[:, 1]), CircleModel.from_estimate(path)
    assert (ours.x_mm, ours.y_mm, ours.radius_mm) == pytest.approx((*other.center, other.radius), abs=0.01)
