"""The rider's box for the first guess: drawn, typed, kept with its film, used by the guess, taken back."""

from __future__ import annotations

import numpy as np
import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from fitwright.errors import InputError
from fitwright.records.media import keep_file
from fitwright.records.models import Medium, Visit
from fitwright.studio import film_proposals, jobs, landmark_file, ride, rider_box
from fitwright.studio.edits import tops
from fitwright.studio.film_guess import LegGuess
from fitwright.studio.visits import let_go
from fitwright.vision.leg_guess import Look
from landmark_file import leg_film, onnx_body

pytestmark = pytest.mark.django_db
PLACE = ("side right", "before")
LEG = np.array([[150.0, 90.0], [190.0, 130.0], [165.0, 185.0]])
BOX = {"box.left": "40", "box.top": "30", "box.right": "260", "box.bottom": "220"}
SIZE = (320, 240)


@pytest.fixture
def film(tmp_path, filled: Visit) -> Medium:
    medium = keep_file(
        leg_film(tmp_path / "side.mp4", [LEG + 3 * np.sin(i / 5) for i in range(24)]), "film", simulated=True
    )
    ride.save_film(filled, medium, *PLACE)
    return medium


def address(name: str, visit: Visit, film: Medium) -> str:
    return reverse(name, args=[visit.pk, film.pk])


def kept(client, visit, film, **changed: str):
    typed = {"view": PLACE[0], "when": PLACE[1], **BOX, **{f"box.{k}": v for k, v in changed.items()}}
    return client.post(address("ride_box", visit, film), typed)


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"left": ""}, "Left edge"),
        ({"right": "321"}, "Right edge.*0 to 320 px"),
        ({"bottom": "one"}, "Lower edge"),
        ({"left": "280"}, "within 320 × 240 px, 32 px at least"),
        ({"bottom": "40"}, "32 px at least"),
    ],
)
def test_a_box_that_is_none_names_its_edge(changed, said):
    with pytest.raises(InputError) as told:
        rider_box.read(BOX | {f"box.{k}": v for k, v in changed.items()}, SIZE)
    import re

    from fitwright.studio.entry import sentence

    assert re.search(said, sentence(told.value)), sentence(told.value)


def test_it_is_kept_with_its_film_and_shown_again(client, filled, film):
    assert rider_box.read({}, SIZE) is None
    assert kept(client, filled, film).json()["box_px"] == [40, 30, 260, 220]
    assert rider_box.box_of(filled, *PLACE, film.sha256) == (40, 30, 260, 220)
    assert rider_box.box_of(filled, *PLACE, "00" * 32) is None
    words = client.get(
        address("ride_mark", filled, film), {"view": PLACE[0], "when": PLACE[1]}
    ).content.decode()
    assert 'name="box.right" value="260"' in words
    wrong = kept(client, filled, film, right="4000")
    assert wrong.status_code == 422
    assert "Right edge" in wrong.json()["problem"]
    assert rider_box.box_of(filled, *PLACE, film.sha256) == (40, 30, 260, 220)
    gone = kept(client, filled, film, left="", top="", right="", bottom="")
    assert gone.json()["box_px"] is None
    assert rider_box.box_of(filled, *PLACE, film.sha256) is None
    front = client.post(address("ride_box", filled, film), {"view": "front", "when": "before", **BOX})
    assert front.status_code == 422


def test_the_visit_s_undo_takes_it_back_and_does_it_again(client, filled, film):
    def again(way: str) -> str:
        key = getattr(tops(filled), way).pk
        told = client.post(reverse("undo", args=[filled.pk]), {way: key}, follow=True)
        filled.refresh_from_db()
        let_go(filled)
        return told.content.decode()

    before = tops(filled).undo.pk
    kept(client, filled, film)
    kept(client, filled, film)  # the same box is no change
    kept(client, filled, film, left="60")
    let_go(filled)
    station = client.get(reverse("ride", args=[filled.pk])).content.decode()
    assert "Undo: rider’s box (from the right, as it came)" in station
    said = again("undo")
    assert "rider’s box (from the right, as it came) is 40 to 260 px across, 30 to 220 px down again" in said
    assert "(was 60 to 260 px across" in said
    assert rider_box.box_of(filled, *PLACE, film.sha256) == (40, 30, 260, 220)
    assert "is empty again" in again("undo")
    assert rider_box.box_of(filled, *PLACE, film.sha256) is None
    assert tops(filled).undo.pk == before  # one change each
    again("redo")
    again("redo")
    assert rider_box.box_of(filled, *PLACE, film.sha256) == (60, 30, 260, 220)
    kept(client, filled, film, left="", top="", right="", bottom="")
    again("undo")
    assert rider_box.box_of(filled, *PLACE, film.sha256) == (60, 30, 260, 220)


def test_a_page_that_was_open_while_the_box_was_drawn_can_still_be_saved(client, filled, film):
    version = Visit.objects.get(pk=filled.pk).version
    kept(client, filled, film)
    answer = client.post(reverse("bike", args=[filled.pk]), {"version": version, "saddle_height_mm": "712"})
    assert answer.status_code == 302


def test_the_guess_begins_in_it(filled, film, monkeypatch):
    seen = []
    monkeypatch.setattr(landmark_file, "network", object)

    def guess(path, net, side, at_s, around, box_px):
        seen.append(box_px)
        return LegGuess(at_s, Look(at_s, LEG, 9.0, 0.1), rejected="nobody is seen")

    monkeypatch.setattr(film_proposals, "guess_leg", guess)
    film_proposals.guesses_at(filled, film, *PLACE, 0.2)
    rider_box.save(filled, film, *PLACE, BOX)
    film_proposals.guesses_at(filled, film, *PLACE, 0.2)
    assert seen == [None, (40, 30, 260, 220)]  # another box is another look, not one that is remembered


def test_it_is_kept_with_the_marks_where_no_script_runs(client, filled, film, monkeypatch):
    monkeypatch.setattr(jobs, "start_film", lambda *a: None)
    typed = {"view": PLACE[0], "when": PLACE[1], "t": "0.2"}
    for i, name in enumerate(
        ("greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "pedal_axle")
    ):
        typed |= {f"x.{name}": str(100 + i), f"y.{name}": "120"}
    wrong = client.post(address("ride_mark", filled, film), typed | BOX | {"box.top": "900"})
    assert wrong.status_code == 422
    assert "Upper edge" in wrong.content.decode()
    assert 'name="box.top" value="900"' in wrong.content.decode()  # nothing typed is lost
    assert client.post(address("ride_mark", filled, film), typed | BOX).status_code == 302
    assert rider_box.box_of(filled, *PLACE, film.sha256) == (40, 30, 260, 220)


def test_without_a_network_it_says_what_is_missing(client, filled, film):
    where = {"view": PLACE[0], "when": PLACE[1]}
    words = client.get(address("ride_mark", filled, film), where).content.decode()
    assert "This studio has no network file" in words
    assert reverse("landmarks") in words
    monkey = client.get(
        address("ride_mark", filled, film), {"view": "front", "when": "before"}
    ).content.decode()
    assert "box.left" not in monkey  # nothing is guessed from the front


@pytest.mark.browser
@pytest.mark.parametrize("how", ["mouse", "touch", "keys"])
def test_drawn_taken_back_and_done_again(browser, live_server, filled, film, how):
    page: Page = browser.new_context(
        has_touch=how == "touch", viewport={"width": 1000, "height": 900}
    ).new_page()
    wrongs: list[str] = []
    page.on("pageerror", lambda error: wrongs.append(str(error)))
    page.goto(f"{live_server.url}{address('ride_mark', filled, film)}?view=side+right&when=before&t=0.2")
    expect(page.locator("#loupe[data-looked]")).to_be_attached(timeout=30_000)
    page.locator("#rider-box > summary").click()
    boxes = [page.locator(f"[name='box.{n}']") for n in ("left", "top", "right", "bottom")]
    if how == "keys":
        for box, text in zip(boxes, BOX.values(), strict=True):
            box.fill(text)
            box.press("Tab")
        boxes[0].press("ArrowUp")
        boxes[0].press("Shift+ArrowDown")
        boxes[0].press("Tab")
        wanted = [49.0, 30.0, 260.0, 220.0]
    else:
        page.get_by_role("button", name="Draw it").click()
        canvas = page.locator("canvas.picture")
        canvas.scroll_into_view_if_needed()
        at = canvas.bounding_box()
        scale = min(at["width"] / SIZE[0], at["height"] / SIZE[1])
        left, top = (
            at["x"] + (at["width"] - SIZE[0] * scale) / 2,
            at["y"] + (at["height"] - SIZE[1] * scale) / 2,
        )
        a, b = [(left + u * scale, top + v * scale) for u, v in ((260, 40), (60, 200))]
        if how == "mouse":
            page.mouse.move(*a)
            page.mouse.down()
            page.mouse.move(*b, steps=4)
            page.mouse.up()
        else:
            hand = page.context.new_cdp_session(page)
            for kind, points in (("touchStart", [a]), ("touchMove", [b]), ("touchEnd", [])):
                hand.send(
                    "Input.dispatchTouchEvent",
                    {"type": kind, "touchPoints": [{"x": x, "y": y} for x, y in points]},
                )
        wanted = [60.0, 40.0, 260.0, 200.0]
    expect(page.locator("[data-box-said]")).to_have_text("The box is kept.")
    values = [float(box.input_value()) for box in boxes]
    assert values == pytest.approx(wanted, abs=2)
    assert page.locator("[name='x.pedal_axle']").input_value() == ""  # it was not taken for a point
    expect(page.get_by_role("button", name="Draw it")).to_have_attribute("aria-pressed", "false")
    kept_box = rider_box.box_of(filled, *PLACE, film.sha256)
    assert kept_box == pytest.approx(values)
    undo, redo = page.locator("#loupe [data-undo]"), page.locator("#loupe [data-redo]")
    while undo.is_enabled():
        undo.click()
    expect(boxes[2]).to_have_value("")
    expect(page.locator("[data-box-said]")).to_contain_text("No box")
    assert rider_box.box_of(filled, *PLACE, film.sha256) is None
    while redo.is_enabled():
        redo.click()
    expect(page.locator("[data-box-said]")).to_have_text("The box is kept.")
    assert [float(box.input_value()) for box in boxes] == values
    page.get_by_role("button", name="Whole picture").click()
    expect(boxes[0]).to_have_value("")
    expect(page.locator("[data-box-said]")).to_contain_text("No box")
    assert wrongs == []


@pytest.mark.browser
def test_another_box_is_another_guess(page: Page, live_server, filled, film):
    landmark_file._opened.cache_clear()
    import io

    given = landmark_file.add(io.BytesIO(onnx_body()), "body.onnx")
    landmark_file.agree(given.sha256, "CC0-1.0")
    page.goto(f"{live_server.url}{address('ride_mark', filled, film)}?view=side+right&when=before&t=0.5")
    expect(page.locator("#loupe[data-guessed='1']")).to_be_attached(timeout=60_000)
    lines = page.locator(".finder li").count()
    page.locator("#rider-box > summary").click()
    expect(page.locator("#rider-box")).to_contain_text("The first guess begins in this box")
    for name, text in BOX.items():
        box = page.locator(f"[name='{name}']")
        box.fill(text)
        box.press("Tab")
    expect(page.locator("#loupe[data-guessed]:not([data-guessed='1'])")).to_be_attached(timeout=60_000)
    expect(page.locator("li[data-name=lateral_femoral_condyle] .how")).to_contain_text("found")
    assert page.locator(".finder li").count() == lines  # the first look's lines made way
