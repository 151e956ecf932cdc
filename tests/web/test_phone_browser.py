"""A phone and the bench as two browsers: a film in pieces, the connection cut, seen at the bench without a reload."""

from __future__ import annotations

import hashlib
import re
from pathlib import Path

import av
import numpy as np
import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect

from fitwright.records.models import Medium, Upload
from fitwright.studio import incoming

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
PIECE = 30_000


@pytest.fixture
def film(tmp_path: Path) -> Path:
    """A simulated film of noise, some 300 kB: nine pieces or more."""
    path = tmp_path / "ride.mp4"
    rng = np.random.default_rng(7)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mjpeg", rate=30)
        stream.width, stream.height, stream.pix_fmt = 160, 120, "yuvj420p"
        for _ in range(60):
            picture = av.VideoFrame.from_ndarray(rng.integers(0, 255, (120, 160, 3), np.uint8), "rgb24")
            container.mux(stream.encode(picture))
        container.mux(stream.encode())
    assert path.stat().st_size > 8 * PIECE
    return path


@pytest.fixture
def bench(page: Page, live_server, settings, monkeypatch, visit) -> Page:
    """The Ride station in a first browser, phones reaching the same server."""
    settings.PHONE_ADDRESS = live_server.url
    monkeypatch.setattr(incoming, "PIECE_BYTES", PIECE)
    page.goto(f"{live_server.url}/visits/{visit.pk}/ride")
    return page


def code(bench: Page, what: str) -> str:
    """Open the panel by keyboard, make a code, give its address."""
    bench.get_by_role("link", name="Show a code").focus()
    bench.keyboard.press("Enter")
    bench.get_by_label("What the phone takes").select_option(what)
    bench.get_by_role("button", name=re.compile("Make")).focus()
    bench.keyboard.press("Enter")
    expect(bench.locator("svg.qr").first).to_be_visible()
    return bench.locator(".address").first.inner_text()


def phone_page(browser: Browser, address: str, same: BrowserContext | None = None) -> tuple[Page, list[str]]:
    """A second browser with the size of a phone (or that of before), and what its scripts complain of."""
    context = same or browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    troubles: list[str] = []
    page = context.new_page()
    page.on("pageerror", lambda error: troubles.append(str(error)))
    page.on("console", lambda m: troubles.append(m.text) if "Content Security" in m.text else None)
    page.goto(address)
    return page, troubles


def cut_after(page: Page, pieces: int) -> list[str]:
    """Let so many pieces through, then refuse every connection; the list fills with what was sent."""
    sent: list[str] = []

    def gate(route: Route) -> None:
        if route.request.method == "PUT":
            sent.append(route.request.url)
        if len(sent) > pieces:
            route.abort("connectionreset")
        else:
            route.continue_()

    page.route("**/files**", gate)
    return sent


def test_a_cut_connection_goes_on_and_the_bench_shows_the_film_by_itself(
    bench: Page, browser: Browser, film, visit
):
    bench.evaluate("window.sameDocument = true")
    phone, troubles = phone_page(browser, code(bench, "film side right before"))
    sent = cut_after(phone, 3)
    phone.get_by_label("Films that you took").set_input_files(film)
    expect(phone.get_by_text("The connection is gone")).to_be_visible()
    here = Upload.objects.get().received_bytes
    assert here == 3 * PIECE
    expect(bench.locator("#work")).to_contain_text("From a phone: film from the right", timeout=15_000)

    phone.unroute("**/files**")
    expect(phone.get_by_text("Is at the bench.", exact=True)).to_be_visible(timeout=15_000)
    expect(bench.locator("#results video")).to_be_visible(timeout=15_000)
    expect(bench.locator("#results")).to_contain_text("From the right, as it came")
    assert bench.evaluate("window.sameDocument")  # it was not loaded again
    assert Medium.objects.get().sha256 == hashlib.sha256(film.read_bytes()).hexdigest()
    assert len(sent) >= 4
    assert troubles == []


def test_a_reloaded_phone_goes_on_with_the_same_file(bench: Page, browser: Browser, film):
    phone, troubles = phone_page(browser, code(bench, "film front before"))
    cut_after(phone, 2)
    phone.get_by_label("Films that you took").set_input_files(film)
    expect(phone.get_by_text("The connection is gone")).to_be_visible()
    phone.unroute("**/files**")
    phone.close()

    phone, _ = phone_page(browser, bench.locator(".address").first.inner_text(), phone.context)
    expect(phone.locator(".under-way")).to_contain_text(re.compile(r"is here to \d+ %"))
    offsets: list[int] = []
    phone.on(
        "request", lambda r: offsets.append(int(r.url.rpartition("=")[2])) if r.method == "PUT" else None
    )
    phone.get_by_label("Films that you took").set_input_files(film)
    expect(phone.get_by_text("Is at the bench.", exact=True)).to_be_visible(timeout=15_000)
    assert offsets[0] == 2 * PIECE
    assert offsets == sorted(set(offsets))
    assert Medium.objects.count() == Upload.objects.count() == 1
    assert troubles == []


def test_several_files_queue_and_one_is_cancelled(bench: Page, browser: Browser, film, tmp_path):
    words = tmp_path / "notes.mp4"
    words.write_text("no film at all")
    other = tmp_path / "other.mp4"
    other.write_bytes(film.read_bytes() + b"\0\0\0\x08free")
    phone, troubles = phone_page(browser, code(bench, "film side left before"))
    cut_after(phone, 1)
    phone.get_by_label("Films that you took").set_input_files([film, words, other])
    expect(phone.get_by_text("The connection is gone")).to_be_visible()
    expect(phone.get_by_text("Waits for its turn.")).to_have_count(2)
    phone.get_by_role("button", name="Cancel, ride.mp4").focus()
    phone.keyboard.press("Enter")  # while the studio is out of reach: it is told later
    expect(phone.get_by_text("The connection is gone")).to_be_visible()
    phone.unroute("**/files**")
    expect(phone.locator(".under-way .wrong")).to_contain_text("is no film that is taken", timeout=15_000)
    expect(phone.get_by_text("Is at the bench.", exact=True)).to_have_count(1, timeout=15_000)
    expect(bench.locator("#work")).to_contain_text("stopped", timeout=15_000)
    states = {u.name: u.state for u in Upload.objects.all()}
    assert states == {"ride.mp4": "cancelled", "notes.mp4": "failed", "other.mp4": "done"}
    assert troubles == []


def test_small_files_go_without_a_script(bench: Page, browser: Browser, film):
    address = code(bench, "film side right after")
    context = browser.new_context(java_script_enabled=False)
    phone = context.new_page()
    phone.goto(address)
    phone.get_by_label("Films that you took").set_input_files(film)
    phone.get_by_role("button", name="Send").click()
    expect(phone.locator(".under-way")).to_contain_text("is at the bench")
    assert Medium.objects.get().size_bytes == film.stat().st_size
