"""The catalogue of parts: added, corrected, put away and offered again, each as a row of its own."""

from __future__ import annotations

import pytest

from fitwright.errors import InputError
from fitwright.foot.hardware import CATALOGUE, feasible_polygon, system
from fitwright.records.append_only import WrittenOnce
from fitwright.records.models import HardwareItem
from fitwright.sheets.hardware_drawing import measure_svg
from fitwright.studio import hardware
from fitwright.studio.feet.hardware import save_system
from fitwright.studio.hardware_fields import FIELDS, THREE, TWO, cleat_data, cleat_measures
from fitwright.studio.visits import new_rider, open_visit

pytestmark = pytest.mark.django_db


def typed(**own: str) -> dict[str, str]:
    """The form of the built-in system with narrow float, as a person would send it."""
    return hardware.part("cleat", "three_bolt_narrow").texts | own


@pytest.mark.parametrize("cleat", CATALOGUE, ids=lambda c: c.key)
def test_a_systems_numbers_go_through_its_boxes_unchanged(cleat):
    back = hardware.CleatSystem.from_json(
        cleat_data(cleat_measures(cleat), "k", "l") | {"key": "k", "label": "l"}
    )
    assert back.bolts_mm == cleat.bolts_mm
    for psi in (0.0, 1.0, -2.5):
        assert feasible_polygon(back, (185, 1), psi) == pytest.approx(feasible_polygon(cleat, (185, 1), psi))


def test_a_part_is_added_and_corrected_as_a_new_row():
    part, errors = hardware.save_part("cleat", typed(label="brass plate", slot_half_x_mm="0,6 cm"))
    assert not errors
    assert part.cleat.slot_half_x_mm == 6
    assert (part.key, part.own, part.source) == ("brass_plate", True, hardware.OWN)
    again, _ = hardware.save_part("cleat", part.texts | {"stack_mm": "17.5"}, part.key)
    assert again.cleat.stack_mm == 17.5
    assert [r.data["stack_mm"] for r in hardware.history("cleat", part.key)] == [18, 17.5]
    same, _ = hardware.save_part("cleat", again.texts, part.key)
    assert same.key == part.key
    assert HardwareItem.objects.count() == 2
    with pytest.raises(WrittenOnce):
        HardwareItem.objects.all().delete()


def test_every_wrong_box_is_named_at_once_and_nothing_is_written():
    none, errors = hardware.save_part(
        "cleat", typed(label="", stack_mm="300", float_in_deg="wide", apart_mm="")
    )
    assert none is None
    assert set(errors) == {"label", "stack_mm", "float_in_deg", "apart_mm"}
    assert errors["stack_mm"].allowed == "5 to 60 mm"
    assert not HardwareItem.objects.exists()
    _, taken = hardware.save_part("pedal", {"label": "Usual axle", "offset_mm": "53"})
    assert "taken" in taken["label"].problem


def test_two_bolts_need_no_front_bolt():
    texts = hardware.part("cleat", "two_bolt").texts
    assert "front_bolt_mm" not in texts
    assert texts["bolt_pattern"] == TWO
    part, errors = hardware.save_part("cleat", texts | {"label": "two, wider", "apart_mm": "16"})
    assert not errors
    assert part.cleat.bolts_mm == ((0.0, -8.0), (0.0, 8.0))
    _, missing = hardware.save_part("cleat", texts | {"label": "three", "bolt_pattern": THREE})
    assert set(missing) == {"front_bolt_mm"}


def test_what_is_built_in_can_be_corrected_put_away_and_offered_again():
    hardware.retire("cleat", "two_bolt")
    assert "two_bolt" not in {p.key for p in hardware.parts("cleat")}
    assert "two_bolt" in {p.key for p in hardware.parts("cleat", retired=True)}
    back = hardware.restore("cleat", "two_bolt")
    assert back.source == hardware.NO_SOURCE
    assert back.cleat.bolts_mm == system("two_bolt").bolts_mm
    own, _ = hardware.save_part(
        "pedal", {"label": "usual axle", "offset_mm": "54.2", "axle_mm": ""}, "pedal_usual"
    )
    assert own.data == {"offset_mm": 54.2}
    assert len([p for p in hardware.parts("pedal") if p.key == "pedal_usual"]) == 1


def test_used_by_counts_pairs_as_they_are_now():
    rider = new_rider("Rosa Lind")
    cleat = hardware.part("cleat", "three_bolt_wide")
    for _ in range(2):  # a correction of the same pair does not count twice
        visit = open_visit(rider)
        save_system(visit, "grey", None, dict(cleat.data) | {"key": cleat.key, "label": cleat.label})
    assert hardware.part("cleat", "three_bolt_wide").used_by == 1
    hardware.retire("cleat", "three_bolt_wide")
    visit.refresh_from_db()
    assert visit.shoes.cleat_system["key"] == "three_bolt_wide"


def test_unknown_kinds_and_keys_are_refused():
    with pytest.raises(InputError, match="not one of the catalogue"):
        hardware.save_part("saddle", {})
    with pytest.raises(InputError, match="not in the catalogue"):
        hardware.retire("cleat", "nothing")


def test_every_number_has_a_drawing_that_differs_from_the_others():
    for kind, fields in FIELDS.items():
        drawn = [measure_svg(f.name, f.label) for f in fields if f.kind == "number"]
        assert all(drawn), kind
        assert len({d.split("</desc>")[1] for d in drawn}) == len(drawn), kind
    for f in FIELDS["cleat"][2:6]:
        assert "<svg" in measure_svg(f.name, f.label, two_bolts=True)
