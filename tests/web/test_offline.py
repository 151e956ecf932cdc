"""Offline for a moment, at every kind of box that saves itself: nothing is lost, it is said, and saved later."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from fitwright.plan import red_flags
from fitwright.records.models import Answer, Measurement, Rating
from fitwright.studio import body
from fitwright.studio.feet.setting import wanted_lambda

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
Do = Callable[[Page], None]
BACK_MS = 15_000
FLAG = red_flags.QUESTIONS[0].id


def typed(name: str, text: str) -> Do:
    def do(page: Page) -> None:
        box = page.locator(f"[id='in-{name}']")
        box.fill(text)
        box.press("Tab")

    return do


def chosen(selector: str, value: str) -> Do:
    return lambda page: page.locator(selector).select_option(value)


def pressed(name: str, value: str) -> Do:
    return lambda page: page.locator(f"[name='{name}'][value='{value}']").check(force=True)


BOXES: dict[str, dict[str, Do]] = {
    "intake": {
        "goal": typed("goal", "Ride four hours"), "use": chosen("#in-use", "gravel"),
        "hours_per_week": typed("hours_per_week", "6,5"), "pain.knee_left": pressed("pain.knee_left", "4"),
        "consent": pressed("consent", "yes"), f"flag.{FLAG}": pressed(f"flag.{FLAG}", "no"),
    },
    "body": {"height_mm": typed("height_mm", "172 cm"), "hanging_foot_left": typed("hanging_foot_left", "6 7,5 7"),
             "measured_by": typed("measured_by", "Ana")},
    "bike": {
        "crank_mm": typed("crank_mm", "172,5"), "q_factor_mm": typed("q_factor_mm", "148"),
    },
}  # fmt: skip
"""By station: each kind of box (paragraph, choice, number, scale, tick, several readings, number with its way)."""
KEPT: dict[str, Callable[[], object]] = {
    "intake": lambda: (
        {a.key: a.value for a in Answer.objects.current()},
        {r.site: r.value for r in Rating.objects.current()},
        {m.key: m.value for m in Measurement.objects.current()},
    ),
    "body": lambda: {m.key: len(m.readings) or m.value for m in Measurement.objects.current()},
    "bike": lambda: {m.key: m.value for m in Measurement.objects.current()},
}
WANTED: dict[str, object] = {
    "intake": (
        {"goal": "Ride four hours", "use": "gravel", "consent": True, f"flag.{FLAG}": "no"},
        {"knee_left": 4},
        {"hours_per_week": 6.5},
    ),
    "body": {"height_mm": 1720, "hanging_foot_deg": 3},
    "bike": {"crank_mm": 172.5, "q_factor_mm": 148},
}  # fmt: skip


@pytest.mark.parametrize("station", BOXES)
def test_every_kind_of_box_waits_for_the_studio_and_saves_itself(live_server, visit, page: Page, station):
    page.goto(f"{live_server.url}/visits/{visit.pk}/{station}")
    page.context.set_offline(True)
    for name, do in BOXES[station].items():
        do(page)
        expect(page.locator(f"[id='field-{name}'] .say .wrong")).to_be_visible()
    assert not Answer.objects.exists()
    assert not Measurement.objects.exists()
    page.context.set_offline(False)
    for name in BOXES[station]:
        expect(page.locator(f"[id='field-{name}'] .say .wrong")).to_have_count(0, timeout=BACK_MS)
    expect(page.locator(".htmx-request")).to_have_count(0)
    assert KEPT[station]() == WANTED[station]


def test_a_slider_waits_too_and_a_form_says_that_it_was_not_sent(live_server, visit, page: Page):
    assert not body.save_body(visit, {"foot_length_left_mm": "262", "foot_length_right_mm": "262"}).errors
    page.goto(f"{live_server.url}/visits/{visit.pk}/feet/setting")
    page.context.set_offline(True)
    page.locator("#lambda-right").fill("0.6")
    page.locator("form.wishing").filter(has=page.locator("#lambda-right")).locator("button").click()
    expect(page.locator("form.wishing [data-unsent]")).to_be_visible()
    expect(page.locator("#lambda-right")).to_have_value("0.6")
    page.locator("#slide-left").focus()
    page.keyboard.press("Home")
    expect(page.locator("form.slide .wrong")).to_be_visible()
    page.context.set_offline(False)
    expect(page.locator("form.slide .wrong")).to_have_count(0, timeout=BACK_MS)
    expect(page.locator(".htmx-request")).to_have_count(0)
    assert wanted_lambda(visit, "left") == 0
