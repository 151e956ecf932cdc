"""Picked points: how each came about, what that is worth in the measurement, and where problems are written."""

from __future__ import annotations

import numpy as np
import pytest
from PIL import Image

from fitwright.errors import InputError
from fitwright.foot.frame import from_sole, to_sole
from fitwright.records.media import keep_file
from fitwright.studio import picks
from fitwright.studio.cameras import save_check_bar
from fitwright.studio.feet.measure import measure_sole
from fitwright.studio.feet.photo import picture_of, plane_of
from fitwright.studio.picks import SOLE, SOLE_RARE
from fitwright.studio.point_origins import HAND, Origin
from fitwright.vision.photo import card_plane
from fitwright.vision.picture import Picture
from rendered_sole import Camera, Scene, photograph, picked


@pytest.fixture(scope="module")
def seen():
    """A rendered sole: picture, points, the card's plane."""
    scene, camera = Scene(), Camera(tilt_deg=(4, -3))
    picture = Picture(photograph(scene, camera), "left.png")
    return picture, picked(scene, camera), card_plane(picture)


def test_a_surer_point_is_surer_by_just_its_own_picking(seen):
    """In the card's plane the variances of picking add: only those of the named point change."""
    picture, points, plane = seen
    by_hand = measure_sole(picture, "left", points, plane=plane)
    mixed = measure_sole(picture, "left", points, plane=plane, u_pick_px={"m1": 0.1})
    less = (0.7**2 - 0.1**2) / plane.px_per_mm**2
    gained = by_hand.landmarks["m1"].covariance_mm2 - mixed.landmarks["m1"].covariance_mm2
    assert np.trace(gained) == pytest.approx(2 * less, rel=0.1)
    for name in ("m5", "cleat_nose"):
        assert mixed.landmarks[name].covariance_mm2 == pytest.approx(
            by_hand.landmarks[name].covariance_mm2, rel=1e-6
        )
    assert mixed.quality["u_mark_mm"] == by_hand.quality["u_mark_mm"]  # m1 is no mark on the cleat


def test_dots_that_were_found_make_the_comparison_surer(seen):
    picture, points, plane = seen
    found = dict.fromkeys(("cleat_nose", "cleat_tail", "datum_1", "datum_2", "datum_3"), 0.1)
    u = [
        measure_sole(picture, "left", points, plane=plane, u_pick_px=sure).quality["u_mark_mm"]
        for sure in ({}, found)
    ]
    assert u[1] < 0.6 * u[0]


@pytest.mark.parametrize("u", [0.0, 51, float("nan")])
def test_an_impossible_uncertainty_of_one_point_is_named(seen, u):
    picture, points, plane = seen
    with pytest.raises(InputError, match="u_pick_px of toe"):
        measure_sole(picture, "left", points, plane=plane, u_pick_px={"toe": u})


def test_the_outline_is_kept_in_the_sole_frame(seen):
    picture, points, plane = seen
    heel, toe = plane.places_mm(np.array([points["heel_centre"], points["toe"]]))
    ring = [(140 + 145 * np.cos(a), 46 * np.sin(a)) for a in np.linspace(0, 6, 40)]
    px = plane.to_picture(from_sole(np.array(ring), heel, toe, "left"))
    reading = measure_sole(picture, "left", points, plane=plane, outline_px=px)
    assert np.array(reading.outline_mm) == pytest.approx(np.array(ring), abs=0.02)
    assert to_sole(plane.places_mm(px), heel, toe, "left") == pytest.approx(np.array(ring), abs=0.01)
    assert measure_sole(picture, "left", points, plane=plane).outline_mm == ()


@pytest.mark.django_db
def test_a_photograph_is_read_once_and_its_plane_follows_the_check_bar(seen, tmp_path):
    Image.fromarray(seen[0].grey).save(tmp_path / "sole.png")
    photo = keep_file(tmp_path / "sole.png", "photo")
    assert picture_of(photo).grey is picture_of(photo).grey
    first = plane_of(photo)
    assert plane_of(photo) is first
    save_check_bar(97.0)
    assert plane_of(photo).print_scale.value == pytest.approx(0.97 * first.print_scale.value, rel=1e-6)


def test_points_come_back_with_how_they_came_about():
    origins = {"toe": Origin("proposed", 0.123), "m1": Origin("snapped:dot", 0.05)}
    shown = picks.filled(SOLE, {"toe": [10, 20], "m1": [1.25, 2], "m5": [3, 4]}, origins)
    assert picks.origins(shown) == origins | {"m5": Origin(HAND, None)}
    assert Origin.from_json(origins["toe"].to_json()) == origins["toe"]
    typed = {f"{axis}.{p.name}": getattr(p, axis) for p in shown for axis in ("x", "y", "how", "u")}
    read, again = picks.read_picks(SOLE, typed)
    assert read == {"toe": (10, 20), "m1": (1.25, 2), "m5": (3, 4)}
    assert picks.origins(again) == picks.origins(shown)


def test_rare_headings_wait_closed_until_something_stands_there():
    empty = {p.words: p.open for p in picks.parts(picks.filled(SOLE, {}), SOLE_RARE)}
    assert empty["Sole"]
    assert not any(empty[words] for words in SOLE_RARE)
    parts = picks.parts(picks.filled(SOLE, {"bolt_2": [1, 1]}), SOLE_RARE)
    bolts = next(p for p in parts if p.words == SOLE_RARE[0])
    assert (bolts.open, bolts.picked, len(bolts.points)) == (True, 1, 5)


def test_a_problem_stands_beside_the_points_it_names_and_calls_them_as_the_page_does():
    error = InputError("m1, m5", "the two marks look swapped", hint="Exchange m1 and m5.")
    shown = picks.beside(SOLE, error)
    assert {p.name for p in shown if p.error} == {"m1", "m5"}
    assert picks.in_words(SOLE, error) == "M1, M5: the two marks look swapped. Exchange M1 and M5."
