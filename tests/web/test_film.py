"""The film page in a real browser: exact frames, crank angle, two films locked, a point mended and taken back.

The films are simulated; each frame's number is in its picture, so that what is on the canvas can be told.
"""

from __future__ import annotations

import re

import numpy as np
import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from counted_film import BAR_PX, BARS, SIZE, lay_marked, places, write_film
from fitwright.records.media import keep_file
from fitwright.records.models import Analysis, Visit, Work
from fitwright.studio import film_page, ride
from fitwright.studio.proxies import make_proxy, proxy_of
from fitwright.studio.visits import analyse, let_go

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]

SECONDS, HIDDEN_S = 3.6, (1.6, 2.0)
RNG = np.random.default_rng(2)
BEFORE_S = np.arange(round(SECONDS * 60)) / 60
AFTER_S = np.concatenate([[0.0], np.cumsum(RNG.uniform(0.017, 0.023, round(SECONDS * 50)))])
READ_NUMBER = f"""(canvas) => {{
  const pen = canvas.getContext('2d');
  const bar = canvas.width / {SIZE[0]} * {BAR_PX};
  let number = 0;
  for (let bit = 0; bit < {BARS}; bit += 1)
    if (pen.getImageData((bit + .5) * bar, bar / 2, 1, 1).data[1] > 128) number += 1 << bit;
  return number;
}}"""


@pytest.fixture(scope="module")
def films(tmp_path_factory):
    folder = tmp_path_factory.mktemp("films")
    return (
        write_film(folder / "before.mp4", BEFORE_S, hidden={"lateral_malleolus": HIDDEN_S}),
        write_film(folder / "after.mp4", AFTER_S, rpm=95.0),
    )


@pytest.fixture
def ridden(filled: Visit, films) -> Visit:
    """A visit with two films that were followed, each from its 30th frame."""
    for when, path, times, rpm in (("before", films[0], BEFORE_S, 88.0), ("after", films[1], AFTER_S, 95.0)):
        lay_marked(filled, path, times, when, rpm)
        ride.analyse_film(filled, "side right", when)
    return filled


@pytest.fixture
def copied(ridden: Visit) -> Visit:
    for clip in ride.clips(ridden):
        make_proxy(clip.medium)
    return ridden


class FilmPage:
    """The page, with what a hand does on it."""

    def __init__(self, page: Page, address: str) -> None:
        self.page, self.troubles = page, []
        page.on("pageerror", lambda error: self.troubles.append(str(error)))
        page.on("console", lambda m: self.troubles.append(m.text) if "Content Security" in m.text else None)
        page.goto(address)
        expect(page.locator("#film[data-ready]")).to_be_attached(timeout=20_000)
        self.gate = page.locator(".gate").first

    def shows(self, frame: int, reel: int = 0) -> None:
        """Wait for a frame, then read its number from the canvas: it is painted a moment after it was sought."""
        expect(self.page.locator(f'.reel[data-frame="{frame}"]').nth(reel)).to_be_attached(timeout=20_000)
        for _ in range(20):
            if self.number(reel) == frame:
                break
            self.page.wait_for_timeout(50)
        assert self.number(reel) == self.frame(reel) == frame

    def number(self, reel: int = 0) -> int:
        return int(self.page.locator(".reel canvas").nth(reel).evaluate(READ_NUMBER))

    def frame(self, reel: int = 0) -> int:
        return int(self.page.locator(".reel").nth(reel).get_attribute("data-frame") or -1)

    def press(self, *keys: str) -> None:
        self.gate.focus()
        for key in keys:
            self.page.keyboard.press(key)

    def done(self) -> None:
        assert self.troubles == []


def address(live_server, visit: Visit, rest: str = "") -> str:
    return live_server.url + reverse("film", args=[visit.pk, "side-right", "before"]) + rest


def theta_deg(visit: Visit, when: str) -> np.ndarray:
    let_go(visit)
    clip = film_page.clip_at(visit, "side right", when)
    return np.array(film_page.data(clip)["theta_deg"], dtype=float)


def spoiled(visit: Visit, name: str) -> Analysis:
    """The record of the first film with 20 frames of a point 30 px off, as a wrong following leaves them."""
    let_go(visit)
    was = film_page.clip_at(visit, "side right", "before").analysed
    result = Analysis.objects.get(pk=was.pk).result
    u = result["tracks"]["points"][name]["u"]
    u[60:80] = [x + 30.0 for x in u[60:80]]
    return analyse(visit, "ride", was.label, result, inputs=was.inputs, medium=was.medium)


def off_px(visit: Visit, name: str) -> np.ndarray:
    let_go(visit)
    points = film_page.data(film_page.clip_at(visit, "side right", "before"))["points"]
    (own,) = [p for p in points if p["name"] == name]
    return np.linalg.norm(np.column_stack([own["u"], own["v"]]) - places(BEFORE_S)[name], axis=1)


def test_every_step_shows_the_frame_it_names(live_server, page: Page, copied: Visit):
    film = FilmPage(page, address(live_server, copied))
    film.press("Home")
    film.shows(0)
    for keys, frame in ((["ArrowRight"], 1), (["ArrowRight"], 2), (["Shift+ArrowRight"], 12), (["ArrowLeft"], 11),
                        (["End"], 215), (["Shift+ArrowLeft", "Shift+ArrowLeft"], 195)):  # fmt: skip
        film.press(*keys)
        film.shows(frame)
    page.get_by_role("button", name="One frame on").click()
    film.shows(196)
    page.locator('[data-scrub="time"]').fill("77")
    film.shows(77)
    expect(page.locator("[data-time-told]")).to_have_text(f"{BEFORE_S[77]:.3f} s")
    film.done()


def test_frames_of_uneven_length_are_stepped_exactly(live_server, page: Page, copied: Visit):
    film = FilmPage(page, live_server.url + reverse("film", args=[copied.pk, "side-right", "after"]))
    film.press("Home")
    film.shows(0)
    for frame in range(1, 25):
        film.press("ArrowRight")
        film.shows(frame)
    film.press(*["Shift+ArrowRight"] * 9, "ArrowLeft")  # faster than the browser can seek
    film.shows(113)
    film.done()


def test_playing_shows_each_frame_with_its_own_number(live_server, page: Page, copied: Visit):
    film = FilmPage(page, address(live_server, copied))
    film.press("Home")
    film.shows(0)
    film.press("Space")
    numbers = set()
    for _ in range(100):
        if film.frame() > 8:
            break
        numbers.add(film.frame())
        page.wait_for_timeout(100)
    film.press("Space")
    page.wait_for_timeout(300)
    assert len(numbers) > 2
    assert film.number() == film.frame() > 8
    film.done()


def test_a_step_while_it_plays_stops_at_the_very_frame(live_server, page: Page, copied: Visit):
    film = FilmPage(page, address(live_server, copied))
    page.get_by_label("Speed").select_option("1")
    for _ in range(3):
        film.press("Home", "Space")
        page.wait_for_timeout(500)
        film.press("Shift+ArrowRight")
        page.wait_for_timeout(500)
        assert film.number() == film.frame() == page.evaluate("main.wanted") > 10
    film.done()


def test_a_crank_angle_and_a_turn_are_found_in_both_films(live_server, page: Page, copied: Visit):
    before, after = theta_deg(copied, "before"), theta_deg(copied, "after")
    film = FilmPage(page, address(live_server, copied, "?beside=side-right-after"))
    for angle in (0, 90, 200, 275):
        page.locator('[data-scrub="angle"]').fill(str(angle))
        page.wait_for_timeout(700)
        first, second = before[film.frame(0)], after[film.frame(1)]
        # each at most half the way between two of its frames: from what was asked, the second from the first
        assert abs((first - angle + 180) % 360 - 180) < 6.5, angle
        assert abs((second - first + 180) % 360 - 180) < 6.5, angle
        assert film.number(0) == film.frame(0)
    turn = page.locator("[data-turn-told]").inner_text()
    at = film.frame()
    film.press("ArrowDown")
    expect(page.locator("[data-turn-told]")).not_to_have_text(turn)
    page.wait_for_timeout(400)
    assert abs(before[film.frame()] - before[at] - 360) < 6
    expect(page.locator("[data-now]").first).to_contain_text(re.compile(r"right before \d+\.\d ± \d+\.\d°"))
    film.done()


WATCH = """(seconds) => new Promise((told) => {
  const seen = [];
  const until = performance.now() + 1000 * seconds;
  const look = () => {
    seen.push([...document.querySelectorAll(".reel")].map((reel) => Number(reel.dataset.frame)));
    if (performance.now() < until) requestAnimationFrame(look);
    else told(seen);
  };
  look();
})"""


@pytest.mark.parametrize(("rate", "settles_s", "watched_s"), [("1", 0.7, 1.5), ("0.25", 1.0, 3.0)])
def test_two_films_hold_the_same_crank_angle_while_they_play(
    live_server, page: Page, copied: Visit, rate, settles_s, watched_s
):
    """88 against 95 turns a minute, and frames of uneven length in one of them."""
    before, after = theta_deg(copied, "before"), theta_deg(copied, "after")
    film = FilmPage(page, address(live_server, copied, "?beside=side-right-after"))
    page.get_by_label("Speed").select_option(rate)
    film.press("Home", "Space")
    page.wait_for_timeout(1000 * settles_s)
    seen = np.array(page.evaluate(WATCH, watched_s))
    film.press("Space")
    assert len(np.unique(seen[:, 0])) > 10  # it did play, and so did the other
    assert len(np.unique(seen[:, 1])) > 10
    apart = (after[seen[:, 1]] - before[seen[:, 0]] + 180) % 360 - 180
    # A busy machine shows fewer frames than the film has: then two of those that it shows.
    shown_hz = len(np.unique(seen[:, 0])) / watched_s / float(rate)
    two_frames = 2 * 360 * 95 / 60 / min(50.0, shown_hz)
    assert np.median(np.abs(apart)) < two_frames / 2
    assert np.quantile(np.abs(apart), 0.9) < two_frames
    page.wait_for_timeout(600)
    still = before[film.frame(0)] - after[film.frame(1)]
    assert abs((still + 180) % 360 - 180) < 6.5  # and stops on the frame that is nearest to it
    film.done()


def test_without_the_copy_single_pictures_are_shown(live_server, page: Page, ridden: Visit):
    film = FilmPage(page, address(live_server, ridden))
    expect(page.get_by_text("A light copy is being made")).to_be_visible()
    assert Work.objects.filter(visit=ridden, kind="copy", state="waiting").count() == 1
    film.press("Home", "ArrowRight", "Shift+ArrowRight")
    film.shows(11)
    film.done()


def test_a_film_without_points_teaches(live_server, page: Page, filled: Visit, films):
    ride.save_film(filled, keep_file(films[0], "film"), "side right", "before")
    make_proxy(ride.clips(filled)[0].medium)
    film = FilmPage(page, address(live_server, filled))
    film.press("Home", "ArrowRight")
    film.shows(1)
    expect(page.get_by_text("The points are not marked yet.")).to_be_visible()
    expect(page.get_by_role("link", name="Mark the points")).to_be_visible()
    film.done()


def test_the_weak_place_is_named_and_reached(live_server, page: Page, copied: Visit):
    film = FilmPage(page, address(live_server, copied))
    film.press("Home", "n")
    place = page.locator('[data-of="lateral_malleolus"]').first
    expect(place).to_contain_text("not seen")
    page.wait_for_timeout(500)
    at_s = BEFORE_S[film.frame()]
    assert HIDDEN_S[0] - 0.05 <= at_s <= HIDDEN_S[1]
    expect(page.locator("[data-place]")).to_contain_text("not seen here")
    film.done()


@pytest.mark.parametrize("how", ["keys", "mouse"])
def test_a_point_is_put_right_once_and_taken_back(live_server, page: Page, copied: Visit, how):
    """Twenty frames of the knee were followed 30 px beside it; one correction mends them all."""
    name, at = "lateral_femoral_condyle", places(BEFORE_S)["lateral_femoral_condyle"][70]
    wrong = spoiled(copied, name)
    film = FilmPage(page, address(live_server, copied))
    film.press("Home", *["Shift+ArrowRight"] * 7)
    film.shows(70)
    page.get_by_label("Point", exact=True).select_option(name)
    if how == "keys":
        film.press("c", *["Shift+ArrowLeft"] * 30)
        expect(page.locator("[data-place]")).to_contain_text(f"{at[0]:.1f}"[:-2])
        film.press("Enter")
    else:
        page.get_by_role("button", name="Correct it in this frame").click()
        box = page.locator(".reel canvas").first.bounding_box()
        shrunk = box["width"] / SIZE[0]
        page.mouse.click(box["x"] + (at[0] + 0.5) * shrunk, box["y"] + (at[1] + 0.5) * shrunk)
        page.get_by_role("button", name="Save its place").click()
    expect(page.locator("[data-said]")).to_contain_text("followed again", timeout=30_000)
    expect(page.locator("[data-undo]")).to_be_enabled()
    assert off_px(copied, name)[60:80].max() < 0.6
    expect(page.locator("[data-place]")).to_contain_text(f"{at[0]:.0f}"[:2])
    page.locator("[data-undo]").click()
    expect(page.locator("[data-said]")).to_contain_text("taken back", timeout=30_000)
    expect(page.locator("[data-undo]")).to_be_disabled()
    assert off_px(copied, name)[60:80].min() > 25
    assert Analysis.objects.get(pk=wrong.pk).result == wrong.result
    if how == "keys":
        film.press("Control+y")
    else:
        page.get_by_role("button", name="Do it again").click()
    expect(page.locator("[data-said]")).to_contain_text("done again", timeout=30_000)
    expect(page.locator("[data-redo]")).to_be_disabled()
    assert off_px(copied, name)[60:80].max() < 0.6
    if how == "keys":
        film.press("Control+z")
        expect(page.locator("[data-said]")).to_contain_text("taken back", timeout=30_000)
    film.done()


def test_what_cannot_be_corrected_is_said_and_nothing_is_lost(client, ridden: Visit):
    where = reverse("film_correct", args=[ridden.pk, "side-right", "before"])
    row = film_page.clip_at(ridden, "side right", "before").analysed
    for typed, words in (
        ({"name": "nose", "t": "1", "u": "100", "v": "100"}, "not a point of this film"),
        ({"name": "heel", "t": "one", "u": "100", "v": "100"}, "Time of the picture"),
        ({"name": "heel", "t": "1", "u": "100", "v": "9000"}, "outside the picture"),
        ({"name": "heel", "t": "1", "u": "100", "v": "100", "analysed": "x"}, "read anew"),
        ({"action": "undo"}, "none to take back"),
    ):
        answer = client.post(where, {"analysed": row.pk} | typed)
        assert answer.status_code == 422
        assert words in answer.json()["problem"]
    assert Analysis.objects.filter(visit=ridden).count() == 2


def test_the_mark_page_keeps_the_frame_that_it_shows(client, ridden: Visit):
    clip = ride.clips(ridden)[0]
    where = reverse("ride_mark", args=[ridden.pk, clip.medium.pk])
    shown = client.get(where, {"view": "side right", "when": "before", "t": "0.751"})  # frame 45 is at 0.75
    assert shown.context["picture_url"].endswith("?t=0.750000")
    assert ("t", "0.750000") in shown.context["hidden"]


def test_the_copy_is_given_in_ranges_and_only_when_made(client, ridden: Visit):
    medium = ride.clips(ridden)[0].medium
    where = reverse("film_copy", args=[medium.sha256])
    assert client.get(where).status_code == 404
    make_proxy(medium)
    part = client.get(where, headers={"Range": "bytes=4-7"})
    assert (part.status_code, b"".join(part.streaming_content)) == (206, b"ftyp")
    assert proxy_of(medium).table.time_s[-1] == pytest.approx(BEFORE_S[-1], abs=1e-5)


@pytest.mark.parametrize(
    ("rest", "status"), [("side-right/before", 200), ("front/before", 400), ("askew/before", 400)]
)
def test_addresses(client, ridden: Visit, rest, status):
    assert client.get(f"/visits/{ridden.pk}/ride/film/{rest}").status_code == status
    assert Analysis.objects.filter(visit=ridden).count() == 2
