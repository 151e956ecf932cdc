"""The catalogue, the shoes on the bench, and clearance, as they are typed in a browser."""

from __future__ import annotations

import re

import numpy as np
import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from fitwright.foot.hardware import system
from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.quantity import Measured
from fitwright.records.models import HardwareItem, Measurement, Shoes
from fitwright.studio import hardware as catalogue
from fitwright.studio.feet import pairs
from fitwright.studio.feet.hardware import float_window, system_of
from fitwright.studio.visits import analyse

STAYS = {
    "stay_length_mm": "410", "stay_rise_mm": "70", "stay_front_mm": "70", "stay_middle_mm": "100",
    "stay_rear_mm": "148", "arms_at_axle_mm": "130",
}  # fmt: skip
FRONT = {
    "front_centre_mm": "58,5 cm", "axle_above_bb_mm": "68", "radius_mm": "338", "tyre_width_mm": "28",
    "head_angle_deg": "73", "fork_offset_mm": "45",
}  # fmt: skip


def sole(visit, side, cleat):
    """A measured sole on record, as a photograph would have left it."""
    marks = {
        "m1": (201, -38),
        "m5": (172, 44),
        "heel_centre": (0, 0),
        "toe": (281, 0),
        "heel_inner": (42, -33),
    }
    points = {n: SolePoint(float(x), float(z), np.eye(2) * 0.04) for n, (x, z) in marks.items()}
    pose = CleatPose(*cleat, np.diag([0.04, 0.04, 0.04]), "sole photograph")
    reading = SoleReading(side, points, {}, pose, Measured(281, 0.3, "mm"), {})
    analyse(visit, "sole", f"{side} before", reading.to_json())


@pytest.fixture
def shod(filled):
    """The filled visit with shoes on the bench and both soles measured."""
    pairs.save_pair(filled, {"name": "road", "size_eu": "43.5", "system": "three_bolt_wide"})
    sole(filled, "left", (186.0, 2.0, 3.0))
    sole(filled, "right", (184.0, 1.0, 9.0))
    return filled


def unlabelled(text):
    """Names of visible inputs and selects that no label names."""
    named = set(re.findall(r'<label for="([^"]+)"', text))
    found = []
    for tag in re.findall(r"<(?:input|select|textarea)\b[^>]*>", text):
        if 'type="hidden"' in tag or "aria-label=" in tag:
            continue
        ident = re.search(r'\bid="([^"]+)"', tag)
        if not ident or ident[1] not in named:
            found.append(tag)
    return found


# --- the catalogue ---


@pytest.mark.parametrize("kind", ["cleat", "pedal", "spacer", "shim", "wedge"])
@pytest.mark.parametrize("query", ["", "&new=1", "&new=two"])
def test_every_kind_opens_and_labels_its_boxes(client, studio, kind, query):
    text = client.get(f"{reverse('catalogue')}?kind={kind}{query}").content.decode()
    assert "common practice" in text
    assert not unlabelled(text)
    if query:
        drawn, boxes = text.count('class="shows"'), text.count('class="measure"')
        assert drawn == boxes > 0


def test_it_is_found_from_the_first_page(client, studio):
    assert reverse("catalogue") in client.get(reverse("front")).content.decode()


def test_a_part_is_added_corrected_put_away_and_offered_again(client, studio):
    address = reverse("catalogue")
    new = {
        "action": "save",
        "kind": "pedal",
        "key": "",
        "label": "the grey ones",
        "offset_mm": "5,5 cm",
        "axle_mm": "",
    }
    response = client.post(address, new)
    assert response.status_code == 302
    assert response["Location"].endswith("kind=pedal#part-the_grey_ones")
    page = client.get(f"{address}?kind=pedal&key=the_grey_ones").content.decode()
    assert 'value="55"' in page
    client.post(address, new | {"key": "the_grey_ones", "offset_mm": "55.5"})
    assert catalogue.part("pedal", "the_grey_ones").data["offset_mm"] == 55.5
    for action, shown in (("retire", "Offer again"), ("restore", "Put away")):
        client.post(address, {"action": action, "kind": "pedal", "key": "the_grey_ones"})
        listed = client.get(f"{address}?kind=pedal").content.decode().split('id="part-the_grey_ones"')[1]
        assert shown in listed.split("</li>")[0]
    assert HardwareItem.objects.filter(key="the_grey_ones").count() == 4


def test_wrong_boxes_stand_with_what_was_typed(client, studio):
    typed = catalogue.part("cleat", "three_bolt_wide").texts | {
        "action": "save", "kind": "cleat", "key": "", "label": "<b>wide</b>", "stack_mm": "1 m", "nose_mm": "",
    }  # fmt: skip
    response = client.post(reverse("catalogue"), typed)
    text = response.content.decode()
    assert response.status_code == 422
    assert "5 to 60 mm" in text
    assert 'value="1 m"' in text
    assert "Nose: is missing" in text
    assert "&lt;b&gt;wide" in text
    assert text.count('role="alert"') == 3
    assert not HardwareItem.objects.exists()


@pytest.mark.parametrize("query", ["?kind=saddle", "?kind=cleat&key=nothing"])
def test_addresses_that_are_none_are_said_plainly(client, studio, query):
    response = client.get(reverse("catalogue") + query)
    assert response.status_code == 400
    assert "catalogue" in response.content.decode()


def test_when_all_of_a_kind_are_put_away_the_page_says_so(client, studio):
    catalogue.retire("wedge", "wedge_1")
    text = client.get(f"{reverse('catalogue')}?kind=wedge").content.decode()
    assert "Every wedge is put away" in text


# --- shoes and hardware ---


def test_shoes_from_nothing_to_a_system_as_measured(client, visit):
    address = reverse("feet_hardware", args=[visit.pk])
    text = client.get(address).content.decode()
    assert "No shoes are known yet" in text
    assert not unlabelled(text)
    typed = {
        "action": "measures",
        "bolts": "three-bolt",
        "float_in_deg": "4,5",
        "float_out_deg": "4.5",
        "stack_mm": "2 cm",
    }
    assert client.post(address, typed).status_code == 302
    visit.refresh_from_db()
    assert visit.shoes.cleat_system == {
        "bolts": "three-bolt", "float_in_deg": 4.5, "float_out_deg": 4.5, "stack_mm": 20,
    }  # fmt: skip
    page = client.post(address, typed | {"stack_mm": "300"})
    assert page.status_code == 422
    assert "5 to 60 mm" in page.content.decode()
    assert 'value="300"' in page.content.decode()


def test_a_pair_is_named_given_a_system_and_a_second_one_added(client, visit):
    address = reverse("feet_hardware", args=[visit.pk])
    pair = {"action": "pair", "name": "road", "size_eu": "43,5", "system": "three_bolt_narrow"}
    assert client.post(address, pair).status_code == 302
    visit.refresh_from_db()
    assert system_of(visit) == system("three_bolt_narrow")
    assert client.post(address, {"action": "add", "name": "indoor", "size_eu": "44"}).status_code == 302
    text = client.get(address).content.decode()
    assert text.index("road") < text.index("indoor")
    assert text.count("Put on the bench") == 1
    assert client.post(address, {"action": "switch", "letter": "A"}).status_code == 302
    visit.refresh_from_db()
    assert visit.shoes.letter == "A"
    assert float_window(visit) == (2.0, 2.0)
    wrong = client.post(address, {"action": "add", "name": "winter <i>", "size_eu": "big"})
    assert wrong.status_code == 422
    assert "winter &lt;i&gt;" in wrong.content.decode()
    assert Shoes.objects.count() == 2
    for odd in (
        {"action": "pair", "system": "nothing"},
        {"action": "switch", "letter": "Z"},
        {"action": "?"},
    ):
        assert client.post(address, odd).status_code == 422


def test_parts_between_foot_and_crank_good_ones_are_kept_beside_wrong_ones(client, shod):
    address = reverse("feet_hardware", args=[shod.pk])
    typed = {
        "action": "fitted",
        "pedal": "pedal_long",
        "spacer_left_mm": "4",
        "shim_left_mm": "200",
        "wedge_right_deg": "x",
    }
    response = client.post(address, typed)
    text = response.content.decode()
    assert response.status_code == 422
    assert 'value="200"' in text
    assert "0 to 30 mm" in text
    assert "“x” is not a number" in text
    assert Measurement.objects.current().get(key="spacer_left_mm").value == 4
    assert Measurement.objects.current().get(key="pedal_offset_mm").value == 57


def test_the_region_and_what_falls_short_are_shown(client, shod):
    text = client.get(reverse("feet_hardware", args=[shod.pk])).content.decode()
    assert "where the cleat’s centre can be bolted" in text
    assert "inferred from the cleat as it sat" in text
    assert "First setting" in text


# --- clearance and stance ---


def test_an_empty_visit_says_what_is_needed(client, visit):
    text = client.get(reverse("feet_clearance", args=[visit.pk])).content.decode()
    assert "Still needed: crank length; Q factor; pedal offset; the left cleat" in text
    assert "so the foot is taken as held still" in text
    assert not unlabelled(text)


def test_heels_toes_and_stance_are_worked_out(client, shod):
    address = reverse("feet_clearance", args=[shod.pk])
    assert client.post(address, {"action": "measures", **STAYS, **FRONT}).status_code == 302
    text = client.get(address).content.decode()
    for part in ("crank arm", "chainstay"):
        assert text.count(f"mm to the {part}, with the crank at") == 2
    assert "the heel’s inner edge as picked" in text
    assert "usual sole pitch, our assumption" in text
    assert "the toe" in text
    assert "Disley &amp; Li 2014" in text
    assert Measurement.objects.get(key="front_centre_mm").value == 585
    left, right = re.findall(r"([−\d]+)\s±\s\d+ mm to the crank arm", text)[:2]
    assert int(left.replace("−", "-")) > int(right.replace("−", "-"))  # the right foot is turned out more


def test_a_wrong_number_stands_beside_its_box_and_the_others_are_saved(client, shod):
    address = reverse("feet_clearance", args=[shod.pk])
    response = client.post(
        address, {"action": "measures", "stay_length_mm": "41", "stay_rise_mm": "70", "q_factor_mm": "15"}
    )
    text = response.content.decode()
    assert response.status_code == 422
    assert "300 to 600 mm" in text
    assert "80 to 300 mm" in text
    assert 'value="41"' in text
    assert "2 fields need" in text
    assert Measurement.objects.get(key="stay_rise_mm").value == 70
    assert client.post(address, {"action": "jump"}).status_code == 422


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_a_part_is_added_and_put_on_the_shoes_by_keyboard_alone(live_server, page: Page, visit):
    page.goto(f"{live_server.url}{reverse('catalogue')}?kind=spacer&new=1")
    expect(page.get_by_label("What you call it")).to_be_focused()
    page.keyboard.type("thin washer")
    page.keyboard.press("Tab")
    page.keyboard.type("1,2 cm 3")
    page.keyboard.press("Enter")
    wrong = page.get_by_role("textbox", name="Thickness")
    expect(wrong).to_have_attribute("aria-invalid", "true")
    expect(wrong).to_have_value("1,2 cm 3")
    wrong.fill("1,2")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name="thin washer")).to_be_visible()

    page.goto(f"{live_server.url}{reverse('feet_hardware', args=[visit.pk])}")
    page.get_by_label("Cleat system").focus()
    page.keyboard.type("two")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")  # past the link to all parts
    page.keyboard.press("Enter")
    expect(page.get_by_label("Cleat system")).to_have_value("two_bolt")
    assert '<option value="1.2">thin washer' in page.content()
