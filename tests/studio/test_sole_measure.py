"""A sole photograph to a sole reading (simulated pictures with known truth)."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.foot.remount import compare
from fitwright.studio.feet.measure import measure_sole, read_points, read_reading, sole_picture_points
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.picture import Picture
from rendered_sole import SOLE, Camera, Scene, photograph, picked

TRUE_CLEAT = np.array([187.2, 1.25, np.degrees(np.arctan2(8.5, 69.6))])


@pytest.fixture(scope="module")
def picture(sole_photo):
    return Picture(sole_photo[2], "sole-left.png")


@pytest.fixture(scope="module")
def points(sole_photo):
    return picked(*sole_photo[:2])


def test_sole_through_a_distorting_lens_is_measured(picture, points):
    reading = measure_sole(picture, "left", points, u_pick_px=0.1)
    assert reading.length_mm.value == pytest.approx(281.0, abs=0.3)
    assert reading.cleat.vector == pytest.approx(TRUE_CLEAT, abs=0.15)
    for name in ("m1", "m5"):
        assert reading.landmarks[name].xz == pytest.approx(SOLE[name], abs=0.2)
    assert reading.quality["corners"] == 48
    assert any("check bar has not been measured" in n for n in reading.quality["notes"])


def test_hand_picks_stay_inside_the_stated_interval(picture, sole_photo):
    """25 draws of picks with 1.5 px noise: each of x, z, ψ within its 95 % interval about as often as stated."""
    rng = np.random.default_rng(3)
    inside = []
    for _ in range(25):
        reading = measure_sole(picture, "left", picked(*sole_photo[:2], rng, 1.5), u_pick_px=1.5)
        inside.append(np.abs(reading.cleat.vector - TRUE_CLEAT) <= 1.96 * reading.cleat.u)
    assert np.all(np.mean(inside, axis=0) > 0.82)
    assert 0.3 < reading.cleat.u[0] < 1.5


def test_right_foot_is_the_mirror_of_the_left():
    scene = Scene(foot="right")
    camera = Camera(tilt_deg=(-5, 5), spin_deg=-88)
    reading = measure_sole(Picture(photograph(scene, camera), "r.png"), "right", picked(scene, camera))
    assert reading.cleat.vector == pytest.approx(TRUE_CLEAT, abs=0.15)
    assert reading.landmarks["m5"].z_mm == pytest.approx(44, abs=0.2)


def test_a_moved_cleat_is_found_between_two_photographs(picture, points):
    """Cleat and its marks 1.5 mm to the heel and 1° turned, another camera: within 0.15 mm and 0.1° (exact picks)."""
    moved = {k: v for k, v in SOLE.items() if not k.startswith(("cleat", "datum"))}
    centre, turn = TRUE_CLEAT[:2], np.radians(-1.0)
    R = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    for name in ("cleat_nose", "cleat_tail", "datum_1", "datum_2", "datum_3"):
        moved[name] = tuple((np.array(SOLE[name]) - centre) @ R.T + centre + [-1.5, 0.0])
    scene, camera = (
        Scene(((-88, 0, 0), (84, 5, 1)), foot="left", sole=moved),
        Camera(k1=0.02, tilt_deg=(-5, 3)),
    )
    now = measure_sole(Picture(photograph(scene, camera, seed=5), "now.png"), "left", picked(scene, camera))
    result = compare(measure_sole(picture, "left", points), now)
    assert result.marks_on == "cleat"
    assert (result.x.value, result.z.value) == pytest.approx((-1.5, 0.0), abs=0.15)
    assert result.psi.value == pytest.approx(1.0, abs=0.1)
    assert "towards the toe" in result.words
    assert "outward" in result.words


def test_measured_check_bar_scales_the_sole(picture, points):
    small = measure_sole(picture, "left", points, card=SCALE_CARD.with_check_bar(97.0))
    plain = measure_sole(picture, "left", points)
    assert small.length_mm.value / plain.length_mm.value == pytest.approx(0.97, abs=1e-3)
    assert any("check bar measures 97.0 mm instead of 100" in n for n in small.quality["notes"])
    assert not any("has not been measured" in n for n in small.quality["notes"])


def test_wrong_foot_and_swapped_marks_are_said(picture, points):
    with pytest.raises(InputError, match="looks like the left sole, not the right"):
        measure_sole(picture, "right", points)
    with pytest.raises(InputError, match="look swapped"):
        measure_sole(picture, "left", {**points, "m1": points["m5"], "m5": points["m1"]})
    with pytest.raises(InputError, match="foot: must be one of two"):
        measure_sole(picture, "both", points)


def test_bad_points_are_named_before_anything_is_searched(picture, points):
    with pytest.raises(InputError, match=r"m1: lies outside the picture .*1600 x 1200"):
        measure_sole(picture, "left", {**points, "m1": (4000.0, 10.0)})
    with pytest.raises(InputError, match="heel_centre is missing"):
        measure_sole(picture, "left", {k: v for k, v in points.items() if k != "heel_centre"})


def test_wished_points_are_drawn_where_they_belong(picture, points):
    uv = sole_picture_points(
        picture, "left", points["heel_centre"], points["toe"], {"m5": SOLE["m5"], "nose": SOLE["cleat_nose"]}
    )
    assert uv["m5"] == pytest.approx(points["m5"], abs=1.0)
    assert uv["nose"] == pytest.approx(points["cleat_nose"], abs=1.0)


def test_files(tmp_path):
    path = tmp_path / "points.json"
    path.write_text(json.dumps({"points": {"toe": [1, 2.5]}}))
    assert read_points(path) == {"toe": (1.0, 2.5)}
    for text, words in (
        ("{", "is not JSON"),
        ("[]", 'no "points"'),
        ('{"points": {"toe": [1]}}', "toe: not a pair"),
        ('{"points": {"toe": ["a", 2]}}', "toe: not a pair"),
        ('{"points": {"toe": [true, 2]}}', "toe: not a pair"),
    ):
        path.write_text(text)
        with pytest.raises(InputError, match=words):
            read_points(path)
    path.write_text('{"foot": "left"}')
    with pytest.raises(InputError, match="not a sole reading"):
        read_reading(path)
