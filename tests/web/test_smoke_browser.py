"""A real browser on an empty studio: the first rider, a field that saves itself, the loupe by keyboard alone."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from PIL import Image
from playwright.sync_api import Page, expect

from fitwright.records.media import keep_stream
from fitwright.records.models import Measurement, Studio, Visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def quiet_page(page: Page) -> Page:
    """A page that fails the test when its own scripts fail or break the policy."""
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda m: troubles.append(m.text) if "Content Security" in m.text else None)
    yield page
    assert troubles == []


def test_from_an_empty_studio_to_a_saved_number(live_server, quiet_page: Page):
    page = quiet_page
    Studio.objects.create(pk=1, name="Werkstatt am Kanal")
    page.goto(live_server.url)
    page.get_by_role("link", name="Add the first rider").click()
    page.get_by_label("Name").fill("Rosa Lind")
    page.get_by_role("button", name="Save and open the first visit").click()
    page.get_by_role("link", name="Bike", exact=False).first.click()

    crank = page.get_by_label("Crank length", exact=False).first
    crank.fill("17 m")
    crank.press("Tab")
    expect(page.locator("#say-crank_mm")).to_contain_text("100 to 220 mm")
    expect(crank).to_have_value("17 m")
    expect(crank).to_have_attribute("aria-invalid", "true")

    crank.fill("172,5")
    crank.press("Tab")
    expect(page.locator("#say-crank_mm")).to_contain_text("172.5 ± 0.4 mm")
    expect(crank).not_to_have_attribute("aria-invalid", "true")
    page.get_by_label("Q factor", exact=False).first.fill("148")
    page.keyboard.press("Tab")
    expect(page.locator("#say-q_factor_mm")).to_contain_text("148.0 ± 0.4 mm")
    assert Measurement.objects.current().count() == 2
    expect(page.locator("#walk .partly")).to_contain_text("Bike")


def test_points_are_picked_without_a_mouse(live_server, quiet_page: Page, visit: Visit):
    page = quiet_page
    picture = BytesIO()
    Image.fromarray(np.full((300, 400), 200, np.uint8)).save(picture, "PNG")
    picture.seek(0)
    photo = keep_stream(picture, "sole.png", "photo")
    page.goto(f"{live_server.url}/visits/{visit.pk}/feet/pick/{photo.pk}?foot=left&when=before")
    canvas = page.locator("canvas.picture")
    canvas.focus()
    expect(page.get_by_role("status").last).to_contain_text("Heel: not picked yet")
    canvas.press("ArrowRight")
    canvas.press("ArrowDown")
    heel = page.locator('input[name="x.heel_centre"]')
    expect(heel).to_have_value("200.1")
    canvas.press("Shift+ArrowRight")
    expect(heel).to_have_value("201.1")
    canvas.press("Tab")
    expect(page.get_by_role("status").last).to_contain_text("Toe: not picked yet")
    canvas.press("Control+z")
    expect(heel).to_have_value("")
    canvas.press("Control+y")
    expect(heel).to_have_value("201.1")

    page.get_by_role("button", name="Measure this sole").click()
    expect(page.get_by_role("alert").first).to_contain_text("Toe: is needed")
    expect(page.locator('input[name="x.heel_centre"]')).to_have_value("201.1")
