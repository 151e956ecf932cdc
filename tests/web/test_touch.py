"""A first visit by touch on a tablet, lying and standing: every press is a tap, the loupe's points are dragged.

Elements are found by their id, name or address, never by their words. Playwright taps only what is seen, rests
and is covered by nothing. Text is typed into the field that was tapped, as from the keyboard on the screen.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, CDPSession, Page, expect

from fitwright.demo.riders import RIDERS
from fitwright.demo.sole_photo import render_sole
from fitwright.records.models import Answer, Measurement, Rating, Rider, Studio, Visit
from fitwright.studio.feet import soles
from ridden_visit import at_flexion, ride_it, typed_visit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
TABLETS = {"lying": (1024, 768), "standing": (768, 1024)}
STATIONS = ("intake", "body", "feet", "bike", "ride", "plan", "handover")
RIDER = RIDERS["first"]
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


class Finger:
    """Somebody with a tablet: taps, drags and the keyboard on the screen."""

    def __init__(self, page: Page) -> None:
        self.page, self.troubles = page, []
        self.wire: CDPSession = page.context.new_cdp_session(page)
        page.on("pageerror", lambda error: self.troubles.append(str(error)))
        page.on(
            "response", lambda r: self.troubles.append(f"{r.status} {r.url}") if r.status >= 400 else None
        )

    def go(self, selector: str) -> None:
        """A link or button, and the page that it leads to."""
        with self.page.expect_navigation():
            self.page.locator(selector).first.tap()
        assert self.page.evaluate("document.documentElement.scrollWidth - innerWidth") <= 0, self.page.url

    def station(self, name: str) -> None:
        self.go(f"#walk a[href$='/{name}']")
        expect(self.page).to_have_url(re.compile(f"/{name}$"))

    def type(self, name: str, text: str) -> None:
        """Tap a field, type, tap beside it; it saves itself."""
        box = self.page.locator(f"[name='{name}']")
        box.tap()
        self.page.keyboard.type(text)
        with self.page.expect_response(lambda r: r.request.method == "POST"):
            self.page.locator("main h1").first.tap()
            box.blur()  # a finger beside a field closes the keyboard, which a browser without one does not tell
        expect(self.page.locator(".htmx-request, .htmx-settling")).to_have_count(0)

    def saved(self, selector: str) -> None:
        """Tap what saves itself at once."""
        with self.page.expect_response(lambda r: r.request.method == "POST"):
            self.page.locator(selector).first.tap()

    def drag(
        self,
        selector: str,
        by: tuple[float, float],
        start: tuple[float, float] | None = None,
        rest_ms: int = 0,
    ) -> None:
        """One finger down (in the middle or at a place of the page), moved in steps, at rest half-way, and lifted."""
        box = self.page.locator(selector).bounding_box()
        assert box
        x, y = start or (box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        self._touch("touchStart", x, y)
        for part in range(1, 9):
            self._touch("touchMove", x + by[0] * part / 8, y + by[1] * part / 8)
            if part == 4:
                self.page.wait_for_timeout(rest_ms)
        self.page.wait_for_timeout(
            200
        )  # lifted in flight, it would make the next tap one that stops the picture
        self.wire.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})

    def _touch(self, what: str, x: float, y: float) -> None:
        self.wire.send("Input.dispatchTouchEvent", {"type": what, "touchPoints": [{"x": x, "y": y}]})


@pytest.fixture(scope="module")
def sole(tmp_path_factory) -> Path:
    """A simulated photograph of a left sole with the scale card."""
    out = tmp_path_factory.mktemp("sole") / "left.jpg"
    render_sole(RIDER, "left", RIDER.setup.cleat("left"), out, "before", seed=6, size=(2016, 1512))
    return out


@pytest.fixture(params=TABLETS)
def finger(request, browser: Browser) -> Iterator[Finger]:
    wide, high = TABLETS[request.param]
    context = browser.new_context(viewport={"width": wide, "height": high}, has_touch=True)
    found = Finger(context.new_page())
    yield found
    context.close()
    assert found.troubles == []


def place(page: Page, name: str) -> tuple[float, float]:
    x, y = (page.locator(f"input[name='{axis}.{name}']").input_value() for axis in "xy")
    return float(x), float(y)


def test_a_first_visit_by_touch(live_server, finger: Finger, sole: Path):
    Studio.objects.create(pk=1, name="Werkstatt am Kanal")
    page = finger.page
    page.goto(live_server.url)
    finger.go("main a[href='/riders/new']")
    page.locator("[name='name']").tap()
    page.keyboard.type("Rosa Lind")
    finger.go("main form button:not(.quiet)")
    visit = Visit.objects.get()
    finger.station("intake")
    finger.type("goal", "Ride four hours")
    finger.saved("label:has([name='pain.neck'][value='3'])")
    finger.station("body")
    finger.type("height_mm", "172 cm")
    finger.type("inseam_mm", "805")
    finger.station("feet")
    with page.expect_file_chooser() as chooser:
        page.locator("#photo").tap()
    chooser.value.set_files(sole)
    finger.go("form.upload button")
    mark_a_sole(finger)
    reading = soles.reading_of(visit, "left", "before")
    assert abs(reading.cleat.vector - RIDER.setup.cleat("left")).max() < 8  # one point was moved on purpose
    finger.station("bike")
    for name, text in (("saddle_height_mm", "705"), ("saddle_setback_mm", "198"), ("crank_mm", "172,5"),
                       ("hood_x_mm", "470"), ("hood_y_mm", "610"), ("q_factor_mm", "148"),
                       ("pedal_offset_mm", "53")):  # fmt: skip
        finger.type(name, text)
    finger.station("ride")
    finger.station("plan")
    finger.station("handover")
    finger.go(".docs a[href$='/documents/tape-list']")
    expect(page.locator("figure.printed img").first).to_be_visible()
    assert Rider.objects.get().name == "Rosa Lind"
    assert Answer.objects.current().get(visit=visit, key="goal").value == "Ride four hours"
    assert Rating.objects.current().get(visit=visit, site="neck").value == 3
    kept = {m.key: m.value for m in Measurement.objects.current()}
    assert kept["height_mm"] == 1720
    assert kept["crank_mm"] == 172.5


def mark_a_sole(finger: Finger) -> None:
    """Take what is found, drag one point in the picture and then finely in the lens, save."""
    page = finger.page
    expect(page.locator(".loupe[data-looked]")).to_be_attached(timeout=60_000)
    page.locator("[data-take-all]").tap()
    page.locator(".points li[data-name='m5'] button").tap()
    before = place(page, "m5")
    canvas = page.locator("canvas.picture")
    canvas.scroll_into_view_if_needed()
    # Where the point lies on the screen: the picture fits the canvas, its middle in the canvas's middle.
    at = canvas.evaluate(
        "(c, p) => { const f = c.getBoundingClientRect(), r = Math.min(f.width / 2016, f.height / 1512);"
        " return [f.x + f.width / 2 + (p[0] + .5 - 1008) * r, f.y + f.height / 2 + (p[1] + .5 - 756) * r, r]; }",
        list(before),
    )
    finger.drag("canvas.picture", (16, 0), (at[0], at[1]))
    dragged = place(page, "m5")
    assert dragged[0] - before[0] == pytest.approx(16 / at[2], rel=0.05)
    assert dragged[1] == pytest.approx(before[1], abs=0.1)
    page.locator("canvas.lens").scroll_into_view_if_needed()
    finger.drag("canvas.lens", (40, 0), rest_ms=1200)  # one change, though the finger rests on its way
    finely = place(page, "m5")
    assert finely[0] - dragged[0] == pytest.approx(-10, abs=0.5)  # 40 px in a lens of 4 times
    page.locator("[data-undo]").tap()
    expect(page.locator("input[name='x.m5']")).to_have_value(
        f"{dragged[0]:g}"
    )  # a tap becomes a click a little later
    finger.go(".loupe .save button")
    expect(page).not_to_have_url(re.compile("/pick/"))


def test_what_is_tapped_is_large_enough(live_server, studio, finger: Finger):
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    small = {}
    pages = [f"/visits/{visit.pk}/{s}" for s in STATIONS]
    for address in ("/", "/riders/new", "/follow-ups", "/studio/", "/printers", "/words", *pages):
        finger.page.goto(live_server.url + address)
        finger.page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        if found := finger.page.evaluate(SMALL, LEAST_PX):
            small[address] = found[:6]
    assert small == {}
