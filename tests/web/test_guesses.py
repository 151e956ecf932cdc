"""Guesses in the mark page, with the keyboard: drawn and named as such, never saved silently, kept as confirmed."""

from __future__ import annotations

import io

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from playwright.sync_api import Page, expect

from fitwright.records.media import keep_file
from fitwright.records.models import Medium, Visit
from fitwright.studio import jobs, landmark_file, ride
from fitwright.studio.visits import answers
from landmark_file import leg_film, onnx_body

pytestmark = pytest.mark.django_db
LEG = np.array([[150.0, 90.0], [190.0, 130.0], [165.0, 185.0]])
PAGE = "/studio/landmarks"
NEEDED = ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "pedal_axle")


@pytest.fixture
def film(tmp_path, filled: Visit) -> Medium:
    legs = [LEG + 3 * np.sin(i / 5) for i in range(24)]
    medium = keep_file(leg_film(tmp_path / "side.mp4", legs), "film", simulated=True)
    ride.save_film(filled, medium, "side right", "before")
    return medium


@pytest.fixture
def network():
    landmark_file._opened.cache_clear()
    given = landmark_file.add(io.BytesIO(onnx_body()), "body.onnx")
    return landmark_file.agree(given.sha256, "CC0-1.0")


def address(name: str, visit: Visit, film: Medium) -> str:
    return reverse(name, args=[visit.pk, film.pk])


def upload(client, data: bytes, name: str = "body.onnx"):
    return client.post(PAGE, {"action": "add", "network": SimpleUploadedFile(name, data)})


def posted(**more: str) -> dict[str, str]:
    picks = {}
    for i, name in enumerate(NEEDED):
        picks |= {f"x.{name}": str(100 + i), f"y.{name}": str(120 + 2 * i)}
    return {"view": "side right", "when": "before", "t": "0.2"} | picks | more


def test_the_studio_page_tells_how_and_the_file_is_told_before_it_is_used(client, studio):
    assert PAGE in client.get("/studio/").content.decode()
    assert "Everything works without it" in client.get(PAGE).content.decode()
    assert upload(client, onnx_body()).status_code == 302
    words = client.get(PAGE).content.decode()
    given = landmark_file.given()
    for said in (
        given.sha256,
        "body.onnx",
        str(given.size_bytes),
        "ONNX",
        "not in use yet",
        "not stated yet",
    ):
        assert said in words
    wrong = client.post(PAGE, {"action": "agree", "sha256": given.sha256, "licence": ""})
    assert wrong.status_code == 422
    assert 'role="alert"' in wrong.content.decode()
    client.post(PAGE, {"action": "agree", "sha256": given.sha256, "licence": "CC0-1.0"})
    assert "In use." in client.get(PAGE).content.decode()
    client.post(PAGE, {"action": "take_away"})
    assert landmark_file.given() is None


@pytest.mark.parametrize("data", [b"\xff\xd8\xff" + bytes(90), b"", onnx_body()[:500]])
def test_a_wrong_file_is_said_at_its_field(client, studio, data):
    answer = upload(client, data)
    assert answer.status_code == 422
    assert 'role="alert"' in answer.content.decode()
    assert landmark_file.given() is None
    assert client.post(PAGE, {"action": "add"}).status_code == 422


def test_without_a_file_the_page_says_nothing_of_guesses(client, filled, film):
    words = client.get(
        address("ride_mark", filled, film), {"view": "side right", "when": "before"}
    ).content.decode()
    for said in ("data-guesses", "data-unsure", "guesses.js", "It sits right", "estimate"):
        assert said not in words
    told = client.get(
        address("ride_guessed", filled, film), {"view": "side right", "when": "before", "t": "0.2"}
    )
    assert told.json() == {"points": {}, "notes": []}


def test_a_guess_is_never_saved_silently(client, filled, film, network, monkeypatch):
    started: list[object] = []
    monkeypatch.setattr(jobs, "start_film", lambda *a: started.append(a))
    guess = {"how.lateral_femoral_condyle": "guessed", "u.lateral_femoral_condyle": "21.5"}
    refused = client.post(address("ride_mark", filled, film), posted(**guess))
    words = refused.content.decode()
    assert refused.status_code == 422
    assert "confirmed by nobody: Knee" in words
    assert "Follow them as guesses" in words
    assert 'name="how.lateral_femoral_condyle" value="guessed"' in words
    assert not started
    assert "marks side right before" not in answers(filled, "ride")
    kept = client.post(address("ride_mark", filled, film), posted(**guess, guesses="yes"))
    assert kept.status_code == 302
    marks = answers(filled, "ride")["marks side right before"]
    assert marks["guessed"] == {"lateral_femoral_condyle": {"u_px": 21.5}}
    again = client.get(
        address("ride_mark", filled, film), {"view": "side right", "when": "before"}
    ).content.decode()
    assert 'name="how.lateral_femoral_condyle" value="guessed"' in again
    confirmed = posted(**{"how.lateral_femoral_condyle": "confirmed", "u.lateral_femoral_condyle": ""})
    assert client.post(address("ride_mark", filled, film), confirmed).status_code == 302
    marks = answers(filled, "ride")["marks side right before"]
    assert "guessed" not in marks
    assert marks["confirmed"] == ["lateral_femoral_condyle"]


def test_a_changed_file_is_a_problem_in_words(client, filled, film, network):
    from fitwright.records.media import path_of

    path_of(Medium.objects.get(sha256=network.sha256)).write_bytes(onnx_body(39))
    answer = client.get(
        address("ride_guessed", filled, film), {"view": "side right", "when": "before", "t": "0.2"}
    )
    assert answer.status_code == 422
    assert "not the file that was noted" in answer.json()["problem"]


@pytest.mark.browser
def test_guesses_by_keyboard(page: Page, live_server, filled, film, network, monkeypatch):
    monkeypatch.setattr(jobs, "start_film", lambda *a: None)
    page.goto(f"{live_server.url}{address('ride_mark', filled, film)}?view=side+right&when=before&t=0.5")
    expect(page.locator("#loupe[data-guessed]")).to_be_attached(timeout=30_000)
    knee = page.locator("li[data-name=lateral_femoral_condyle]")
    expect(knee.locator(".how")).to_contain_text(
        "found (a guess): seen by the network; nobody has confirmed it"
    )
    right, notice = page.get_by_role("button", name="It sits right"), page.locator("[data-unsure]")
    expect(right).to_be_hidden()
    expect(notice).to_be_hidden()
    expect(page.locator("[data-take-all]")).to_be_disabled()  # nothing that is a guess is taken in a heap
    knee.get_by_role("button").click()
    page.keyboard.press("p")
    expect(knee.locator(".how")).to_contain_text("a guess, not confirmed, ±")
    expect(right).to_be_visible()
    expect(notice).to_contain_text("One point is a guess")
    box = knee.locator("input").first
    assert float(box.input_value()) == pytest.approx(190, abs=6)
    page.keyboard.press("c")
    expect(knee.locator(".how")).to_have_text("a guess, confirmed by hand")
    expect(notice).to_be_hidden()
    hip = page.locator("li[data-name=greater_trochanter]")
    hip.get_by_role("button").click()
    page.keyboard.press("p")
    page.keyboard.press("ArrowRight")
    expect(hip.locator(".how")).to_have_text("a guess, confirmed by hand")
    page.keyboard.press("Control+z")
    expect(hip.locator(".how")).to_contain_text("a guess, not confirmed")
    ankle, axle = (page.locator(f"li[data-name={n}]") for n in ("lateral_malleolus", "pedal_axle"))
    for row in (ankle, axle):
        row.get_by_role("button").click()
        page.keyboard.press("Control+ArrowRight")
    expect(axle.locator(".how")).to_have_text("by hand")
    page.get_by_role("button", name="Save and follow the points").click()
    expect(page.get_by_role("alert").first).to_contain_text("confirmed by nobody: Hip")
    page.get_by_label("Follow them as guesses").check()
    page.get_by_role("button", name="Save and follow the points").click()
    page.wait_for_url("**/ride")
    marks = answers(filled, "ride")["marks side right before"]
    assert list(marks["guessed"]) == ["greater_trochanter"]
    assert marks["confirmed"] == ["lateral_femoral_condyle"]
