"""Shoes that come again: a template says what the pair does not say yet, says so, and can be taken back."""

from __future__ import annotations

import pytest
from django.urls import reverse

from fitwright.foot.hardware import CATALOGUE
from fitwright.records.models import HardwareItem, Shoes, Visit
from fitwright.studio import edits
from fitwright.studio.feet import clearance, pairs, shoe_templates
from fitwright.studio.feet.clearance_fields import BESIDE_HEEL
from fitwright.studio.feet.hardware import system_of
from web_forms import assert_said_at


def post(client, visit, action, **typed):
    return client.post(reverse("feet_hardware", args=[visit.pk]), {"action": action, **typed})


def page(client, visit) -> str:
    return client.get(reverse("feet_hardware", args=[visit.pk])).content.decode()


def again(visit) -> Visit:
    return Visit.objects.get(pk=visit.pk)


def test_an_example_fills_an_empty_pair_and_says_where_it_came_from(client, visit):
    assert post(client, visit, "fill", template="shoe_trail").status_code == 302
    fresh = again(visit)
    two = next(c for c in CATALOGUE if c.key == "two_bolt")
    system = system_of(fresh)
    assert system is not None
    assert (system.bolts_mm, system.slot_half_x_mm, system.stack_mm) == (
        two.bolts_mm, two.slot_half_x_mm, two.stack_mm,
    )  # fmt: skip
    heel = clearance.heel_breadth(fresh, "left")
    assert (heel.value, heel.u, heel.method) == (74, 5, "from a template, not measured")
    text = page(client, visit)
    assert "not measured on this pair: cleat system, heel’s breadth" in text
    assert "common practice, no source: measure this pair" in text.replace("Common", "common")
    assert post(client, visit, "fill", template="shoe_trail").status_code == 422


def test_what_is_said_already_stays(client, visit):
    pairs.save_pair(visit, {"name": "winter", "size_eu": "44", "system": "three_bolt_narrow"})
    clearance.save(visit, {"heel_breadth_mm": "71", "heel_breadth_mm.how": "caliper"})
    assert post(client, visit, "fill", template="shoe_road").status_code == 422
    fresh = again(visit)
    assert (fresh.shoes.name, fresh.shoes.cleat_system["key"]) == ("winter", "three_bolt_narrow")
    assert clearance.heel_breadth(fresh, "right").value == 71


def step(client, visit, way: str) -> str:
    """Undo or redo as the button of the page does; what is said then."""
    last = getattr(edits.tops(again(visit)), way)
    back = reverse("feet_hardware", args=[visit.pk])
    answer = client.post(reverse("undo", args=[visit.pk]), {way: last.pk, "next": back}, follow=True)
    return answer.content.decode()


def test_it_is_taken_back_whole_by_the_undo_of_the_visit_and_stays_on_record(client, visit):
    pairs.add_pair(visit, "winter", "44")
    post(client, visit, "fill", template="shoe_road")
    filled = again(visit).shoes
    assert "Undo: shoes from a template" in page(client, visit)
    for _ in range(2):
        assert "Undone, Feet: what “road shoe, stiff sole” had filled in is taken back." in step(
            client, visit, "undo"
        )
        fresh = again(visit).shoes
        assert (fresh.name, fresh.cleat_system, fresh.letter, fresh.size_eu) == ("winter", {}, "A", 44)
        assert "is filled in again" in step(client, visit, "redo")
        fresh = again(visit).shoes
        assert (fresh.cleat_system, fresh.letter) == (filled.cleat_system, "A")
    assert Shoes.objects.count() == 6


def test_a_first_pair_that_a_template_filled_in_is_taken_back_to_nothing_said(client, visit):
    post(client, visit, "fill", template="shoe_trail")
    step(client, visit, "undo")
    fresh = again(visit)
    assert system_of(fresh) is None
    assert clearance.heel_breadth(fresh, "left").value != 74
    step(client, visit, "redo")
    assert clearance.heel_breadth(again(visit), "left").value == 74


def test_undo_takes_back_typed_fields_and_templates_in_their_order(client, visit):
    post(client, visit, "fill", template="shoe_road")
    clearance.save(again(visit), {"heel_breadth_mm": "71", "heel_breadth_mm.how": "caliper"})
    step(client, visit, "undo")
    assert clearance.heel_breadth(again(visit), "left").value == 66
    step(client, visit, "undo")
    assert system_of(again(visit)) is None
    assert edits.tops(again(visit)).undo is None


def test_what_was_measured_since_is_not_taken_back_with_it(client, visit):
    post(client, visit, "fill", template="shoe_road")
    post(client, visit, "measures", stack_mm="21.5")
    assert "changed by something else since" in step(client, visit, "undo")
    assert system_of(again(visit)).stack_mm == 21.5
    post(client, visit, "pair", name="road", size_eu="43", system="two_bolt")
    assert clearance.heel_breadth(again(visit), "left").value == 66  # the heel is the shoe's, not the cleat's


def test_a_pair_is_kept_and_fills_the_next_one(client, visit):
    pairs.save_pair(visit, {"name": "mine", "size_eu": "42.5", "system": "two_bolt"})
    clearance.save(visit, {"heel_breadth_mm": "69.5", "heel_breadth_mm.how": "caliper"})
    assert post(client, visit, "keep", template_name=" trail 42 <b> ").status_code == 302
    first, *rest = shoe_templates.templates()
    assert (first.label, first.size_eu, first.heel_breadth_mm) == ("trail 42 <b>", 42.5, 69.5)
    assert [t.own for t in rest] == [False] * len(rest)
    assert "trail 42 &lt;b&gt;" in page(client, visit)
    pairs.add_pair(again(visit), "second", "")
    post(client, visit, "fill", template=first.key)
    fresh = again(visit)
    assert (float(fresh.shoes.size_eu), fresh.shoes.letter) == (42.5, "B")
    assert fresh.shoes.cleat_system["source"] == "from the template “trail 42 <b>”, not measured on this pair"
    post(client, visit, "put_away", template=first.key)
    assert not [t for t in shoe_templates.templates() if t.own]
    assert system_of(again(visit)) is not None


@pytest.mark.parametrize(
    ("action", "typed", "said", "box"),
    [
        ("keep", {"template_name": " "}, "is needed", "say-template-name"),
        ("keep", {"template_name": "x" * 61}, "is too long", "say-template-name"),
        ("keep", {"template_name": "x"}, "nothing of it is on record", "say-template-name"),
        ("fill", {"template": "none"}, "is not kept here", "say-template"),
        ("put_away", {"template": "shoe_road"}, "stays", "say-template"),
    ],
)
def test_what_cannot_be_is_said_at_its_box(client, visit, action, typed, said, box):
    assert_said_at(post(client, visit, action, **typed), box, said)
    assert not HardwareItem.objects.exists()


def test_the_examples_are_within_what_the_boxes_allow(visit):
    heel = next(f for f in BESIDE_HEEL if f.name == "heel_breadth_mm")
    for one in shoe_templates.templates():
        assert heel.low <= one.heel_breadth_mm <= heel.high
        assert one.system["key"] in {c.key for c in CATALOGUE}
