"""M1 and M5 of a visit: from sole photographs, ruler, side photographs, another pair, and the guess."""

from __future__ import annotations

from io import BytesIO

import cv2
import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.quantity import Measured
from fitwright.records.media import keep_stream
from fitwright.records.models import Analysis, Shoes, Visit
from fitwright.studio.feet.foot import lambda_of
from fitwright.studio.feet.marks import combined_of, marks_of, ways_of
from fitwright.studio.feet.marks_entry import (
    carry_over,
    other_pairs,
    save_ruler,
    save_side,
    set_aside,
    typed_ruler,
)
from fitwright.studio.feet.side_photo import measure_side
from fitwright.studio.visits import analyse, measure, new_rider, open_visit
from fitwright.vision.photo import card_plane
from fitwright.vision.picture import Picture


@pytest.fixture
def visit(db) -> Visit:
    return open_visit(new_rider("Rosa Lind", sex="F"))


def a_sole(foot: str, m1=(201.0, -38.0), m5=(172.0, 44.0), u=0.6) -> SoleReading:
    spot = np.diag([u**2, u**2])
    marks = {"m1": SolePoint(*m1, spot), "m5": SolePoint(*m5, spot)}
    cleat = CleatPose(186.4, 2.0, 7.0, np.diag([0.1, 0.1, 0.05]), "sole photograph")
    return SoleReading(foot, marks, {}, cleat, Measured(281, 0.4, "mm"), {})


def foot_length(visit: Visit, side: str = "left", mm: float = 250.0) -> None:
    measure(visit, "body", f"foot_length_{side}_mm", Measured(mm, 2.0, "mm", "tape"))


def test_nothing_known_then_a_guess_then_a_ruler_then_a_photograph(visit):
    assert marks_of(visit, "left") is None
    foot_length(visit)
    guess = marks_of(visit, "left")
    assert guess.from_prior
    assert guess.guessed == ("M1", "M5")
    assert guess.caution == "M1 and M5 guessed from the foot, not measured"
    assert guess.m1.x_mm == pytest.approx(6 + 0.739 * 250)
    assert np.sqrt(guess.m1.covariance_mm2[0, 0]) > 3.5
    assert save_ruler(visit, "left", {"m1_x": "19,1 cm", "m5_x": "163 164"}) == {}
    ruler = marks_of(visit, "left")
    assert ruler.from_prior
    assert ruler.guessed == ("M1 sideways", "M5 sideways")
    assert (ruler.m1.x_mm, ruler.m5.x_mm) == (191.0, 163.5)
    analyse(visit, "sole", "left before", a_sole("left", (191.0, -36), (163.0, 40)).to_json())
    both = marks_of(visit, "left")
    assert not both.from_prior
    assert both.sources == ("sole photograph, as it came", "ruler from the heel")
    assert both.m1.covariance_mm2[0, 0] < 0.6**2
    assert both.conflicts == ()


def test_the_other_foot_guesses_less_surely(visit):
    foot_length(visit, "right")
    left, right = marks_of(visit, "left"), marks_of(visit, "right")
    assert left.m1.x_mm == right.m1.x_mm
    assert left.m1.covariance_mm2[0, 0] > right.m1.covariance_mm2[0, 0]


def test_a_measured_ball_length_beats_the_ratio(visit):
    foot_length(visit)
    measure(visit, "body", "ball_length_mm", Measured(190.0, 1.5, "mm", "tape"), side="left")
    marks = marks_of(visit, "left")
    assert marks.m1.x_mm == pytest.approx(196.0)
    assert np.sqrt(marks.m1.covariance_mm2[0, 0]) == pytest.approx(np.hypot(1.5, 3.0))


def test_setting_aside_ends_a_conflict_and_taking_again_brings_it_back(visit):
    analyse(visit, "sole", "left before", a_sole("left").to_json())
    save_ruler(visit, "left", {"m1_x": "210"})
    (conflict,) = marks_of(visit, "left").conflicts
    assert "disagree on M1 by 9.0 mm fore-aft" in conflict
    photo, ruler = (w.key for w in ways_of(visit, "left"))
    set_aside(visit, "left", ruler, True)
    assert marks_of(visit, "left").conflicts == ()
    assert marks_of(visit, "left").m1.x_mm == pytest.approx(201.0)
    set_aside(visit, "left", ruler, False)
    assert marks_of(visit, "left").conflicts == (conflict,)
    set_aside(visit, "left", ruler, True)
    save_ruler(visit, "left", {"m1_x": "201"})  # measured again: it counts
    assert "ruler from the heel" in marks_of(visit, "left").sources
    assert Analysis.objects.filter(kind="mark").count() == 2
    with pytest.raises(InputError, match="not one of this foot"):
        set_aside(visit, "right", photo, True)


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"m1_x": "300"}, "m1_x", "longer than the sole"),
        ({"m1_x": "172", "m5_x": "201"}, "m1_x", "look swapped"),
        ({"m5_x": "205"}, "m5_x", "look swapped"),  # against the sole photograph
        ({"m1_x": "-201"}, "m1_x", "outside the allowed range"),
        ({"m1_x": "20,1"}, "m1_x", "80 to 350 mm"),
        ({"m1_x": "201 kg"}, "m1_x", "allowed"),
        ({"m1_x": "two hundred"}, "m1_x", "not a number"),
        ({"m1_z": "-38"}, "m1_z", "5 to 90 mm"),
        ({"m1_z": "15", "m5_z": "15"}, "m1_z", "40 to 130 mm"),
        ({}, "m1_x", "nothing was typed"),
    ],
)
def test_a_ruler_value_that_cannot_be_is_refused_and_nothing_is_kept(visit, typed, field, words):
    analyse(visit, "sole", "left before", a_sole("left").to_json())
    errors = save_ruler(visit, "left", typed)
    assert list(errors) == [field]
    assert words in errors[field].sentence()
    assert typed_ruler(visit, "left") == {}
    assert len(ways_of(visit, "left")) == 1


def test_marks_that_cannot_be_are_none_and_say_why(visit):
    analyse(visit, "sole", "left before", a_sole("left", m1=(190.0, -10.0), m5=(172.0, 20.0)).to_json())
    assert marks_of(visit, "left") is None
    assert "40 to 130 mm" in combined_of(visit, "left").impossible


def test_each_pair_of_shoes_has_marks_of_its_own_and_lends_them(visit):
    analyse(visit, "sole", "left before", a_sole("left").to_json())
    second = Shoes.objects.create(rider=visit.rider, letter="B", name="indoor shoes")
    Visit.objects.filter(pk=visit.pk).update(shoes=second)
    visit.refresh_from_db()
    assert marks_of(visit, "left") is None
    (pair,) = other_pairs(visit, "left")
    assert pair.words == "pair A"
    assert other_pairs(visit, "right") == ()
    carry_over(visit, "left", pair.key, 4.0)
    marks = marks_of(visit, "left")
    assert (marks.m1.x_mm, marks.m5.x_mm) == pytest.approx((205.0, 176.0))
    assert np.sqrt(marks.m1.covariance_mm2[0, 0]) == pytest.approx(np.hypot(0.6, 3.0))
    assert marks.sources == ("carried over from pair A",)
    with pytest.raises(InputError, match="not one of this rider"):
        carry_over(visit, "left", "99999 A")
    with pytest.raises(InputError, match="ahead"):
        carry_over(visit, "left", pair.key, 90)


def test_the_same_pair_at_a_later_visit_is_as_sure_as_it_was(visit):
    analyse(visit, "sole", "left before", a_sole("left").to_json())
    later = open_visit(visit.rider)
    (pair,) = other_pairs(later, "left")
    assert pair.words.startswith("pair A, ")
    carry_over(later, "left", pair.key)
    assert marks_of(later, "left").m1.covariance_mm2[0, 0] == pytest.approx(0.36)


def test_lambda_uses_the_combined_marks_but_never_a_guess(visit):
    reading = a_sole("left")
    own = lambda_of(reading)
    analyse(visit, "sole", "left before", reading.to_json())
    save_ruler(visit, "left", {"m1_x": "201", "m5_x": "172"})
    combined = lambda_of(reading, marks_of(visit, "left"))
    assert combined.value == pytest.approx(own.value, abs=1e-3)
    assert combined.u < own.u
    assert "ruler" in combined.method
    bare = SoleReading("left", {}, {}, reading.cleat, reading.length_mm, {})
    foot_length(visit, "right")
    assert lambda_of(bare, marks_of(visit, "right")) is None


# --- side photographs, on a simulated picture of the card ---

EDGE_MM = 46.0


def side_points(camera, x_mm: float, *, edge_mm=EDGE_MM, length_mm=281.0, spring_mm=0.0, turn_deg=0.0):
    """Heel, toe and mark of a shoe whose edge touches the card's plane, heel below and toe above in the picture."""
    t = np.radians(turn_deg)

    def at(x, across, z):  # along the mid-line, up from the sole, behind the plane; turned about the vertical
        return (across, 140.0 - (x * np.cos(t) + z * np.sin(t))), z * np.cos(t) - x * np.sin(t)

    spots = [at(0, 0, edge_mm), at(length_mm, spring_mm, edge_mm), at(x_mm, 0, 0)]
    uv = [camera.project(np.array([p]), -behind)[0] for p, behind in spots]
    return {n: (float(u), float(v)) for n, (u, v) in zip(("heel", "toe", "mark"), uv, strict=True)}


def test_a_side_photograph_gives_the_mark_along_the_sole(sole_photo):
    _, camera, grey = sole_photo
    found = measure_side(Picture(grey, "side"), "left", "inner", side_points(camera, 201.0))
    assert found.x_mm.value == pytest.approx(201.0, abs=1.0)
    assert found.length_mm.value == pytest.approx(281.0, abs=1.5)
    assert 1.9 < found.x_mm.u < 4.5
    assert found.observation().names == ("m1_x",)
    outer = measure_side(Picture(grey, "side"), "left", "outer", side_points(camera, 172.0))
    assert outer.observation().names == ("m5_x",)
    assert outer.x_mm.value == pytest.approx(172.0, abs=1.0)


def test_taking_heel_and_toe_for_points_of_the_cards_plane_would_be_wrong(sole_photo):
    """Half a sole's breadth behind the card they look nearer together: 281 mm would come out 25 mm short."""
    _, camera, grey = sole_photo
    points = side_points(camera, 201.0)
    flat = measure_side(
        Picture(grey, "s"), "left", "inner", points, edge_mm=Measured(20.0, 6.0, "mm")
    ).length_mm
    assert flat.value < 281 - 12


def test_the_stated_u_covers_another_breadth_a_turn_and_a_springing_toe(sole_photo):
    """100 invented shoes (seed 8): 95 % intervals hold the truth in at least 90."""
    _, camera, grey = sole_photo
    rng, picture, held = np.random.default_rng(8), Picture(grey, "side"), 0
    plane = card_plane(picture)
    for _ in range(100):
        points = side_points(
            camera, 201.0, edge_mm=rng.normal(46, 5), spring_mm=rng.uniform(0, 18), turn_deg=rng.normal(0, 2)
        )
        noisy = {n: tuple(np.array(p) + rng.normal(0, 0.7, 2)) for n, p in points.items()}
        low, high = measure_side(picture, "left", "inner", noisy, plane=plane).x_mm.interval95
        held += low <= 201.0 <= high
    assert held >= 90


def test_what_a_side_photograph_cannot_be_used_for(sole_photo):
    _, camera, grey = sole_photo
    picture, points = Picture(grey, "side"), side_points(camera, 201.0)
    for change, words in (
        ({"heel": points["toe"], "toe": points["heel"]}, "heel and toe exchanged"),
        ({"mark": points["toe"]}, "no metatarsal head"),
        ({"toe": points["mark"]}, "no metatarsal head|mm apart"),
        ({"mark": (5000.0, 1.0)}, "outside the picture"),
    ):
        with pytest.raises(InputError, match=words):
            measure_side(picture, "left", "inner", points | change)
    with pytest.raises(InputError, match="mark is missing"):
        measure_side(picture, "left", "inner", {k: v for k, v in points.items() if k != "mark"})
    with pytest.raises(InputError, match="allowed: inner, outer"):
        measure_side(picture, "left", "upper", points)
    mirrored = Picture(np.ascontiguousarray(grey[:, ::-1]), "mirrored")
    with pytest.raises(InputError, match="mirrored"):
        measure_side(mirrored, "left", "inner", points)
    blank = Picture(np.full_like(grey, 128), "blank")
    with pytest.raises(InputError, match="card"):
        measure_side(blank, "left", "inner", points)


def test_a_side_photograph_is_kept_with_its_picks(visit, sole_photo):
    _, camera, grey = sole_photo
    photo = keep_stream(BytesIO(cv2.imencode(".png", grey)[1].tobytes()), "side.png", "photo", simulated=True)
    save_side(visit, photo, "left", "inner", side_points(camera, 201.0))
    (way,) = ways_of(visit, "left")
    assert way.row.medium == photo
    assert set(way.row.inputs["points"]) == {"heel", "toe", "mark"}
    assert way.observation.measured["m1_x"].value == pytest.approx(201.0, abs=1.0)
    with pytest.raises(InputError, match="look swapped"):
        save_side(visit, photo, "left", "outer", side_points(camera, 215.0))
