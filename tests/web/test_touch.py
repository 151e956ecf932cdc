"""What is tapped on a tablet, lying and standing, is large enough for a finger."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from bench.shots import STATIONS
from playwright.sync_api import Browser, Page

from ridden_visit import at_flexion, ride_it, typed_visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
TABLETS = {"lying": (1024, 768), "standing": (768, 1024)}
LEAST_PX = 24  # WCAG 2.2, success criterion 2.5.8
SMALL = """least => {
  const found = [], all = "a[href], button, input, select, textarea, summary, [role=button]";
  const box = (e) => {
    const around = e.closest("label") || (e.id && document.querySelector(`label[for="${CSS.escape(e.id)}"]`));
    const ticked = ["radio", "checkbox"].includes(e.type);
    return (ticked && around ? around : e).getBoundingClientRect();
  };
  for (const e of document.querySelectorAll(all)) {
    if (e.type === "hidden" || e.closest("svg, .unseen, [hidden]") || !e.checkVisibility()) continue;
    // A link within a sentence is as high as its line (2.5.8, exception "inline").
    if (e.matches("a") && getComputedStyle(e).display === "inline") continue;
    const { width, height } = box(e);
    if (width > 0 && Math.min(width, height) < least) found.push(`${width} x ${height} ${e.outerHTML.slice(0, 110)}`);
  }
  return found;
}"""


@pytest.fixture(params=TABLETS)
def tablet(request, browser: Browser) -> Iterator[Page]:
    wide, high = TABLETS[request.param]
    context = browser.new_context(viewport={"width": wide, "height": high}, has_touch=True)
    yield context.new_page()
    context.close()


def test_what_is_tapped_is_large_enough(live_server, studio, tablet: Page):
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    small = {}
    pages = [f"/visits/{visit.pk}/{s}" for s in STATIONS]
    for address in ("/", "/riders/new", "/follow-ups", "/studio/", "/printers", "/words", *pages):
        tablet.goto(live_server.url + address)
        tablet.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        if found := tablet.evaluate(SMALL, LEAST_PX):
            small[address] = found[:6]
    assert small == {}
