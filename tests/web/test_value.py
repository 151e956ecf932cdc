"""The drawing as the map of a visit: every number on it leads to how it was taken, beside it and as a page."""

from __future__ import annotations

import re

import pytest
from bench.large_studio import ride
from django.urls import reverse
from numpy.random import default_rng
from playwright.sync_api import Page, expect

from fitwright.records.models import Change, ChangeStep, Measurement, Visit
from fitwright.studio import bike
from fitwright.studio.visits import analyse


def links(client, visit: Visit) -> list[str]:
    """Where the numbers of the drawing lead."""
    text = client.get(reverse("visit", args=[visit.pk])).content.decode()
    return re.findall(rf'<a href="(/visits/{visit.pk}/value/[^"]+)"', text)


def test_every_number_on_the_drawing_leads_to_a_page_about_it(client, filled):
    analyse(filled, "ride", "side right before", ride("side right", default_rng(1)))
    analyse(filled, "ride", "front before", ride("front", default_rng(2)))
    found = links(client, filled)
    names = {address.rsplit("/", 1)[1] for address in found}
    assert {"saddle_height_mm", "hood_x_mm", "crank_mm", "knee_path_mm.top"} <= names
    assert not any(f"/visits/{filled.pk}/bike/" in a for a in found)
    for address in found:
        page = client.get(address)
        assert page.status_code == 200, address
        assert "Not taken in this visit yet" not in page.content.decode(), address


def test_a_corrected_number_keeps_the_one_before_with_method_and_time(client, filled):
    bike.save_bike(filled, {"saddle_height_mm": "712"})
    Measurement.objects.filter(key="saddle_height_mm").current().get()
    text = client.get(reverse("value", args=[filled.pk, "saddle_height_mm"])).content.decode()
    assert text.index("712.0 ± 2.0 mm") < text.index("705.0 ± 2.0 mm")
    assert text.count("a later one stands in its place") == 1
    assert "ruler or tape" in text
    assert "whoever was at the bench" in text


def test_what_was_turned_stands_with_what_was_typed(client, filled):
    plan = analyse(filled, "plan", "plan", {})
    planned = {
        "adjustable": "saddle_height_mm",
        "before": 705.0,
        "after": 699.0,
        "unit": "mm",
        "delta": -6.0,
        "words": "lower",
    }
    change = Change.objects.create(visit=filled, plan=plan, order=1, planned=planned)
    ChangeStep.objects.create(change=change, state="done", actual=699.4, u=0.5)
    ChangeStep.objects.create(change=change, state="kept")
    text = client.get(reverse("value", args=[filled.pk, "saddle_height_mm"])).content.decode()
    assert text.index("699.4 ± 1.0 mm") < text.index("705.0 ± 2.0 mm")
    assert text.count("turned, measured on the bike") == 1
    ChangeStep.objects.create(change=change, state="undone")
    assert (
        "turned back" in client.get(reverse("value", args=[filled.pk, "saddle_height_mm"])).content.decode()
    )


def test_a_ride_s_number_tells_both_films(client, filled):
    analyse(filled, "ride", "side right before", ride("side right", default_rng(1)))
    analyse(filled, "ride", "side right after", ride("side right", default_rng(2)))
    text = client.get(reverse("value", args=[filled.pk, "knee_flexion_deg.min"])).content.decode()
    assert "from the right, as it came" in text
    assert "from the right, after the change" in text


@pytest.mark.parametrize(
    "name", ["nothing", "sole.middle", "knee_flexion_deg", "knee_flexion_deg.min.x", "<script>", "height_mm"]
)
def test_what_is_no_number_of_a_visit_is_not_found(client, filled, name):
    assert client.get(f"/visits/{filled.pk}/value/{name}").status_code == 404


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_a_number_tells_about_itself_beside_the_drawing_by_keyboard(live_server, filled, page: Page):
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.goto(f"{live_server.url}/visits/{filled.pk}/")
    link = page.locator(f'#map .roomy a[href="/visits/{filled.pk}/value/saddle_height_mm"]')
    link.focus()
    page.keyboard.press("Enter")
    panel = page.get_by_role("complementary", name="One number")
    expect(panel).to_contain_text("705.0 ± 2.0 mm")
    expect(panel.get_by_role("heading", name="Saddle height")).to_be_focused()
    assert page.url.endswith(f"/visits/{filled.pk}/")
    page.keyboard.press("Escape")
    expect(panel).to_be_hidden()
    expect(link).to_be_focused()
    link.locator("text").last.click()
    expect(panel).to_be_visible()
    panel.get_by_role("button", name="Close").click()
    expect(panel).to_be_hidden()
    assert troubles == []


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_on_a_phone_the_numbers_stand_in_rows_below_a_drawing_that_fits(
    live_server, filled: Visit, page: Page
):
    page.set_viewport_size({"width": 390, "height": 850})
    page.goto(f"{live_server.url}/visits/{filled.pk}/")
    assert not page.locator("#map .roomy").is_visible()
    row = page.locator("#map .numbers li", has_text="Saddle height")
    assert row.is_visible()
    assert "mm" in row.inner_text()
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    assert page.locator("#map .narrow svg").first.bounding_box()["width"] <= 390
    row.get_by_role("link").click()
    assert page.url.endswith("/value/saddle_height_mm")
