"""A whole first visit, from the rider's name to the printed cards, with the demo's input: every press is counted."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from bench.shots import served
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.demo]
MOST_INTERACTIONS, MOST_WAITS = 60, 5
WAIT_S = 1.0  # Nielsen 1993, ch. 5: beyond a second the flow of thought is broken


class Hand:
    """The practitioner: each press, each field filled and each file chosen counts as one; so do page loads that
    keep the hand waiting for longer than a second."""

    def __init__(self, page: Page) -> None:
        self.page, self.done, self.waits = page, [], []
        self.slow = 0.0

    def press(self, role: str, name: str, exact: bool = False) -> None:
        """A button, link or box by what it is called."""
        self._count(f"press {name}")
        self.page.get_by_role(role, name=re.compile(name), exact=exact).first.click()

    def go(self, role: str, name: str) -> None:
        """The same, and a new page comes."""
        with self._loading(name):
            self.press(role, name)

    def fill(self, field: str, text: str, at: str = "") -> None:
        """A field by its name (or place), left with Tab (it saves itself)."""
        self._count(f"fill {field}")
        box = self.page.locator(at or f"[name='{field}']")
        box.fill(text)
        box.press("Tab")

    def choose(self, field: str, value: str) -> None:
        """An entry of a list."""
        self._count(f"choose {field}")
        self.page.locator(f"select[name='{field}']").select_option(value)

    def file(self, field: str, path: Path) -> None:
        """A file in the dialogue of the system."""
        self._count(f"file {path.name}")
        self.page.locator(f"input[name='{field}']").set_input_files(path)

    def _count(self, what: str) -> None:
        self.done.append(what)

    @contextmanager
    def _loading(self, name: str) -> Iterator[None]:
        began = time.perf_counter()
        with self.page.expect_navigation(wait_until="load"):
            yield
        took = time.perf_counter() - began
        self.slow = max(self.slow, took)
        if took > WAIT_S:
            self.waits.append(f"{name} ({took:.1f} s)")


def sole(hand: Hand, side: str, photo: Path) -> None:
    """Photograph, take what is found, measure."""
    hand.file("photo", photo)
    if side != "left":
        hand.choose("foot", side)
    hand.go("button", "^Add and pick points")
    take = hand.page.locator("[data-take-all]")
    expect(take).to_be_enabled(timeout=150_000)
    hand.press("button", "^Take all")
    hand.go("button", "^Measure this sole")


def film(hand: Hand, view: str, clip: Path, camera_mm: str, at_s: str = "") -> None:
    """Film, take the points that are found, follow them."""
    hand.file("film", clip)
    if view != "side right":
        hand.choose("view", view)
    hand.fill("camera_mm", camera_mm)
    hand.go("button", "^Add and mark points")
    if at_s:
        hand.fill("t", at_s, "#t")  # a moment in which every sticker is seen
        hand.go("button", "^Show$")
    take = hand.page.locator("[data-take-all]")
    expect(take).to_be_enabled(timeout=150_000)
    hand.press("button", "^Take all")
    hand.go("button", "^(Follow|Save)")


def test_a_first_visit_in_few_presses(demo_studio, page: Page, tmp_path: Path, capsys):
    given = demo_studio.folder / "demo" / "first"
    studio = tmp_path / "studio"
    studio.mkdir()
    with served(studio) as base:
        hand = Hand(page)
        page.set_viewport_size({"width": 1280, "height": 900})
        page.goto(base)
        hand.go("link", "^Add the first rider")
        hand.fill("name", "Joren Tamm")
        hand.go("button", "^Save and open")
        hand.go("link", "Intake")
        hand.fill("goal", "Ride 200 km without the left knee hurting")
        hand.fill("hours_per_week", "9")
        hand.press("checkbox", "")
        hand.go("button", "none applies")
        hand.go("link", "Body")
        for name, text in (("hanging_foot_left", "9"), ("hanging_foot_right", "6"), ("height_mm", "1812"),
                           ("inseam_mm", "868")):  # fmt: skip
            hand.fill(name, text)
        hand.go("link", "Feet")
        for side in ("left", "right"):
            sole(hand, side, given / f"sole-{side}-before.jpg")
        hand.go("link", "Bike")
        for name, text in (("saddle_height_mm", "703.6"), ("saddle_setback_mm", "201.9"), ("hood_x_mm", "504"),
                           ("hood_y_mm", "621"), ("crank_mm", "172.5"), ("q_factor_mm", "146"),
                           ("pedal_offset_mm", "53")):  # fmt: skip
            hand.fill(name, text)
        hand.go("link", "Ride")
        film(hand, "side right", given / "side-right-before.mp4", "3600")
        film(hand, "front", given / "front-before.mp4", "4200", at_s="1.5")
        expect(page.locator("body")).to_contain_text("Knee flexion, least", timeout=180_000)
        hand.go("link", "Plan")
        hand.press("button", "^Make the plan")
        expect(page.locator("body")).to_contain_text("What was found", timeout=60_000)
        hand.go("link", "Handover")
        card = page.get_by_role("link", name=re.compile("A4")).first.get_attribute("href")
        hand.done.append("open the sheet to print")
        assert page.request.get(base + card).body().startswith(b"%PDF-")
    with capsys.disabled():
        print(f"\nA first visit: {len(hand.done)} interactions, {len(hand.waits)} page loads of more than "
              f"{WAIT_S:g} s {hand.waits}, the slowest {hand.slow:.2f} s")  # fmt: skip
    assert len(hand.done) <= MOST_INTERACTIONS, hand.done
    assert len(hand.waits) <= MOST_WAITS
