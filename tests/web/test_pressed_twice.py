"""A form that makes something, pressed twice as impatient hands do, makes it once; a new rider: `test_journeys`."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pytest
from django.db.models import Model
from django.urls import reverse
from playwright.sync_api import Locator, Page

from counted_film import write_film
from fitwright.records.models import ChangeStep, HardwareItem, Medium, Person, Shoes, Visit
from fitwright.studio import plan
from fitwright.studio.feet import pairs
from ridden_visit import at_flexion, ride_it, typed_visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def press_twice(page: Page, button: Locator) -> None:
    """Pressed, and pressed again at once; what was sent is answered when it returns."""
    sent: list[str] = []
    page.on("request", lambda r: sent.append(r.url) if r.method == "POST" else None)
    with page.expect_navigation():
        button.dblclick()
    page.wait_for_load_state("networkidle")
    assert len(sent) == 1


@dataclass(frozen=True)
class Form:
    """A page with what is typed on it (by id), the box beside whose form's button is pressed, and what is made."""

    page: str
    typed: dict[str, str]
    made: type[Model]
    about: dict[str, str] = field(default_factory=dict)


FORMS = {
    "visit": Form("rider", {"title": "second visit"}, Visit),
    "bike template": Form("bike", {"template-name": "grey, 56"}, HardwareItem, about={"kind": "bike_template"}),
    "shoe template": Form(
        "feet_hardware", {"template-name": "trail 43"}, HardwareItem, about={"kind": "shoe_template"}
    ),
    "pair of shoes": Form("feet_hardware", {"add-name": "winter"}, Shoes, about={"letter": "B"}),
    "person at the bench": Form("people", {"name": "Ana"}, Person),
    "printer": Form(
        "printers", {"printer": "office", "across_mm": "100", "along_mm": "100"}, HardwareItem,
        about={"kind": "printer"},
    ),
}  # fmt: skip


@pytest.mark.parametrize("what", FORMS)
def test_what_is_pressed_twice_is_made_once(live_server, filled: Visit, page: Page, what: str):
    form = FORMS[what]
    pairs.save_pair(filled, {"name": "road", "size_eu": "43", "system": "two_bolt"})
    there = form.made.objects.filter(**form.about)
    before = there.count()
    about = {"rider": [filled.rider_id], "people": [], "printers": []}.get(form.page, [filled.pk])
    page.goto(live_server.url + reverse(form.page, args=about))
    page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true; })")
    for box, text in form.typed.items():
        page.locator(f"#{box}").fill(text)
    last = page.locator("form").filter(has=page.locator(f"#{next(iter(form.typed))}"))
    press_twice(page, last.locator("button:not([value=fill], [value=put_away])").last)
    assert there.count() == before + 1


def test_a_change_and_a_film_are_recorded_once(live_server, studio, page: Page, tmp_path):
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    plan.make(visit)
    page.goto(live_server.url + reverse("plan", args=[visit.pk]))
    press_twice(page, page.locator("button[name=state][value=done]").first)
    assert ChangeStep.objects.count() == 1
    film = write_film(tmp_path / "ride.mp4", np.arange(20) / 30)
    page.goto(live_server.url + reverse("ride", args=[visit.pk]))
    page.locator("input[name=film]").set_input_files(film)
    form = page.locator("form").filter(has=page.locator("input[name=film]"))
    press_twice(page, form.locator("button").last)
    assert Medium.objects.count() == 1
