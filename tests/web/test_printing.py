"""Every page of a visit as the browser prints it: the rider and what was found, no way about, nothing cut off."""

from __future__ import annotations

import pymupdf
import pytest
from django.urls import reverse
from playwright.sync_api import Page

from fitwright.studio import plan
from ridden_visit import at_flexion, ride_it, typed_visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
PAGES = (
    "visit", "intake", "body", "feet", "feet_marks", "feet_hardware", "feet_setting", "feet_clearance", "feet_aid",
    "feet_check", "bike", "ride", "plan", "bolt", "handover",
)  # fmt: skip
A4_WITHIN_MARGINS_PX = 718
"""190 mm at 96 px to the inch."""
SIDES = ("top", "right", "bottom", "left")
WRONG = """() => {
  const seen = (e) => e.checkVisibility({ visibilityProperty: true }) && e.getBoundingClientRect().height > 1;
  const all = (what) => [...document.querySelectorAll(what)].filter(seen);
  const name = (e) => e.outerHTML.slice(0, 90);
  const edge = document.documentElement.clientWidth + 1;
  const hides = (e) => ["auto", "scroll", "hidden"].includes(getComputedStyle(e).overflowX);
  return {
    about: all("button, nav, .button, .skip, .undo, input[type=file]").map(name),
    beyond: all("main *:not(svg *)").filter(e => e.getBoundingClientRect().right > edge).map(name),
    cut: all("main *:not(svg *, input, select, textarea)")
      .filter(e => hides(e) && e.clientWidth > 4 && e.scrollWidth > e.clientWidth + 2).map(name),
  };
}"""


def test_every_page_of_a_visit_prints_whole_and_without_the_shell(live_server, studio, page: Page):
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    plan.make(visit)
    page.set_viewport_size({"width": A4_WITHIN_MARGINS_PX, "height": 1000})
    page.emulate_media(media="print")
    wrong = {}
    for name in PAGES:
        page.goto(live_server.url + reverse(name, args=[visit.pk]))
        if any(found := page.evaluate(WRONG).values()):
            wrong[name] = list(found)
        heading = page.locator("main h1, main h2").first.inner_text()
        last = page.locator("main :is(h1, h2, h3):visible").last.inner_text()
        sheet = pymupdf.open(stream=page.pdf(format="A4", margin=dict.fromkeys(SIDES, "10mm")))
        text = "".join("".join(p.get_text() for p in sheet).split())
        for words in ("Ilse Varga", heading, last):
            line = words.splitlines()[0]  # what is said to a screen reader alone stands below
            assert "".join(line.split()) in text, (name, line)
    assert wrong == {}
