"""Undo and redo from every page of a visit: buttons that say what, and Ctrl+Z outside of text."""

from __future__ import annotations

import re
from io import BytesIO

import pytest
from django.urls import reverse
from PIL import Image
from playwright.sync_api import Page, expect

from fitwright.records.media import keep_stream
from fitwright.records.models import STATIONS, Measurement
from fitwright.studio import bike
from fitwright.studio.edits import tops
from fitwright.studio.visits import measured


def height(visit) -> float | None:
    row = Measurement.objects.current().filter(visit=visit, key="saddle_height_mm").first()
    return row.value if row else None


def test_every_page_of_the_visit_says_what_would_be_undone(client, filled):
    bike.save_bike(filled, {"saddle_height_mm": "712"})
    for name in ("visit", *STATIONS):
        text = client.get(reverse(name, args=[filled.pk])).content.decode()
        assert "Undo: saddle height" in text, name


def test_undo_says_what_was_undone_and_leads_back_to_where_one_was(client, filled):
    bike.save_bike(filled, {"saddle_height_mm": "712"})
    body = reverse("body", args=[filled.pk])
    page = client.post(
        reverse("undo", args=[filled.pk]), {"undo": tops(filled).undo.pk, "next": body}, follow=True
    )
    assert page.redirect_chain == [(body, 302)]
    assert "Undone, Bike: saddle height is 705.0 ± 2.0 mm again" in page.content.decode()
    assert height(filled) == 705
    again = client.post(
        reverse("undo", args=[filled.pk]), {"redo": tops(filled).redo.pk, "next": body}, follow=True
    )
    assert "Done again, Bike: saddle height is 712" in again.content.decode()
    assert height(filled) == 712


@pytest.mark.parametrize(
    "back", ["https://elsewhere.example/", "//elsewhere.example/visits/1/", "/", "/visits/999/", ""]
)
def test_the_way_back_stays_in_the_visit(client, filled, back):
    page = client.post(reverse("undo", args=[filled.pk]), {"undo": tops(filled).undo.pk, "next": back})
    assert page.url == reverse("visit", args=[filled.pk])


def test_sent_twice_or_from_an_old_page_it_undoes_once(client, filled):
    bike.save_bike(filled, {"saddle_height_mm": "712"})
    key = tops(filled).undo.pk
    for _ in range(2):
        page = client.post(reverse("undo", args=[filled.pk]), {"undo": key}, follow=True)
    assert "Something else was saved since this page was shown" in page.content.decode()
    assert height(filled) == 705
    assert ("q_factor_mm", "") in measured(filled, "bike")


def test_a_visit_without_a_save_has_nothing_to_undo(client, visit):
    text = client.get(reverse("bike", args=[visit.pk])).content.decode()
    assert len(re.findall(r'name="(?:undo|redo)"[^>]* disabled', text)) == 2
    page = client.post(reverse("undo", args=[visit.pk]), {"undo": "7"}, follow=True)
    assert "There is nothing to undo" in page.content.decode()


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_what_was_just_typed_is_undone_by_key_and_inside_text_the_key_is_the_text_s_own(
    live_server, filled, page: Page
):
    page.goto(f"{live_server.url}/visits/{filled.pk}/bike")
    box = page.get_by_label("Saddle height", exact=False).first
    box.fill("712")
    page.keyboard.press("Control+z")  # in the box: the browser's own
    assert height(filled) == 705
    box.fill("713")
    box.press("Tab")
    expect(page.locator("#say-saddle_height_mm")).to_contain_text("713.0")
    expect(page.get_by_role("button", name=re.compile("Undo ?: saddle height$"))).to_be_enabled()
    page.get_by_role("heading", level=1).click()
    page.keyboard.press("Control+z")
    expect(page.get_by_text("Undone, Bike: saddle height is 705.0 ± 2.0 mm again")).to_be_visible()
    expect(page.get_by_label("Saddle height", exact=False).first).to_have_value("705")
    page.keyboard.press("Control+y")
    expect(page.get_by_text("Done again, Bike: saddle height is 713")).to_be_visible()


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_where_points_are_picked_the_key_is_the_picks_own(live_server, filled, page: Page):
    picture = BytesIO()
    Image.new("L", (400, 300), 200).save(picture, "PNG")
    picture.seek(0)
    photo = keep_stream(picture, "sole.png", "photo")
    page.goto(f"{live_server.url}/visits/{filled.pk}/feet/pick/{photo.pk}?foot=left&when=before")
    expect(page.locator("#undo")).to_be_hidden()
    page.locator("body").press("Control+z")
    expect(page.locator("canvas.picture")).to_be_visible()
    assert height(filled) == 705
