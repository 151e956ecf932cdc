"""Pairs of shoes, what is fitted between foot and crank, and what the bolts allow."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.foot.hardware import feasible_polygon, system
from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.quantity import Measured
from fitwright.records.models import HardwareItem, Position, Shoes
from fitwright.studio import bike, body, papers, takeaway
from fitwright.studio import hardware as catalogue
from fitwright.studio.feet import fitted, pairs
from fitwright.studio.feet.envelope import envelope_of
from fitwright.studio.feet.hardware import (
    bolts_of,
    float_window,
    pattern_problem,
    save_system,
    system_of,
    wedge_of,
)
from fitwright.studio.feet.soles import label
from fitwright.studio.visits import analyse, answers, new_rider, open_visit

pytestmark = pytest.mark.django_db
THREE = np.array(system("three_bolt_wide").bolts_mm)


@pytest.fixture
def visit():
    return open_visit(new_rider("Rosa Lind", sex="F"))


def sole(visit, cleat=(186.0, 2.0, 4.0), bolts=None, when="before", side="left"):
    """A measured sole on record, as a photograph would have left it."""
    spread = np.eye(2) * 0.04
    marks = {"m1": (201, -38), "m5": (172, 44), "heel_centre": (0, 0), "toe": (281, 0)}
    marks |= {f"bolt_{k + 1}": tuple(b) for k, b in enumerate(bolts if bolts is not None else ())}
    points = {n: SolePoint(float(x), float(z), spread) for n, (x, z) in marks.items()}
    pose = CleatPose(*cleat, np.diag([0.04, 0.04, 0.04]), "sole photograph")
    reading = SoleReading(side, points, {}, pose, Measured(281, 0.3, "mm"), {})
    analyse(visit, "sole", label(visit, f"{side} {when}"), reading.to_json())


def test_joints_say_none_until_something_is_known(visit):
    assert system_of(visit) is None
    assert bolts_of(visit, "left") is None
    assert "pedal_offset_mm" not in bike.contact_measured(visit)
    assert wedge_of(visit, "left") is None
    assert "the cleat system" in envelope_of(visit, "left").missing


def test_typed_float_and_stack_take_the_usual_pattern_and_say_so(visit):
    save_system(
        visit, "grey", 43.5, {"bolts": "two-bolt", "float_in_deg": 4.0, "float_out_deg": 6.0, "stack_mm": 21}
    )
    cleat = system_of(visit)
    assert (cleat.float_in_deg, cleat.float_out_deg, cleat.stack_mm) == (4, 6, 21)
    assert cleat.bolts_mm == system("two_bolt").bolts_mm
    assert "usual pattern" in cleat.source
    assert float_window(visit) == (4.0, 6.0)


def test_a_system_of_the_catalogue_brings_every_measure_and_the_sheets_read_it(visit):
    pairs.save_pair(visit, {"name": "road", "size_eu": "43,5", "system": "three_bolt_narrow"})
    assert system_of(visit) == system("three_bolt_narrow")
    assert float_window(visit) == (2.0, 2.0)
    lines = {line.label: line.value for line in papers.hardware_lines(visit)}
    assert lines["shoes, pair A"] == "road"
    assert (lines["cleat system"], lines["cleat bolts"]) == ("three bolts, ± 2°", "three-bolt")
    assert (lines["float, inward"], lines["axle to sole"]) == ("2°", "18 mm")
    own, errors = pairs.save_measures(visit, {"float_in_deg": "2.5", "float_out_deg": "", "stack_mm": "2 cm"})
    assert not errors
    assert system_of(visit).stack_mm == 20
    assert float_window(visit) == (2.5, 2.0)
    assert "as measured on this pair" in own.cleat_system["source"]
    none, errors = pairs.save_measures(visit, {"float_in_deg": "40", "stack_mm": "flat"})
    assert none is None
    assert set(errors) == {"float_in_deg", "stack_mm"}
    assert Shoes.objects.count() == 2


def test_a_second_pair_has_soles_of_its_own_and_nothing_is_lost_by_switching(visit):
    pairs.save_pair(visit, {"name": "road", "system": "three_bolt_wide"})
    sole(visit)
    first = bolts_of(visit, "left").xz
    indoor = pairs.add_pair(visit, "indoor", "44")
    assert indoor.letter == "B"
    assert bolts_of(visit, "left") is None
    assert system_of(visit) is None
    pairs.save_pair(visit, {"name": "indoor", "size_eu": "44", "system": "two_bolt"})
    sole(visit, (178.0, -1.0, 2.0))
    assert bolts_of(visit, "left").xz == pytest.approx((178.0, -1.0), abs=0.3)
    pairs.switch_pair(visit, "A")
    assert bolts_of(visit, "left").xz == first
    assert [(p.shoes.letter, p.shoes.name, p.on_bench) for p in pairs.pairs(visit)] == [
        ("A", "road", True), ("B", "indoor", False),
    ]  # fmt: skip
    assert pairs.switch_pair(visit, "B").cleat_system["key"] == "two_bolt"
    with pytest.raises(InputError, match="no such pair"):
        pairs.switch_pair(visit, "Q")
    with pytest.raises(InputError, match="Size"):
        pairs.add_pair(visit, "winter", "430")


def test_a_new_visit_finds_the_pairs_of_the_rider(visit):
    pairs.save_pair(visit, {"name": "road", "system": "three_bolt_wide"})
    later = open_visit(visit.rider)
    assert [p.on_bench for p in pairs.pairs(later)] == [False]
    pairs.switch_pair(later, "A")
    assert system_of(later).key == "three_bolt_wide"
    assert Shoes.objects.count() == 1


def test_picked_bolts_beat_the_cleat_as_found_and_wrong_ones_are_said(visit):
    pairs.save_pair(visit, {"name": "road", "system": "three_bolt_wide"})
    sole(visit, bolts=np.add(THREE, (184.0, 1.0)))
    assert bolts_of(visit, "left").xz == pytest.approx((184.0, 1.0), abs=1e-6)
    assert bolts_of(visit, "left").x.u < 1
    sole(visit, bolts=[(210, 0), (210, -14), (160, 14)])
    assert bolts_of(visit, "left").x.u > 1
    assert "miss the pattern" in str(pattern_problem(visit, "left"))
    assert "miss the pattern" in envelope_of(visit, "left").problem


def test_a_cleat_outside_its_envelope_is_said(visit):
    pairs.save_pair(visit, {"name": "road", "system": "three_bolt_wide"})
    sole(visit, (186.0, 2.0, 4.0), np.add(THREE, (184.0, 1.0)))
    assert envelope_of(visit, "left").problem == ""
    sole(visit, (205.0, 2.0, 4.0), np.add(THREE, (184.0, 1.0)))
    assert "outside what these bolts allow" in envelope_of(visit, "left").problem


def test_the_envelope_shows_the_first_setting_in_it(visit):
    pairs.save_pair(visit, {"name": "road", "system": "three_bolt_wide"})
    sole(visit, bolts=np.add(THREE, (184.0, 1.0)))
    assert not body.save_body(visit, {"hanging_foot_left": "6 7 8"}).errors
    found = envelope_of(visit, "left")
    assert found.ways
    best = found.ways[0]
    assert "<svg" in found.svg
    region = feasible_polygon(
        system("three_bolt_wide"), found.pattern.xz, best.pose.psi_deg, found.pattern.turn_deg.value
    )
    assert best.pose.polygon_mm == pytest.approx(region)


def test_what_is_fitted_goes_to_the_bike_and_into_the_position(visit):
    typed = {
        "saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
        "crank_mm": "172,5", "q_factor_mm": "148",
    }  # fmt: skip
    assert not bike.save_bike(visit, typed).errors
    assert not fitted.save_fitted(
        visit, {"pedal": "pedal_long", "spacer_left_mm": "1.5", "shim_right_mm": "3"}
    )
    offset = bike.contact_measured(visit)["pedal_offset_mm"]
    assert offset.value == 57
    assert offset.u == pytest.approx(4 / 1.96, rel=0.01)
    assert bike.contact_points(visit).pedal_out_mm("left") == 74 + 57 + 1.5
    assert Position.objects.last().data["contact_points"]["shim_right_mm"] == 3
    assert catalogue.part("pedal", "pedal_long").used_by == 1
    assert catalogue.part("spacer", "washer").used_by == 1
    assert "longer by 3 mm" in fitted.effects(visit, "right")[0]
    assert not fitted.save_fitted(visit, {"pedal": "pedal_long", "pedal_offset_mm": "57.4"})
    assert bike.contact_measured(visit)["pedal_offset_mm"].value == 57.4
    assert answers(visit, "feet")["pedal"]["axle_mm"] == 81


def test_a_wedge_is_recorded_with_its_geometry_and_no_promise(visit):
    assert not fitted.save_fitted(visit, {"wedge_left_deg": "1,5"})
    assert papers.hardware_lines(visit)[-1].value == "1.5 ± 0.4°"
    assert takeaway.position_record(visit)["wedges_deg"]["left"]["value"] == 1.5
    (words,) = fitted.effects(visit, "left")
    assert "raises the inner edge by 1.5°" in words
    assert "once the height is known" in words
    assert not body.save_body(visit, {"height_mm": "172 cm", "malleolus_height_mm": "70"}).errors
    (words,) = fitted.effects(visit, "left")
    high = fitted.ankle_height(visit).value
    assert f"{high * np.sin(np.radians(1.5)):.1f} ±" in words
    assert "outward" in words
    assert "nothing is claimed" in words
    errors = fitted.save_fitted(visit, {"wedge_left_deg": "30", "spacer_left_mm": "4", "shim_left_mm": "-2"})
    assert set(errors) == {"wedge_left_deg", "shim_left_mm"}
    assert bike.contact_measured(visit)["spacer_left_mm"].value == 4
    assert wedge_of(visit, "left").tilt.value == 1.5


def test_a_part_put_away_stays_on_the_shoes(visit):
    pairs.save_pair(visit, {"name": "road", "system": "two_bolt"})
    catalogue.retire("cleat", "two_bolt")
    assert system_of(visit) == system("two_bolt")
    pairs.save_pair(visit, {"name": "road, worn", "system": "two_bolt"})
    assert system_of(visit).bolts_mm == system("two_bolt").bolts_mm
    assert HardwareItem.objects.count() == 1
