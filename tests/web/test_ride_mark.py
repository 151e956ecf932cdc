"""Marking a film: what is found is offered, lengths around it are read and kept, wrongs stand at their field."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from bench.drawn import Film, film_to
from django.urls import reverse
from playwright.sync_api import Locator, Page, Route, expect

from fitwright.records.media import keep_file
from fitwright.records.models import Medium, Visit
from fitwright.studio import jobs, ride, surroundings
from fitwright.studio.visits import answers
from fitwright.vision.find_markers import side_layouts


@pytest.fixture
def film(tmp_path: Path) -> Medium:
    """A still rider's markers in a usual layout, three quarters of a second."""
    layout = side_layouts("right")[3]
    discs = {
        n: (lambda t, c=c: np.tile(np.array([600.0, 680.0]) + 0.56 * c, (len(t), 1)))
        for n, c in layout.items()
    }
    path = film_to(tmp_path / "side.mp4", Film(discs, np.arange(45) / 60, size=(1280, 720)))
    return keep_file(path, "film", simulated=True)


@pytest.fixture
def laid(filled: Visit, film: Medium) -> Visit:
    ride.save_film(filled, film, "side right", "before")
    return filled


def address(name: str, visit: Visit, film: Medium) -> str:
    return reverse(name, args=[visit.pk, film.pk])


def test_found_points_are_offered_with_names(client, laid, film):
    told = client.get(address("ride_found", laid, film), {"view": "side right", "t": "0.2"}).json()
    likely = {n for n, p in told["points"].items() if p["sure"] == "likely"}
    assert len(likely) == 10
    u, v = told["points"]["greater_trochanter"]["uv_px"]
    place = [600, 680] + 0.56 * side_layouts("right")[3]["greater_trochanter"]
    assert np.hypot(*(np.array([u, v]) - place)) < 0.3
    assert len(told["notes"]) <= 1
    wrong = client.get(address("ride_found", laid, film), {"view": "above", "t": "0"})
    assert wrong.status_code == 422
    assert "view" in wrong.json()["problem"]
    late = client.get(address("ride_found", laid, film), {"view": "front", "t": "99"})
    assert late.status_code == 422


def posted(points: dict[str, str], **more: str) -> dict[str, str]:
    return {"view": "side right", "when": "before", "t": "0.2"} | points | more


def picks_of(told: dict) -> dict[str, str]:
    out = {}
    for name, p in told["points"].items():
        if p["sure"] == "likely":
            out |= {f"x.{name}": f"{p['uv_px'][0]:.2f}", f"y.{name}": f"{p['uv_px'][1]:.2f}"}
    return out


def test_lengths_around_the_film_are_kept_with_its_points(client, laid, film, monkeypatch):
    started = []
    monkeypatch.setattr(jobs, "start_film", lambda *a: started.append(a))
    told = client.get(address("ride_found", laid, film), {"view": "side right", "t": "0.2"}).json()
    wrong = client.post(
        address("ride_mark", laid, film), posted(picks_of(told), wheel_mm="62 cm", length_mm="7")
    )
    assert wrong.status_code == 422
    text = wrong.content.decode()
    assert "Known length: outside the allowed range. Allowed: 100 to 3000 mm." in text
    assert 'value="62 cm"' in text
    assert not started
    done = client.post(
        address("ride_mark", laid, film), posted(picks_of(told), wheel_mm="62 cm", readout_ms="11")
    )
    assert done.status_code == 302
    assert started
    kept = answers(laid, "ride")["marks side right before"]
    assert kept["around"] == {"wheel_mm": 620.0, "readout_ms": 11.0}
    again = client.get(address("ride_mark", laid, film), {"view": "side right", "when": "before", "t": "0.2"})
    assert 'name="wheel_mm" value="620"' in again.content.decode()


def test_the_scene_takes_the_stance_from_the_bike(laid):
    known = surroundings.stance(laid, "right")
    scene = surroundings.scene_of(laid, "right", {"wheel_mm": 620.0})
    assert known is not None
    assert scene.stance_mm == pytest.approx(known.value)
    assert scene.wheel_mm == 620.0
    assert scene.depth("pedal_axle")[1] < surroundings.scene_of(laid, None, {}).depth("pedal_axle")[1]
    how = ride.how_read(laid, "side right", "before", None, {"readout_ms": 11.0})
    assert how["readout_ms"] == 11.0
    assert how["scene"].stance_mm == scene.stance_mm


@pytest.mark.browser
def test_all_that_was_found_is_taken_by_keyboard(live_server, page: Page, laid, film):
    wrongs: list[str] = []
    page.on("pageerror", lambda error: wrongs.append(str(error)))
    page.goto(f"{live_server.url}{address('ride_mark', laid, film)}?view=side+right&when=before&t=0.2")
    expect(page.locator("[data-found]")).to_contain_text("points found")
    page.locator("canvas.picture").focus()
    page.keyboard.press("Shift+P")
    expect(page.locator("input[name='x.pedal_axle']")).not_to_have_value("")
    assert float(page.locator("input[name='x.acromion']").input_value()) > 0
    expect(page.locator("details.part .count").first).to_contain_text("of 10")
    assert wrongs == []


@pytest.fixture
def held(page: Page) -> list[Route]:
    """What the page asks the finder for: answered when the test goes on with it. The page's clock stands still."""
    asked: list[Route] = []
    page.route("**/found/**", lambda route: asked.append(route))
    page.clock.install(time=0)
    page.clock.pause_at(1000)
    return asked


def open_mark(live_server, page: Page, visit: Visit, film: Medium) -> Locator:
    with page.expect_request("**/found/**"):
        page.goto(f"{live_server.url}{address('ride_mark', visit, film)}?view=side+right&when=before&t=0.2")
    return page.locator("[data-found]")


@pytest.mark.browser
def test_a_search_that_takes_a_while_says_so_and_holds_nobody_up(live_server, page: Page, laid, film, held):
    said = open_mark(live_server, page, laid, film)
    expect(said).to_have_attribute("aria-live", "polite")
    page.clock.run_for(250)
    expect(said).to_be_empty()
    page.clock.run_for(100)
    expect(said).to_have_text("Looking for marks…")
    expect(said).to_have_attribute("data-busy", "")
    page.clock.run_for(5000)
    expect(said).to_have_text("Still looking for marks. Pick by hand meanwhile, or leave: picks are kept.")
    page.locator("input[name='x.wrist']").fill("321")
    page.locator("input[name='y.wrist']").fill("123")
    held[0].continue_()
    expect(said).to_contain_text("points found")
    expect(said).not_to_have_attribute("data-busy", "")
    page.clock.run_for(10_000)
    expect(said).to_contain_text("points found")
    assert page.locator("input[name='x.wrist']").input_value() == "321"


@pytest.mark.browser
def test_who_leaves_while_the_search_runs_finds_the_picks_again(live_server, page: Page, laid, film, held):
    open_mark(live_server, page, laid, film)
    page.clock.run_for(1000)
    page.locator("input[name='x.wrist']").fill("321")
    page.locator("input[name='y.wrist']").fill("123")
    page.locator("input[name='y.wrist']").press("Tab")
    page.get_by_role("link", name="Back", exact=True).click()
    expect(page).to_have_url(f"{live_server.url}{reverse('ride', args=[laid.pk])}")
    held.clear()
    open_mark(live_server, page, laid, film)
    page.get_by_role("button", name="Bring them back").click()
    assert page.locator("input[name='x.wrist']").input_value() == "321"


@pytest.mark.browser
def test_an_answer_at_once_is_not_announced_as_a_search(live_server, page: Page, laid, film, held):
    said = open_mark(live_server, page, laid, film)
    held[0].continue_()
    expect(said).to_contain_text("points found")
    page.clock.run_for(10_000)
    expect(said).to_contain_text("points found")


@pytest.mark.browser
def test_where_nothing_is_found_it_is_said_and_what_to_do(live_server, page: Page, filled, tmp_path):
    path = film_to(tmp_path / "bare.mp4", Film({}, np.arange(45) / 60, size=(1280, 720)))
    bare = keep_file(path, "film", simulated=True)
    ride.save_film(filled, bare, "side right", "before")
    said = open_mark(live_server, page, filled, bare)
    expect(said).to_have_text("Nothing was found. Pick the points by hand.")
    notes = page.get_by_role("list", name="What the finder says")
    expect(notes).to_have_text(
        "No contrast disc is seen in this picture. Choose another moment, or mark the points by hand."
    )
    expect(notes).to_have_attribute("aria-live", "polite")
    expect(page.locator("[data-take-all]")).to_be_disabled()
