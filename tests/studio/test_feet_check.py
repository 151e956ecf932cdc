"""A cleat checked, restored from any earlier visit, and its age."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from io import BytesIO

import numpy as np
import pytest
from django.utils import timezone

from fitwright.errors import InputError
from fitwright.foot.frame import cleat_marks, read_sole
from fitwright.foot.rigid import turn_matrix
from fitwright.motion.ride import THETA_DEG, CycleCurve, RideResult
from fitwright.quantity import Measured
from fitwright.records.media import keep_stream
from fitwright.records.models import Analysis, CleatNote, Shoes, Visit
from fitwright.studio import bike
from fitwright.studio.feet import check, cleats, film_points, restore, ridden, verdict
from fitwright.studio.feet.foot import foot_of
from fitwright.studio.visits import analyse, measure, new_rider, open_visit, snapshot
from fitwright.told import day_of_record

pytestmark = pytest.mark.django_db

ON_CLEAT = np.array([[28.0, 24.0], [-27.0, 26.0], [-10.0, -30.0]])
MARKS = {"m1": (201.0, -38.0), "m5": (172.0, 44.0)}


def a_reading(x, z, psi, foot="left", dots=True, u=0.09, scale=1.0, u_scale=0.0, nose_mm=35.0):
    """A sole with its cleat at x, z, ψ, three dots on its edge; `scale` off by what `u_scale` says."""
    nose, tail = cleat_marks(x, z, psi, nose_mm, 35)
    points = {"heel_centre": (0.0, 0.0), "toe": (281.0, 0.0), **MARKS, "cleat_nose": nose, "cleat_tail": tail}
    if dots:
        placed = ON_CLEAT @ turn_matrix(-psi).T + [x, z]
        points |= {f"datum_{i + 1}": p for i, p in enumerate(placed)}
    xz = np.array([*points.values()]) * scale
    plane = np.column_stack([xz[:, 1] if foot == "left" else -xz[:, 1], -xz[:, 0]])
    covariance = np.eye(2 * len(points)) * u**2 + u_scale**2 * np.outer(plane.ravel(), plane.ravel())
    return read_sole(foot, list(points), plane, covariance, quality={"u_mark_mm": u})


def keep(visit, when, reading, name="photo"):
    medium = keep_stream(BytesIO(name.encode()), f"{name}.jpg", "photo", simulated=True)
    return analyse(visit, "sole", f"{reading.foot} {when}", reading.to_json(), medium=medium)


@pytest.fixture
def visit():
    return open_visit(new_rider("Rosa Lind", simulated=True), title="first")


@pytest.fixture
def later(visit):
    """A second visit of the same rider."""
    keep(visit, "after", a_reading(187, 1, 5), "first")
    return open_visit(visit.rider, title="second")


# --- check ---


def wish(visit, x=187.0, z=1.0, psi=5.0):
    pose = a_reading(x, z, psi).cleat
    analyse(visit, "plan", "plan", {"wished_cleats": {"left": pose.to_json()}})


def test_a_check_says_how_far_off_which_way_and_whether_it_can_be_told(visit):
    wish(visit)
    keep(visit, "after", a_reading(188.4, 1.1, 4.0))
    found = check.check_of(visit, "left")
    assert (found.x.value, found.z.value, found.psi.value) == pytest.approx((1.4, 0.1, -1.0), abs=1e-6)
    assert found.words == "move 1.4 mm towards the heel and 0.1 mm inward, turn the nose 1.0° inward"
    assert found.distinguishable
    assert not found.within_goal
    assert found.verdict == "not yet within 0.5 mm and 0.5°"


def test_the_verdict_says_when_the_interval_reaches_over_the_goal(visit):
    wish(visit)
    keep(visit, "after", a_reading(187.3, 1.0, 5.0, u=0.3))
    assert check.check_of(visit, "left").verdict.endswith("as far as the ± lets it be told")
    keep(visit, "after", a_reading(187.6, 1.0, 5.0, u=0.3), "second")
    assert check.check_of(visit, "left").verdict.startswith("perhaps not yet")
    keep(visit, "after", a_reading(187.02, 1.0, 5.0, u=0.03), "third")
    assert check.check_of(visit, "left").verdict == "within 0.5 mm and 0.5°"


def test_every_photograph_stays_the_newest_counts_and_a_repick_counts_once(visit):
    wish(visit)
    for x, name in ((190, "one"), (188, "two"), (188.2, "two"), (187.1, "three")):
        keep(visit, "after", a_reading(x, 1, 5), name)
    shots = check.shots(visit, "left", "after")
    assert [round(s.check.x.value, 1) for s in shots] == [3.0, 1.2, 0.1]
    assert [s.newest for s in shots] == [False, False, True]
    assert Analysis.objects.filter(kind="sole").count() == 4
    assert foot_of(visit, "left").check.x.value == pytest.approx(0.1, abs=1e-6)


def test_without_wish_or_photograph_there_is_no_check(visit):
    assert check.check_of(visit, "left") is None
    assert check.shots(visit, "left", "after") == ()


def test_a_check_by_motion_is_surer_than_the_two_photographs_are(visit):
    """Before 187, wished 189, set to 189.0; the photograph after is 0.4 % too large: by the pose the cleat would seem
    0.8 mm too far forward, by its motion it is where it should be."""
    keep(visit, "before", a_reading(187, 1, 5, dots=False, u_scale=0.004), "before")
    wish(visit, x=189.0)
    after = a_reading(189, 1, 5, scale=1.004, u_scale=0.004)
    keep(visit, "after", after, "after")
    by_pose = verdict.check_pose(a_reading(189, 1, 5).cleat, after.cleat)
    found = check.check_of(visit, "left")
    assert by_pose.x.value > 0.7
    assert abs(found.x.value) < 0.15
    assert found.x.u < by_pose.x.u / 3
    assert found.within_goal
    assert "photograph before" in found.x.method


def test_another_cleat_since_the_photograph_before_is_checked_by_its_pose(visit):
    keep(visit, "before", a_reading(187, 1, 5, nose_mm=28.0), "before")
    wish(visit, x=189.0)
    keep(visit, "after", a_reading(189.6, 1, 5), "after")
    found = check.check_of(visit, "left")
    assert "photograph before" not in found.x.method
    assert found.x.value == pytest.approx(0.6, abs=1e-6)


# --- restore ---


def test_a_later_visit_restores_the_last_one_s_cleat(later):
    keep(later, "remount", a_reading(185.4, 1.7, 6.4), "later")
    back = restore.restored(later, "left")
    assert back.recorded.words.startswith("after fitting, ")
    assert "first" in back.recorded.words
    assert (back.check.x.value, back.check.z.value, back.check.psi.value) == pytest.approx(
        (-1.6, 0.7, 1.4), abs=1e-6
    )
    assert back.check.words == "move 1.6 mm towards the toe and 0.7 mm inward, turn the nose 1.4° outward"
    assert not back.check.within_goal
    assert foot_of(later, "left").remount == back.check


def test_any_earlier_position_can_be_chosen(later, visit):
    data = {"feet": {"left": a_reading(180, 1, 5).to_json()}}
    kept = snapshot(visit, "left", data)
    keep(later, "after", a_reading(187.5, 1, 5), "own")
    keep(later, "remount", a_reading(187.5, 1, 5), "later")
    keys = [r.key for r in restore.records_of(later, "left")]
    assert len(keys) == 3
    assert restore.recorded_of(later, "left").visit_pk == later.pk
    restore.choose(later, "left", f"position {kept.pk}")
    assert restore.restored(later, "left").check.x.value == pytest.approx(7.5, abs=1e-6)
    with pytest.raises(InputError, match="none of this left foot"):
        restore.choose(later, "left", "sole 99999")
    with pytest.raises(InputError, match="Compare by"):
        restore.choose(later, "left", f"position {kept.pk}", "guess")


def test_another_rider_s_and_another_pair_s_positions_are_not_offered(later):
    stranger = open_visit(new_rider("Ilse Varga"))
    assert restore.records_of(stranger, "left") == ()
    assert restore.records_of(later, "right") == ()
    other = Shoes.objects.create(rider=later.rider, letter="B", name="winter shoes")
    Visit.objects.filter(pk=later.pk).update(shoes=other)
    assert restore.records_of(Visit.objects.get(pk=later.pk), "left") == ()


def test_what_cannot_be_compared_is_said_and_nothing_is_lost(later):
    exchanged = a_reading(187, 1, 5)
    d = exchanged.datums
    keep(later, "remount", replace(exchanged, datums=d | {"datum_1": d["datum_2"], "datum_2": d["datum_1"]}))
    back = restore.restored(later, "left")
    assert back.check is None
    assert "look exchanged (datum_2 is the recorded datum_1" in back.problem
    assert foot_of(later, "left").remount is None
    assert len(check.shots(later, "left", "remount")) == 1


def test_without_a_record_it_says_so(visit):
    keep(visit, "remount", a_reading(187, 1, 5))
    assert "no recorded left cleat" in restore.restored(visit, "left").problem
    with pytest.raises(InputError, match="no recorded left cleat"):
        restore.keep_remount(visit, "left", a_reading(187, 1, 5))


def test_what_came_out_is_kept_with_the_position_it_was_held_to(later):
    restore.keep_remount(later, "left", a_reading(187.6, 1, 5))
    row = Analysis.objects.get(kind="remount")
    assert row.result["x_mm"]["value"] == pytest.approx(0.6, abs=1e-6)
    assert row.inputs == {"recorded": restore.recorded_of(later, "left").key, "way": "auto"}


@pytest.mark.parametrize(
    ("another", "way", "words"),
    [(False, "ends", ""), (True, "centre", "dots on the old cleat are gone")],
)
def test_new_cleats_are_compared_without_the_old_dots(later, another, way, words):
    cleats.save_note(later, "", "replaced", timezone.localdate(), another_system=another)
    keep(later, "remount", a_reading(188, 1, 5, dots=False))
    back = restore.restored(later, "left")
    assert back.way == way
    assert back.check.x.value == pytest.approx(1.0, abs=1e-6)
    assert words in " ".join(back.check.notes)
    by_dots = restore.compared(a_reading(187, 1, 5), a_reading(188, 1, 5)).psi.u
    assert back.check.psi.u > by_dots


def test_a_record_made_with_the_new_cleats_is_compared_by_its_dots(visit):
    cleats.save_note(visit, "", "replaced", timezone.localdate())
    keep(visit, "after", a_reading(187, 1, 5), "first")
    assert restore.way_of(visit, "left", restore.recorded_of(visit, "left")) == "auto"


# --- age and wear ---


def note(visit, kind, days_ago, side="", **what):
    return cleats.save_note(visit, side, kind, timezone.localdate() - timedelta(days=days_ago), **what)


def test_age_counts_from_the_newest_cleat_and_km_from_what_is_known(visit):
    note(visit, "fitted", 500)
    note(visit, "replaced", 70, side="right", km_per_week=100)
    measure(visit, "intake", "hours_per_week", Measured(6, 0, "h"))
    left, right = cleats.ages(visit.rider, "A")
    assert (left.months, right.months) == pytest.approx((16.43, 2.30), abs=0.01)
    assert left.km == pytest.approx(500 / 7 * 6 * 25)
    assert right.km == pytest.approx(1000)
    assert "6 h a week at 25 km/h, guessed" in left.words
    assert (left.due, right.due) == (True, False)
    assert cleats.due_words(visit.rider) == (left.words,)
    assert "common practice, no source" in cleats.rule().words


def test_a_grown_float_is_due_at_once_and_a_look_postpones_nothing(visit):
    note(visit, "fitted", 30)
    assert cleats.due_words(visit.rider) == ()
    note(visit, "worn", 2, side="left", worn_mm={"front": 1.5}, play="yes")
    (words,) = cleats.due_words(visit.rider)
    assert "left cleat" in words
    assert "the float has grown" in words
    assert "worn at the front 1.5 mm" in cleats.notes_of(visit.rider, "A")[0].told


def test_a_note_is_taken_back_by_a_further_row(visit):
    row = note(visit, "fitted", 800)
    assert cleats.due_words(visit.rider)
    cleats.withdraw(visit, row.pk)
    assert cleats.due_words(visit.rider) == ()
    assert cleats.notes_of(visit.rider, "A") == ()
    assert CleatNote.objects.count() == 2
    with pytest.raises(InputError, match="not there any more"):
        cleats.withdraw(visit, row.pk)


def test_the_studio_s_rule_replaces_the_usual_one(visit):
    note(visit, "fitted", 100)
    cleats.save_rule(3, 9000)
    assert len(cleats.due_words(visit.rider)) == 2
    assert "this studio’s rule" in cleats.rule().words
    cleats.save_rule(24, 9000)
    assert cleats.due_words(visit.rider) == ()
    with pytest.raises(InputError, match="months"):
        cleats.save_rule(0, 9000)


TODAY = day_of_record(timezone.localdate())


@pytest.mark.parametrize(
    ("wrong", "match"),
    [
        ({"on": timezone.localdate() + timedelta(days=1)}, rf"lies in the future.*up to {TODAY}"),
        ({"on": date(1980, 1, 1)}, "too far back.*1 January 1980.*from 1 January 1990 on"),
        ({"kind": "lost"}, "What happened"),
        ({"side": "middle"}, "foot"),
        ({"kind": "worn"}, "nothing is said about it"),
        ({"kind": "worn", "worn_mm": {"front": 40}}, "Worn, front"),
        ({"km_per_week": 1e6}, "Distance a week"),
    ],
)
def test_a_note_that_cannot_be_is_refused(visit, wrong, match):
    said = {"side": "", "kind": "fitted", "on": timezone.localdate()} | wrong
    with pytest.raises(InputError, match=match):
        cleats.save_note(visit, said.pop("side"), said.pop("kind"), said.pop("on"), **said)
    assert CleatNote.objects.count() == 0


# --- as ridden ---


def a_curve(name, value, sd=0.5):
    return CycleCurve(name, "mm", np.full(360, float(value)), np.full(360, sd), np.full(360, 0.5), 40)


def a_ride(side, x5):
    """A side film of a level foot whose M5 lies x5 from the axle."""
    at = {"axle_x": 172, "axle_y": 0, "m5_x": 172 + x5, "m5_y": 50, "heel_x": 172 + x5 - 156, "heel_y": 55}
    curves = {n: a_curve(n, v) for n, v in at.items()} | {
        "axle_ahead_of_m5": a_curve("axle_ahead_of_m5", -x5)
    }
    return RideResult(
        "side", Measured(88, 0.1, "rpm"), {side: 40}, {side: {}}, {side: curves}, {"dimension": "2-D"}
    )


def front(side, yaw):
    """A front film in which the foot's yaw swings by 2° about its mean."""
    mean = yaw + np.cos(np.radians(THETA_DEG))
    curve = CycleCurve("foot_yaw", "deg", mean, np.full(360, 0.4), np.full(360, 1.0), 40)
    told = {
        e: Measured(v, 1.0, "deg", "front view")
        for e, v in (("mean", yaw), ("min", yaw - 1.4), ("max", yaw + 1.4))
    }
    return RideResult(
        "front",
        Measured(88, 0.1, "rpm"),
        {side: 40},
        {side: {"foot_yaw_deg": told}},
        {side: {"foot_yaw": curve}},
        {},
    )


def test_no_ride_says_nothing(visit):
    assert ridden.ridden_of(visit, "left") is None


def test_lambda_of_the_film_stands_beside_the_photograph_s(visit):
    keep(visit, "before", a_reading(186.38, 2, 7, foot="right"))
    analyse(visit, "ride", "side right before", {"ride": a_ride("right", -19.4).to_json()})
    found = ridden.ridden_of(visit, "right")
    assert found.lambda_photo.value == pytest.approx(0.5, abs=0.01)
    assert found.lambda_loaded.value == pytest.approx(0.5, abs=0.1)
    assert found.words[0].startswith("agrees with the sole photograph")
    assert not found.tracked
    assert found.yaw_mean.u > 2
    assert any("above the tongue" in m for m in found.missing)
    assert any("ruler" in m for m in found.missing)
    assert found.line.startswith("right foot as ridden: axle under load at 0.")


def test_a_ruler_makes_the_film_surer_and_the_yaw_seen_is_used(visit):
    system = {"float_in_deg": 3, "float_out_deg": 3}
    shoes = Shoes.objects.create(rider=visit.rider, name="black", cleat_system=system)
    Visit.objects.filter(pk=visit.pk).update(shoes=shoes)
    visit = Visit.objects.get(pk=visit.pk)
    keep(visit, "before", a_reading(186.38, 2, 7, foot="right"))
    analyse(visit, "ride", "side right before", {"ride": a_ride("right", -19.4).to_json()})
    by_eye = ridden.ridden_of(visit, "right").lambda_loaded.u
    analyse(visit, "ride", "front before", {"ride": front("right", 9.0).to_json()})
    typed = {"m5_ahead_mm": "0", "m5_above_mm": "22", "heel_above_mm": "27"}
    film_points.save_places(visit, "right", typed)
    found = ridden.ridden_of(visit, "right")
    assert found.lambda_loaded.u < 0.75 * by_eye
    assert found.tracked
    assert (found.yaw_low.value, found.yaw_high.value) == pytest.approx((7.6, 10.4))
    assert found.room.touch_out > 0.5  # the float ends at 10°
    assert any("toe-out end is touched" in w for w in found.words)
    assert "touches an end" in found.line


def test_ruler_values_are_checked_before_any_is_kept(visit):
    with pytest.raises(InputError, match="Heel point"):
        film_points.save_places(visit, "left", {"m5_above_mm": "22", "heel_above_mm": "900"})
    assert film_points.places_of(visit, "left") == {}


def test_a_wider_bike_that_the_film_was_read_with_moves_nothing(visit):
    """The film takes heel and ball farther out with the measured stance, and so does what is told from the sole."""
    keep(visit, "before", a_reading(186.38, 2, 7, foot="right"))
    film = replace(
        a_ride("right", -19.4),
        quality={"camera": {"x_mm": 300.0, "y_mm": 500.0, "z_mm": 3600.0, "right_mm": 180.0}},
    )
    analyse(visit, "ride", "side right before", {"ride": film.to_json()})
    typed = {
        "saddle_height_mm": "720", "saddle_setback_mm": "200", "hood_x_mm": "500", "hood_y_mm": "620",
        "crank_mm": "172.5", "pedal_offset_mm": "53",
    }  # fmt: skip
    found = []
    for q_factor in ("140", "170"):
        assert not bike.save_bike(visit, typed | {"q_factor_mm": q_factor}).errors
        found.append(ridden.ridden_of(Visit.objects.get(pk=visit.pk), "right").lambda_loaded.value)
    assert found[0] == pytest.approx(found[1], abs=1e-6)
