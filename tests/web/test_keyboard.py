"""Feet and Plan without a mouse: a point in the lens, the slider, a bolt tried out, a change recorded."""

from __future__ import annotations

from io import BytesIO

import numpy as np
import pytest
from django.urls import reverse
from PIL import Image
from playwright.sync_api import Page, expect

from fitwright.records.media import keep_stream
from fitwright.records.models import ChangeStep
from fitwright.studio import body, plan
from fitwright.studio.feet.setting import wanted_lambda
from ridden_visit import at_flexion, ride_it, typed_visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
FARTHEST = 200


def to(page: Page, selector: str) -> None:
    """Tab on until the element has the focus."""
    for _ in range(FARTHEST):
        if page.evaluate("s => !!document.activeElement?.matches(s)", selector):
            return
        page.keyboard.press("Tab")
    pytest.fail(f"Tab does not lead to {selector}")


def test_a_point_is_picked_and_the_lens_is_left_again(live_server, visit, page: Page):
    picture = BytesIO()
    Image.fromarray(np.full((300, 400), 200, np.uint8)).save(picture, "PNG")
    picture.seek(0)
    photo = keep_stream(picture, "sole.png", "photo")
    page.goto(f"{live_server.url}{reverse('feet_pick', args=[visit.pk, photo.pk])}?foot=left&when=before")
    to(page, "canvas.picture")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Shift+ArrowDown")
    expect(page.locator('input[name="x.heel_centre"]')).to_have_value("200.1")
    expect(page.locator('input[name="y.heel_centre"]')).to_have_value("151")
    to(page, "main form button:not([type=button])")  # from point to point, and on


def test_the_slider_of_a_first_setting_goes_by_arrow_keys(live_server, visit, page: Page):
    assert not body.save_body(visit, {"foot_length_left_mm": "262"}).errors
    page.goto(live_server.url + reverse("feet_setting", args=[visit.pk]))
    to(page, "#slide-left")
    was = float(page.locator("#slide-left").input_value())
    with page.expect_response(lambda r: r.request.method == "POST"):
        page.keyboard.press("ArrowRight")
    assert wanted_lambda(visit, "left") == pytest.approx(was + 0.01)


def test_a_bolt_is_tried_out_and_a_change_recorded(live_server, studio, page: Page):
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    plan.make(visit)
    page.goto(live_server.url + reverse("bolt", args=[visit.pk]))
    to(page, "#more-saddle_height_mm")
    page.keyboard.press("Enter")
    expect(page.locator("#at-saddle_height_mm")).to_have_value("706")
    expect(page.locator("#more-saddle_height_mm")).to_be_focused()  # to be pressed again
    page.keyboard.press("Enter")
    expect(page.locator("#at-saddle_height_mm")).to_have_value("707")
    page.goto(live_server.url + reverse("plan", args=[visit.pk]))
    to(page, "button[name=state][value=done]")
    with page.expect_navigation():
        page.keyboard.press("Enter")
    assert ChangeStep.objects.get().state == "done"
