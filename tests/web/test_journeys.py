"""The workbench as hands use it: by keyboard only, in two tabs, offline for a moment, twice, back, printed.

Elements are found by their id, name or role, never by their words: these are told in two languages.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pymupdf
import pytest
from playwright.sync_api import Page, expect

from fitwright.records.models import Answer, Measurement, Rating, Rider, Studio, Visit
from fitwright.studio import plan
from fitwright.studio.visits import new_rider, open_visit
from ridden_visit import at_flexion, ride_it, typed_visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
FARTHEST = 160
"""Presses of Tab that lead through the longest page."""
SEEN = """() => {
  const e = document.activeElement;
  if (!e || e === document.body) return null;
  // A round or ticked box may be drawn by what stands beside it, a file's box by its label.
  const drawn = [e, e.nextElementSibling, e.closest("label")].filter(Boolean);
  const marked = drawn.some(d => {
    const s = getComputedStyle(d);
    return (s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 1) || s.boxShadow !== "none";
  });
  return { marked, what: e.outerHTML.slice(0, 120) };
}"""


@pytest.fixture
def bench(page: Page) -> Iterator[Page]:
    """A page that fails the test when a script of its own fails or the server does."""
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("response", lambda r: troubles.append(f"{r.status} {r.url}") if r.status >= 500 else None)
    yield page
    assert troubles == []


class Keys:
    """Somebody without a mouse: Tab, Shift+Tab, letters, Enter, space, arrows."""

    def __init__(self, page: Page) -> None:
        self.page, self.passed = page, 0

    def to(self, selector: str) -> None:
        """Tab on until the element has the focus; the focus is seen at each stop and never caught."""
        last = None
        for _ in range(FARTHEST):
            if self.page.evaluate("s => !!document.activeElement?.matches(s)", selector):
                return
            self.page.keyboard.press("Tab")
            seen = self.page.evaluate(SEEN)
            if seen is not None:
                self.passed += 1
                assert seen["marked"], f"the focus is not seen on {seen['what']}"
                last = seen["what"]
        pytest.fail(f"Tab does not lead to {selector}; it ended on {last}")

    def type(self, name: str, text: str) -> None:
        """Fill a field and leave it; what was focused next keeps the focus after the field saved itself."""
        self.to(f"[name='{name}']")
        self.page.keyboard.press("Control+a")
        self.page.keyboard.type(text)
        with self.page.expect_response(lambda r: r.request.method == "POST"):
            self.page.keyboard.press("Tab")
        left = self.page.evaluate("document.activeElement.outerHTML.slice(0, 200)")
        expect(self.page.locator(".htmx-request, .htmx-settling")).to_have_count(0)
        assert self.page.evaluate("document.activeElement.outerHTML.slice(0, 200)")[:40] == left[:40]

    def follow(self, selector: str) -> None:
        """A link or button, with Enter; the next page loads."""
        self.to(selector)
        with self.page.expect_navigation():
            self.page.keyboard.press("Enter")


def test_a_visit_by_keyboard_only(live_server, bench: Page):
    Studio.objects.create(pk=1, name="Werkstatt am Kanal")
    keys = Keys(bench)
    bench.goto(live_server.url)
    keys.follow("main a[href='/riders/new']")
    keys.to("[name='name']")
    bench.keyboard.type("Rosa Lind")
    with bench.expect_navigation():
        bench.keyboard.press("Enter")
    visit = Visit.objects.get()
    keys.follow("#walk a[href$='/intake']")
    keys.type("goal", "Ride four hours")
    keys.to("[name='pain.knee_left']")
    with bench.expect_response(lambda r: r.request.method == "POST"):
        bench.keyboard.press("Space")
    with bench.expect_response(lambda r: r.request.method == "POST"):
        bench.keyboard.press("ArrowRight")
    keys.follow("#walk a[href$='/body']")
    keys.type("height_mm", "172 cm")
    keys.type("inseam_mm", "805")
    keys.follow("#walk a[href$='/bike']")
    for name, text in (("saddle_height_mm", "705"), ("saddle_setback_mm", "198"), ("crank_mm", "172,5")):
        keys.type(name, text)
    for station in ("feet", "ride", "plan", "handover"):
        keys.follow(f"#walk a[href$='/{station}']")
    assert Rider.objects.get().name == "Rosa Lind"
    assert Answer.objects.current().get(visit=visit, key="goal").value == "Ride four hours"
    assert Rating.objects.current().get(visit=visit, site="knee_left").value == 1
    assert {m.key: m.value for m in Measurement.objects.current()} == {
        "height_mm": 1720, "inseam_mm": 805, "saddle_height_mm": 705, "saddle_setback_mm": 198, "crank_mm": 172.5,
    }  # fmt: skip
    assert keys.passed > 60


@pytest.mark.parametrize("station", ["intake", "body", "feet", "bike", "ride", "plan", "handover"])
def test_no_page_catches_the_focus_and_each_stop_is_seen(
    live_server, filled: Visit, bench: Page, station: str
):
    """Tab goes once through the page and leaves it; back the same way."""
    bench.goto(f"{live_server.url}/visits/{filled.pk}/{station}")
    first, count = None, 0
    for _ in range(400):
        bench.keyboard.press("Tab")
        seen = bench.evaluate(SEEN)
        if seen is None:
            break
        assert seen["marked"], seen["what"]
        if first is None:
            first = seen["what"]
        elif seen["what"] == first:
            break
        count += 1
    else:
        pytest.fail("Tab never comes to the end of the page")
    assert count > 8
    bench.keyboard.press("Shift+Tab")
    assert bench.evaluate(SEEN) is None or bench.evaluate(SEEN)["marked"]


def test_two_visits_in_two_tabs_stay_apart(live_server, studio, context):
    one, two = (open_visit(new_rider(n)) for n in ("Rosa Lind", "Ilse Varga"))
    tabs = [context.new_page(), context.new_page()]
    for tab, visit in zip(tabs, (one, two), strict=True):
        tab.goto(f"{live_server.url}/visits/{visit.pk}/bike")
    for tab, typed in zip(tabs, ("170", "175"), strict=True):
        tab.locator("#in-crank_mm").fill(typed)
    for tab in reversed(tabs):
        with tab.expect_response(lambda r: r.request.method == "POST") as answer:
            tab.locator("#in-crank_mm").press("Tab")
        assert answer.value.status == 200
    kept = {m.visit_id: m.value for m in Measurement.objects.current()}
    assert kept == {one.pk: 170, two.pk: 175}


def test_offline_for_a_moment_nothing_is_lost_and_it_saves_itself(live_server, visit, page: Page):
    page.goto(f"{live_server.url}/visits/{visit.pk}/bike")
    page.context.set_offline(True)
    box = page.locator("#in-crank_mm")
    box.fill("172,5")
    box.press("Tab")
    say = page.locator("#field-crank_mm .say .wrong")
    expect(say).to_be_visible()
    expect(box).to_have_value("172,5")
    assert not Measurement.objects.exists()
    page.context.set_offline(False)
    expect(page.locator("#say-crank_mm")).to_contain_text("172.5 ± 0.4 mm", timeout=15_000)
    assert Measurement.objects.get().value == 172.5


def test_pressed_twice_is_sent_once(live_server, studio, page: Page):
    page.goto(f"{live_server.url}/riders/new")
    page.locator("[name='name']").fill("Rosa Lind")
    page.locator("main form button:not(.quiet)").last.dblclick()
    expect(page).to_have_url(re.compile(r"/visits/\d+"))
    assert Rider.objects.count() == 1
    assert Visit.objects.count() == 1


def test_back_shows_what_is_on_record(live_server, visit, bench: Page):
    bench.goto(f"{live_server.url}/visits/{visit.pk}/bike")
    with bench.expect_response(lambda r: r.request.method == "POST"):
        bench.locator("#in-crank_mm").fill("170")
        bench.locator("#in-crank_mm").press("Tab")
    bench.locator("#walk a[href$='/body']").click()
    expect(bench).to_have_url(re.compile("/body$"))
    bench.go_back()
    expect(bench.locator("#in-crank_mm")).to_have_value("170")
    bench.go_forward()
    expect(bench.locator("#in-height_mm")).to_be_visible()


def test_the_language_changes_where_one_is_and_nothing_else_does(live_server, filled, bench: Page):
    where = f"{live_server.url}/visits/{filled.pk}/bike"
    bench.goto(where)
    before = bench.locator("main").inner_text()
    bench.locator("button[name=language][value=de]").click()
    expect(bench.locator("html")).to_have_attribute("lang", "de")
    assert bench.url == where
    expect(bench.locator("#in-crank_mm")).to_have_value("172.5")
    assert bench.locator("main").inner_text() != before
    expect(bench.locator(".who .name")).to_have_text("Ilse Varga")
    bench.locator("button[name=language][value=en]").click()
    expect(bench.locator("html")).to_have_attribute("lang", "en")


def test_a_printed_page_has_its_numbers_and_no_buttons(live_server, studio, bench: Page):
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    plan.make(visit)
    bench.goto(f"{live_server.url}/visits/{visit.pk}/plan")
    bench.emulate_media(media="print", color_scheme="dark")
    expect(bench.locator("#walk")).to_be_hidden()
    expect(bench.locator("main h1").first).to_be_visible()
    sheet = pymupdf.open(stream=bench.pdf(format="A4", print_background=False))
    text = "".join(p.get_text() for p in sheet)
    assert "Ilse Varga" in text
    assert re.search(r"± \d", text)
    drawn = sheet[0].get_pixmap(dpi=40)
    assert min(drawn.pixel(2, 2)) > 240  # paper stays white, also from a dark screen
