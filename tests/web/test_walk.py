"""The whole visit walked in a real browser, on a studio that the real pipeline filled (simulated riders)."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest
from bench.shots import readme_picture, served
from PIL import Image
from playwright.sync_api import Page, expect

pytestmark = [pytest.mark.browser, pytest.mark.demo]


@pytest.fixture
def walked(demo_studio, tmp_path: Path):
    """Address of a copy of the filled studio, and the first rider's visit."""
    studio = tmp_path / "studio"
    shutil.copytree(demo_studio.folder, studio, ignore=shutil.ignore_patterns("*.progress"))
    with served(studio) as base:
        yield base, demo_studio.told["visits"]["first"]["id"]


def step(page: Page, station: str) -> None:
    """Go on along the bench to a station."""
    page.locator("#walk").get_by_role("link", name=re.compile(station)).click()
    expect(page.get_by_role("heading", level=1, name=station)).to_be_visible()
    expect(page.get_by_text("simulated").first).to_be_visible()


def test_the_whole_visit(walked, page: Page, tmp_path: Path):
    base, visit = walked
    troubles: list[str] = []
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("response", lambda r: troubles.append(f"{r.status} {r.url}") if r.status >= 500 else None)
    page.set_viewport_size({"width": 1440, "height": 1000})

    page.goto(base)
    page.get_by_role("link", name=re.compile("Joren Tamm")).first.click()
    if "/riders/" in page.url:
        page.get_by_role("link", name=re.compile("first visit")).first.click()
    expect(page.get_by_text("Still missing: follow-up day")).to_be_visible()

    step(page, "Intake")
    expect(page.get_by_label("What should be better", exact=False)).to_have_value(re.compile("200 km"))

    step(page, "Body")
    height = page.locator("input[name=height_mm]")
    height.fill("17 m")
    height.press("Tab")
    expect(page.locator("#say-height_mm")).to_contain_text("1000 to 2300 mm")
    height.fill("173,5 cm")
    height.press("Tab")
    expect(page.locator("#say-height_mm")).to_contain_text("1735 ±")

    step(page, "Feet")
    expect(page.locator("body")).to_contain_text(re.compile(r"185\.\d ± \d\.\d mm"))
    expect(page.locator("body")).to_contain_text(
        "move"
    )  # what the hand must do with the cleat put back later

    step(page, "Bike")
    expect(page.get_by_label("Crank length", exact=False).first).to_have_value("172.5")

    step(page, "Ride")
    expect(page.locator(":is(svg[role=img], svg[role=group]):visible").first).to_be_visible()
    expect(page.locator("video")).to_have_count(4)
    expect(page.locator("body")).to_contain_text(re.compile(r"Knee flexion, least"))
    readme_picture(page, base, visit, tmp_path / "ride.png")
    picture = Image.open(tmp_path / "ride.png")
    assert picture.size == (1440, 1180)
    assert len(set(picture.convert("L").resize((144, 118)).get_flattened_data())) > 20, "the picture is blank"
    assert (tmp_path / "ride.png").stat().st_size < 250_000

    step(page, "Plan")
    expect(page.locator("body")).to_contain_text(re.compile("lower the saddle", re.IGNORECASE))
    expect(page.locator("body")).to_contain_text("they agree")

    step(page, "Handover")
    sheet = page.get_by_role("link", name=re.compile("A4")).first.get_attribute("href")
    answer = page.request.get(base + sheet)
    assert answer.headers["content-type"].startswith("application/pdf")
    assert answer.body().startswith(b"%PDF-")
    record = json.loads(page.request.get(f"{base}/visits/{visit}/data/position.json").body())
    assert record["simulated"] is True
    assert set(record["feet"]) == {"left", "right"}
    assert troubles == []


def test_a_red_flag_keeps_the_plan_stopped(walked, demo_studio, page: Page):
    base, _ = walked
    page.goto(f"{base}/visits/{demo_studio.told['visits']['second']['id']}/plan")
    expect(page.get_by_text("No change is advised today").first).to_be_visible()
    expect(page.get_by_role("button", name=re.compile("^Done"))).to_have_count(0)
