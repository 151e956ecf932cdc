"""What the eye sees: nothing jumps after a page is there, nothing is cut at 200 %, little script is sent."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import pytest
from bench.shots import STATIONS
from django.contrib.staticfiles import finders
from playwright.sync_api import Page

from fitwright.records.models import Visit
from ridden_visit import at_flexion, ride_it, typed_visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
OWN = Path(str(finders.find("bench.js"))).parent
MOST_SHIFT = 0.001
MOST_SCRIPT_BYTES = 60_000
WATCH = """
window.shifts = 0;
new PerformanceObserver((all) => { for (const e of all.getEntries()) window.shifts += e.value; })
  .observe({ type: "layout-shift", buffered: true });
"""
CUT = """() => {
  const wide = innerWidth, cut = [];
  for (const e of document.querySelectorAll("main *, header *, footer *")) {
    const r = e.getBoundingClientRect();
    if (!r.width || !r.height || r.right <= wide + 1) continue;
    // What lies in a box that scrolls sideways by itself is within reach; hidden words are for screen readers.
    let inside = e;
    while (inside && !["auto", "scroll", "hidden", "clip"].includes(getComputedStyle(inside).overflowX)) {
      inside = inside.parentElement;
    }
    if (inside && inside !== document.documentElement && inside !== document.body) continue;
    cut.push(e.outerHTML.slice(0, 120));
  }
  return cut.slice(0, 3);
}"""


@pytest.fixture
def addresses(studio) -> list[str]:
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    pk = Visit.objects.get(pk=visit.pk).pk
    return [
        "/",
        "/follow-ups",
        "/studio/",
        "/words",
        f"/visits/{pk}/",
        *(f"/visits/{pk}/{s}" for s in STATIONS),
    ]


def test_nothing_moves_after_a_page_is_there(live_server, addresses, page: Page):
    page.add_init_script(WATCH)
    moved = {}
    for address in addresses:
        page.goto(live_server.url + address)
        page.wait_for_load_state("networkidle")
        if (shift := page.evaluate("window.shifts")) > MOST_SHIFT:
            moved[address] = shift
    assert moved == {}


def test_at_200_percent_nothing_is_cut(live_server, addresses, page: Page):
    """A screen of 1280 px at 200 % has 640 px of its own."""
    page.set_viewport_size({"width": 640, "height": 450})
    wrong = {}
    for address in addresses:
        page.goto(live_server.url + address)
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        sideways = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        if sideways > 0 or page.evaluate(CUT):
            wrong[address] = (sideways, page.evaluate(CUT))
    assert wrong == {}


def test_all_scripts_together_are_small(client, studio):
    """All of our own and what a page takes from htmx, each as gzip would send it."""
    text = client.get("/").content.decode()
    names = set(re.findall(r'src="/static/(django_htmx/[^"?]+)', text))
    assert names
    own = {path.name for path in OWN.glob("*.js")}
    total = sum(len(gzip.compress(Path(str(finders.find(n))).read_bytes(), 6)) for n in names | own)
    assert 10_000 < total < MOST_SCRIPT_BYTES
