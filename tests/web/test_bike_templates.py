"""Bikes that come again: a template fills what is empty, as a guess, and never takes a measurement's place."""

from __future__ import annotations

import pytest
from django.urls import reverse

from fitwright.records.models import Edit, HardwareItem, Measurement, Visit
from fitwright.studio import bike_templates, undo
from fitwright.studio.bike import save_bike
from fitwright.studio.edits import tops
from fitwright.studio.visits import measured
from web_forms import assert_said_at


def post(client, visit, action, **typed):
    return client.post(reverse("bike", args=[visit.pk]), {"action": action, **typed})


def on_record(visit) -> dict[str, tuple[float, str]]:
    rows = measured(Visit.objects.get(pk=visit.pk), "bike")
    return {key: (m.value, m.method) for (key, _), m in rows.items()}


def test_it_fills_only_what_is_empty_and_says_that_it_is_a_guess(client, visit):
    save_bike(visit, {"crank_mm": "167.5"})
    assert post(client, visit, "fill", template="gravel").status_code == 302
    told = "told, not measured"
    assert on_record(visit) == {
        "crank_mm": (167.5, "marked on the part"), "q_factor_mm": (151, told), "pedal_offset_mm": (53, told),
    }  # fmt: skip
    assert Measurement.objects.get(key="q_factor_mm").u == 5.0
    text = client.get(reverse("bike", args=[visit.pk])).content.decode()
    assert "as told and not measured: Q factor, pedal offset" in text
    again = post(client, visit, "fill", template="gravel")
    assert again.status_code == 422
    assert "on record here already" in again.content.decode()


def test_saving_the_page_afterwards_does_not_make_it_measured(client, visit):
    post(client, visit, "fill", template="road")
    typed = {"crank_mm": "172.5", "crank_mm.how": "asked", "crank_mm.u": ""}
    client.post(reverse("bike", args=[visit.pk]), {"version": "2", **typed})
    assert Measurement.objects.filter(key="crank_mm").count() == 1


def test_one_undo_takes_all_of_it_back(client, visit):
    post(client, visit, "fill", template="road")
    fresh = Visit.objects.get(pk=visit.pk)
    assert Edit.objects.count() == 1
    undo.undo(fresh, tops(fresh).undo.pk)
    assert on_record(visit) == {}


def test_a_bike_is_kept_without_its_saddle_and_said_anew_under_its_name(client, visit):
    save_bike(
        visit, {"crank_mm": "170", "hood_x_mm": "480", "saddle_height_mm": "700", "saddle_setback_mm": "150"}
    )
    assert post(client, visit, "keep", name="  gravel 54 <b> ").status_code == 302
    save_bike(visit, {"crank_mm": "172.5"})
    post(client, visit, "keep", name="Gravel 54 <B>")
    first, *rest = bike_templates.templates()
    assert (first.label, first.values) == ("Gravel 54 <B>", {"crank_mm": 172.5, "hood_x_mm": 480})
    assert [t.own for t in rest] == [False] * len(bike_templates.COMMON)
    assert HardwareItem.objects.count() == 2
    assert "Gravel 54 &lt;B&gt;: " in client.get(reverse("bike", args=[visit.pk])).content.decode()
    post(client, visit, "put_away", template=first.key)
    assert bike_templates.templates() == bike_templates.COMMON


@pytest.mark.parametrize(
    ("action", "typed", "said", "box"),
    [
        ("keep", {"name": " "}, "is needed", "say-template-name"),
        ("keep", {"name": "x" * 61}, "is too long", "say-template-name"),
        ("keep", {"name": "x"}, "nothing of it is on record", "say-template-name"),
        ("fill", {"template": "none"}, "is not kept here", "say-template"),
        ("put_away", {"template": "road"}, "stays", "say-template"),
    ],
)
def test_what_cannot_be_is_said_at_its_box(client, visit, action, typed, said, box):
    assert_said_at(post(client, visit, action, **typed), box, said)
    assert not HardwareItem.objects.exists()


def test_an_old_page_fills_nothing_that_was_filled_since(client, visit):
    save_bike(visit, {"crank_mm": "170"})
    answer = post(client, visit, "fill", template="road", version="1")
    assert answer.status_code in (302, 422)
    assert on_record(visit)["crank_mm"] == (170, "marked on the part")


def test_the_common_ones_are_within_what_the_boxes_allow(client, visit):
    for template in bike_templates.COMMON:
        for field in bike_templates.FIELDS:
            if field.name in template.values:
                assert field.low <= template.values[field.name] <= field.high
