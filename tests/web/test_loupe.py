"""The loupe on a sole photograph, in a real browser: proposals taken, picks made, snapped, undone and never lost.

The photograph is simulated, with known truth.
"""

from __future__ import annotations

import json
import re
from io import BytesIO
from pathlib import Path

import cv2
import numpy as np
import pytest
from django.urls import reverse
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from fitwright.demo.riders import RIDERS
from fitwright.demo.sole_photo import render_sole
from fitwright.records.media import keep_stream
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.studio.feet import soles
from fitwright.vision.picture import read_picture

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

RIDER = RIDERS["first"]
SIZE = (2016, 1512)
MEASURED = re.compile(r"/feet/check$")  # where a cleat that was measured after fitting is shown


@pytest.fixture(scope="module")
def rendered(tmp_path_factory):
    """A left sole (file, truth)."""
    out = tmp_path_factory.mktemp("sole") / "left.jpg"
    return out, render_sole(RIDER, "left", RIDER.setup.cleat("left"), out, "after", seed=6, size=SIZE)


@pytest.fixture
def photo(rendered) -> Medium:
    with rendered[0].open("rb") as file:
        return keep_stream(file, "left.jpg", "photo", simulated=True)


@pytest.fixture
def truth(rendered) -> dict[str, tuple[float, float]]:
    """Where each mark lies, px."""
    return {name: tuple(uv) for name, uv in rendered[1].data["px"].items()}


class Loupe:
    """The page, with what a hand does on it."""

    def __init__(self, page: Page, address: str) -> None:
        self.page, self.address, self.troubles = page, address, []
        page.on("pageerror", lambda error: self.troubles.append(str(error)))
        page.on("console", lambda m: self.troubles.append(m.text) if "Content Security" in m.text else None)
        self.open()

    def open(self) -> None:
        self.page.goto(self.address)
        self.ready()

    def ready(self) -> None:
        expect(self.page.locator(".loupe[data-looked]")).to_be_attached(timeout=30_000)
        self.canvas.focus()

    @property
    def canvas(self):
        return self.page.locator("canvas.picture")

    @property
    def status(self):
        return self.page.get_by_role("status").last

    def at(self, name: str) -> tuple[float, float] | None:
        texts = [self.page.locator(f'input[name="{a}.{name}"]').input_value() for a in "xy"]
        return (float(texts[0]), float(texts[1])) if all(texts) else None

    def type(self, name: str, uv: tuple[float, float]) -> None:
        for axis, value in zip("xy", uv, strict=True):
            self.page.locator(f'input[name="{axis}.{name}"]').fill(f"{value:.2f}")
        self.page.locator(f'input[name="y.{name}"]').press("Tab")

    def save(self) -> None:
        self.canvas.focus()
        self.page.keyboard.press("Escape")
        self.page.keyboard.press("Enter")


def address_of(live_server, visit: Visit, photo: Medium, foot: str = "left", when: str = "after") -> str:
    return f"{live_server.url}{reverse('feet_pick', args=[visit.pk, photo.pk])}?foot={foot}&when={when}"


@pytest.fixture
def loupe(live_server, page: Page, visit: Visit, photo: Medium):
    page.set_viewport_size({"width": 1280, "height": 900})
    found = Loupe(page, address_of(live_server, visit, photo))
    yield found
    assert found.troubles == []


def test_from_a_photograph_to_a_reading_by_keyboard_alone(loupe, visit, truth):
    assert loupe.at("heel_centre") is None  # found, but nothing is picked by itself
    assert soles.reading_of(visit, "left", "after") is None
    expect(loupe.status).to_have_text("Heel: not picked yet. Found (sure)")
    for _ in range(20):
        loupe.page.keyboard.press("p")
    taken = {name: uv for name in truth if (uv := loupe.at(name)) is not None}
    assert {"heel_centre", "toe", "m1", "m5", "cleat_nose", "cleat_tail", "datum_1", "datum_3"} <= set(taken)
    loupe.save()
    expect(loupe.page).to_have_url(MEASURED)
    reading = soles.reading_of(visit, "left", "after")
    off = np.abs(reading.cleat.vector - RIDER.setup.cleat("left"))
    assert np.all(off < 2 * reading.cleat.u)  # how high the cleat's face stands was not said
    assert off[2] < 0.3
    inputs = Analysis.objects.current().get(kind="sole").inputs
    assert inputs["origins"]["toe"]["how"] == "proposed"
    assert 0.02 <= inputs["origins"]["toe"]["u_px"] < 0.7
    assert inputs["points"]["toe"] == pytest.approx(truth["toe"], abs=2.0)


def test_all_at_once_the_outline_too_and_a_point_of_ones_own_stays(loupe, visit, truth):
    own = (truth["m1"][0] + 3, truth["m1"][1])
    loupe.type("m1", own)
    loupe.page.get_by_role("button", name=re.compile("Take all")).click()
    assert loupe.at("m1") == pytest.approx(own, abs=0.01)
    assert loupe.at("m5") == pytest.approx(truth["m5"], abs=2.0)
    expect(loupe.page.get_by_label("Keep the sole’s outline")).to_be_checked()
    loupe.page.get_by_role("button", name="Measure this sole").click()
    expect(loupe.page).to_have_url(MEASURED)
    reading = soles.reading_of(visit, "left", "after")
    x, z = np.array(reading.outline_mm).T
    assert len(x) > 50
    assert np.ptp(x) == pytest.approx(reading.length_mm.value, abs=3)
    assert 70 < np.ptp(z) < 130
    origins = Analysis.objects.current().get(kind="sole").inputs["origins"]
    assert (origins["m1"]["how"], origins["m5"]["how"]) == ("hand", "proposed")
    loupe.open()
    assert loupe.at("m1") == pytest.approx(own, abs=0.01)
    expect(loupe.page.locator('li[data-name="m5"] .how')).to_contain_text("found and taken")
    expect(loupe.page.locator(".earlier")).to_be_hidden()  # what is on record needs no rescue


def test_every_pick_is_taken_back_and_done_again(loupe):
    press = loupe.page.keyboard.press
    press("p")
    press("Shift+Tab")
    found = loupe.at("heel_centre")
    for _ in range(3):
        press("ArrowRight")
    assert loupe.at("heel_centre") == pytest.approx((found[0] + 0.3, found[1]), abs=0.02)
    expect(loupe.status).to_contain_text("by hand")
    press("Shift+P")
    everything = {name: loupe.at(name) for name in ("heel_centre", "toe", "m1", "bolt_1")}
    assert None not in everything.values()
    press("Control+z")
    assert loupe.at("toe") is None
    press("Control+z")
    assert loupe.at("heel_centre") == found
    expect(loupe.page.locator('li[data-name="heel_centre"] .how')).to_contain_text("found and taken")
    press("Control+z")
    assert loupe.at("heel_centre") is None
    expect(loupe.page.get_by_role("button", name="Take back")).to_be_disabled()
    for _ in range(3):
        press("Control+y")
    assert {name: loupe.at(name) for name in everything} == everything
    press("Control+z")
    press("Delete")  # a new change: nothing is left to be done again
    expect(loupe.page.get_by_role("button", name="Do again")).to_be_disabled()


def test_a_pick_snaps_on_wish_and_says_when_nothing_is_near(loupe, truth):
    loupe.type("datum_1", (truth["datum_1"][0] + 3.0, truth["datum_1"][1] - 2.0))
    loupe.page.locator('li[data-name="datum_1"] button').click()
    loupe.page.keyboard.press("s")
    expect(loupe.page.locator(".said")).to_contain_text("Snapped to: centre of a ringed dot")
    assert loupe.at("datum_1") == pytest.approx(truth["datum_1"], abs=0.5)
    expect(loupe.status).to_contain_text("snapped to a dot, ± ")
    loupe.page.keyboard.press("Control+z")
    assert loupe.at("datum_1") == pytest.approx(
        (truth["datum_1"][0] + 3.0, truth["datum_1"][1] - 2.0), abs=0.01
    )
    before = (40.0, 40.0)
    loupe.type("datum_1", before)
    loupe.page.get_by_role("button", name="corner").click()
    expect(loupe.page.locator(".said")).to_contain_text("no corner to snap to")
    assert loupe.at("datum_1") == before


def test_snapping_a_guess_says_whether_anything_was_found_under_it(loupe, truth):
    near = [truth["datum_1"][0] + 3.0, truth["datum_1"][1] - 2.0]
    guesses = {n: {"uv_px": uv, "u_px": 20.0, "how": "a guess of ours", "sure": "a guess"}
               for n, uv in (("datum_1", near), ("datum_2", [40.0, 40.0]))}  # fmt: skip
    told = json.dumps({"points": guesses, "outline_px": [], "notes": []})
    loupe.page.route("**/feet/proposals/**", lambda r: r.fulfill(body=told, content_type="application/json"))
    loupe.open()
    said = loupe.page.locator(".said")
    for name, words in (
        ("datum_1", "Only a guess stood here. Snapped to: centre of a ringed dot"),
        ("datum_2", "It stays a guess. Pick: no dot to snap to within"),
    ):
        loupe.page.locator(f'li[data-name="{name}"] button').click()
        loupe.page.keyboard.press("s")
        expect(said).to_contain_text(words, ignore_case=True)
    assert loupe.at("datum_1") == pytest.approx(truth["datum_1"], abs=0.5)
    assert loupe.at("datum_2") is None  # nothing was picked by itself
    loupe.page.locator('li[data-name="datum_1"] button').click()
    loupe.page.keyboard.press("s")
    expect(said).to_have_text(re.compile("^Snapped to"))  # it is a pick by now


def test_a_reload_offers_what_was_picked_and_imposes_nothing(loupe, truth):
    loupe.page.keyboard.press("p")
    picked = loupe.at("heel_centre")
    loupe.open()
    assert loupe.at("heel_centre") is None
    offer = loupe.page.get_by_role("region", name="Picked before")
    expect(offer).to_contain_text("points: 1")
    offer.get_by_role("button", name="Bring them back").click()
    assert loupe.at("heel_centre") == picked
    expect(offer).to_be_hidden()
    loupe.canvas.focus()
    loupe.page.keyboard.press("Control+z")
    assert loupe.at("heel_centre") is None
    loupe.page.keyboard.press("Control+y")
    loupe.open()
    offer.get_by_role("button", name="Forget them").click()
    loupe.open()
    expect(offer).to_be_hidden()


def test_a_studio_that_does_not_answer_loses_no_pick(loupe, visit):
    loupe.page.keyboard.press("Shift+P")
    picked = loupe.at("toe")
    loupe.page.route(
        "**/feet/pick/**",
        lambda route: route.abort() if route.request.method == "POST" else route.continue_(),
    )
    loupe.save()
    loupe.page.wait_for_timeout(300)
    loupe.page.unroute("**/feet/pick/**")
    loupe.open()
    loupe.page.get_by_role("button", name="Bring them back").click()
    assert loupe.at("toe") == picked
    loupe.save()
    expect(loupe.page).to_have_url(MEASURED)
    assert soles.reading_of(visit, "left", "after") is not None


def test_the_wrong_foot_is_said_beside_the_marks_and_changed_with_all_picks(
    live_server, page, visit, photo, truth
):
    loupe = Loupe(page, address_of(live_server, visit, photo, foot="right"))
    expect(page.locator(".finder")).to_contain_text("looks like the left one")
    for name in ("heel_centre", "toe", "m1", "m5"):
        loupe.type(name, truth[name])
    loupe.save()
    expect(page.get_by_role("alert").first).to_contain_text("looks like the left sole, not the right")
    assert loupe.at("m5") == pytest.approx(truth["m5"], abs=0.01)
    expect(page.locator(".diagram g")).not_to_have_attribute("transform", re.compile("scale"))
    page.get_by_label("Foot").select_option("left")
    expect(page.get_by_role("heading", level=1)).to_contain_text("left sole")
    expect(page.locator(".diagram g")).to_have_attribute("transform", re.compile(r"scale\(-1 1\)"))
    expect(page).to_have_url(re.compile(r"foot=left&when=after"))
    loupe.ready()
    assert loupe.at("m5") == pytest.approx(truth["m5"], abs=0.01)
    loupe.save()
    expect(page).to_have_url(MEASURED)
    assert set(soles.reading_of(visit, "left", "after").landmarks) == {"heel_centre", "toe", "m1", "m5"}


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda grey: cv2.GaussianBlur(grey, (0, 0), 14), "blurred"),
        (lambda grey: grey[:, ::-1], "mirror"),
        (lambda grey: np.full_like(grey, 128), "contrast"),
    ],
    ids=["blurred", "mirrored", "without a card"],
)
def test_a_bad_picture_is_said_and_keeps_the_picks(live_server, page, visit, rendered, spoil, said):
    spoilt = BytesIO()
    Image.fromarray(np.ascontiguousarray(spoil(read_picture(rendered[0]).grey))).save(spoilt, "JPEG")
    spoilt.seek(0)
    photo = keep_stream(spoilt, "spoilt.jpg", "photo", simulated=True)
    loupe = Loupe(page, address_of(live_server, visit, photo))
    expect(page.locator("[data-found]")).to_contain_text(
        re.compile(f"No marks are proposed: .*{said}.*by hand")
    )
    loupe.type("heel_centre", (300.5, 700.0))
    loupe.type("toe", (1500.0, 700.0))
    loupe.save()
    expect(page.get_by_role("alert").first).to_contain_text(said)
    assert loupe.at("heel_centre") == (300.5, 700.0)
    assert loupe.at("toe") == (1500.0, 700.0)
    assert not Analysis.objects.filter(kind="sole").exists()


def test_what_is_missing_is_said_beside_its_point(loupe, truth):
    for name in ("heel_centre", "toe", "cleat_nose"):
        loupe.type(name, truth[name])
    loupe.save()
    row = loupe.page.locator('li[data-name="cleat_tail"]')
    expect(row.locator(".wrong")).to_contain_text(
        "Cleat, rear end is missing. Mark both Cleat, front end and"
    )
    expect(row.get_by_role("textbox").first).to_have_attribute("aria-invalid", "true")
    assert loupe.at("cleat_nose") == pytest.approx(truth["cleat_nose"], abs=0.01)


def test_near_and_far_the_mouse_picks_the_same_place(loupe, truth):
    page, there = loupe.page, truth["datum_3"]
    loupe.type("datum_3", there)
    page.locator('li[data-name="datum_3"] button').click()
    for _ in range(3):
        page.keyboard.press("+")
    loupe.canvas.scroll_into_view_if_needed()
    frame = loupe.canvas.bounding_box()
    middle = (frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2)
    page.mouse.click(middle[0] + 60, middle[1])  # well beside the point that is held in the middle
    first = loupe.at("datum_3")
    scale = min(frame["width"] / SIZE[0], frame["height"] / SIZE[1]) * 8
    assert first == pytest.approx((there[0] + 60 / scale, there[1]), abs=0.6)
    page.keyboard.press("0")
    fit = scale / 8
    page.mouse.click(
        middle[0] + (there[0] + 0.5 - SIZE[0] / 2) * fit + 30,
        middle[1] + (there[1] + 0.5 - SIZE[1] / 2) * fit,
    )
    assert loupe.at("datum_3") == pytest.approx((there[0] + 30 / fit, there[1]), abs=1.5 / fit)


def test_by_touch_a_point_is_placed_dragged_and_the_picture_zoomed(
    live_server, browser: Browser, visit, photo
):
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True)
    page = context.new_page()
    loupe = Loupe(page, address_of(live_server, visit, photo))
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    loupe.canvas.scroll_into_view_if_needed()
    frame = loupe.canvas.bounding_box()
    fit = min(frame["width"] / SIZE[0], frame["height"] / SIZE[1])
    x, y = frame["x"] + frame["width"] / 2, frame["y"] + frame["height"] / 2
    touch = context.new_cdp_session(page)

    def fingers(kind: str, *places: tuple[float, float]) -> None:
        points = [{"x": a, "y": b, "id": i} for i, (a, b) in enumerate(places)]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    page.touchscreen.tap(x, y)
    middle = ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)
    assert loupe.at("heel_centre") == pytest.approx(middle, abs=1.0 / fit)
    page.wait_for_timeout(400)  # or it would be a double tap

    placed = loupe.at("heel_centre")
    fingers("touchStart", (x + 20, y + 10))  # held beside the point
    for step in range(1, 6):
        fingers("touchMove", (x + 20 + 8 * step, y + 10))
    fingers("touchEnd")
    assert loupe.at("heel_centre") == pytest.approx((placed[0] + 40 / fit, placed[1]), abs=1.0 / fit)

    moved = loupe.at("heel_centre")
    fingers("touchStart", (x - 60, y))
    fingers("touchStart", (x - 60, y), (x - 20, y))
    for step in range(1, 9):
        fingers("touchMove", (x - 60 - 5 * step, y), (x - 20 + 5 * step, y))
    fingers("touchEnd")
    assert loupe.at("heel_centre") == moved  # two fingers zoom, they place nothing
    assert page.evaluate("view.zoom") == pytest.approx(3.0, rel=0.2)
    page.wait_for_timeout(400)
    page.touchscreen.tap(x, y)
    page.touchscreen.tap(x, y)
    assert page.evaluate("view.zoom") == 1
    assert loupe.at("heel_centre") == moved
    small = page.eval_on_selector_all(
        ".loupe button, .loupe summary, .loupe select",
        "all => all.filter(b => b.offsetParent && b.getBoundingClientRect().height < 43.5).map(b => b.textContent)",
    )
    assert small == []
    assert loupe.troubles == []
    context.close()


def test_points_that_only_some_shoes_have_wait_closed(loupe):
    part = loupe.page.locator("details.part", has_text="Heel’s width")
    expect(part).not_to_have_attribute("open", "")
    expect(part.locator(".count")).to_have_text("0 of 2")
    loupe.page.keyboard.press("Shift+P")
    expect(part.locator(".count")).to_have_text("2 of 2")


def test_answers_of_the_finder_and_of_snapping(client, visit, photo, truth):
    address = reverse("feet_proposals", args=[visit.pk, photo.pk])
    first = client.get(address, {"foot": "left"}).json()
    assert first["points"]["m1"]["uv_px"] == pytest.approx(truth["m1"], abs=2.0)
    assert client.get(address, {"foot": "left"}).json() == first
    assert Analysis.objects.filter(kind="proposals").count() == 1  # looked for once
    assert client.get(address, {"foot": "both"}).status_code == 422
    assert client.post(address).status_code == 405
    snap = reverse("feet_snap", args=[visit.pk, photo.pk])
    u, v = truth["datum_2"]
    told = client.get(snap, {"u": f"{u + 2}", "v": f"{v}", "kind": "dot"}).json()
    assert told["uv_px"] == pytest.approx((u, v), abs=0.5)
    for u, v, kind in (("x", "1", "dot"), ("1", "1", "hole"), ("19000", "1", "dot")):
        answer = client.get(snap, {"u": u, "v": v, "kind": kind})
        assert answer.status_code == 422
        assert answer.json()["problem"]
    assert client.get(reverse("feet_snap", args=[visit.pk, 9999])).status_code == 404


def test_how_a_point_came_about_is_not_taken_on_trust(client, visit, photo, truth):
    """A point that claims to be surer than anything can be is a hand's; so is one that says nothing."""
    typed = {"foot": "left", "when": "after"}
    for name in ("heel_centre", "toe", "m1", "m5"):
        typed |= {f"x.{name}": f"{truth[name][0]:.2f}", f"y.{name}": f"{truth[name][1]:.2f}"}
    typed |= {
        "how.toe": "proposed",
        "u.toe": "nan",
        "how.m1": "surely",
        "u.m1": "0.001",
        "how.m5": "snapped:dot",
        "u.m5": "0.0001",
    }
    address = reverse("feet_pick", args=[visit.pk, photo.pk])
    assert client.post(address, typed).status_code == 302
    origins = Analysis.objects.current().get(kind="sole").inputs["origins"]
    assert origins["toe"] == origins["m1"] == {"how": "hand", "u_px": None}
    assert origins["m5"] == {"how": "snapped:dot", "u_px": 0.02}


def test_the_script_stays_small():
    script = Path(__file__).parents[2] / "src/fitwright/web/static/loupe.js"
    assert script.stat().st_size < 25_000
