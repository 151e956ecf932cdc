"""A still picture at the Ride station: laid down, picked, read as static, compared, set aside; a film's frame too."""

from __future__ import annotations

import io
import re
from pathlib import Path

import numpy as np
import pytest
from axe_playwright_python.sync_playwright import Axe
from bench.drawn import Film, draw, film_to
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image
from playwright.sync_api import Page, expect

from fitwright.records.media import keep_file
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.studio import ride, still_rides
from fitwright.studio.visits import answers, let_go
from fitwright.vision.find_markers import side_layouts
from fitwright.vision.still_ride import read_still

pytestmark = pytest.mark.django_db
RATIO, ORIGIN = 0.62, np.array([840.0, 800.0])
LAYOUT = {n: ORIGIN + RATIO * c for n, c in side_layouts("right")[3].items()}
PICKED = ("acromion", "greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "heel",
          "fifth_metatarsal", "pedal_axle")  # fmt: skip
PLACE = {"side": "right", "when": "before", "at": "bdc"}


def drawn(moved: dict[str, tuple[float, float]] | None = None) -> bytes:
    """A drawn rider held still, as a PNG photograph; some stickers elsewhere."""
    at = {n: c + np.array((moved or {}).get(n, (0, 0))) for n, c in LAYOUT.items()}
    discs = {n: (lambda t, c=c: np.tile(c, (len(t), 1))) for n, c in at.items()}
    film = Film(discs, np.zeros(1), size=(1600, 1000))
    grey = draw(film, 0.0, np.full((1000, 1600), 95.0), np.random.default_rng(1))
    file = io.BytesIO()
    Image.fromarray(grey).save(file, "PNG")
    return file.getvalue()


def boxes(points: dict[str, np.ndarray], **more: str) -> dict[str, str]:
    out = PLACE | more
    for name in PICKED:
        out |= {f"x.{name}": f"{points[name][0]:.2f}", f"y.{name}": f"{points[name][1]:.2f}"}
    return out


def upload(client, visit: Visit, data: bytes, **about: str):
    file = SimpleUploadedFile("side.png", data, "image/png")
    return client.post(reverse("ride", args=[visit.pk]), {"action": "still", "photo": file, **PLACE, **about})


def station(client, visit: Visit) -> str:
    return client.get(reverse("ride", args=[visit.pk])).content.decode()


def static_part(html: str) -> str:
    return html[html.index('class="static"') : html.index("Add a still picture")]


@pytest.fixture
def laid(client, filled: Visit) -> str:
    """A photograph laid down; the address of its points."""
    return upload(client, filled, drawn()).url


def test_a_photograph_becomes_static_angles_with_their_uncertainty(client, filled, laid):
    assert "points not picked yet" in static_part(station(client, filled))
    page = client.get(laid).content.decode()
    assert "Held still" in page
    assert "hip to knee 395 mm" in page  # from the Body station
    done = client.post(laid.partition("?")[0], boxes(LAYOUT))
    assert done.url == f"/visits/{filled.pk}/ride#static"
    row = Analysis.objects.get(kind="still")
    assert row.result["method"]["state"] == "static"
    knee = row.result["knee_flexion_deg"]["bdc"]
    alone = read_still({n: tuple(LAYOUT[n]) for n in PICKED}, (1600, 1000), "right", "bdc", None, 395.0)
    assert knee["value"] == pytest.approx(alone.quantities["knee_flexion_deg"].value, abs=0.6)
    assert knee["method"].startswith("static")
    part = static_part(station(client, filled))
    assert re.search(r"Knee flexion, pedal at its lowest.*?\d ± \d", part, re.DOTALL)
    assert "bracket 25–35°, 2-D held still" in part
    assert part.count("bracket") == 1 + part.count(
        "a bracket is shown only"
    )  # no other static band is published
    again = client.get(laid).content.decode()
    assert f'value="{LAYOUT["heel"][0]:.2f}'.rstrip("0") in again


def test_before_and_after_are_compared_and_dynamic_stays_apart(client, filled, laid):
    client.post(laid.partition("?")[0], boxes(LAYOUT))
    bent = LAYOUT["lateral_femoral_condyle"] + np.array([60.0, -25.0])
    later = upload(client, filled, drawn({"lateral_femoral_condyle": (60, -25)}), when="after").url
    client.post(later.partition("?")[0], boxes(LAYOUT | {"lateral_femoral_condyle": bent}, when="after"))
    let_go(filled)
    row = next(r for r in still_rides.rows(filled) if r.label.startswith("knee flexion"))
    assert row.before is not None
    assert row.change is not None
    assert row.clear
    assert row.change.u == pytest.approx(np.hypot(row.before.u, row.now.u))
    html = station(client, filled)
    assert "What the ride shows" not in html  # there is no ride
    assert ride.rides_by_label(filled) == {}
    part = static_part(html)
    assert 'scope="col">change' in part


def test_a_reading_is_set_aside_and_put_back_and_picking_again_replaces(client, filled, laid):
    where = laid.partition("?")[0]
    client.post(where, boxes(LAYOUT))
    first = Analysis.objects.get(kind="still")
    act = reverse("ride", args=[filled.pk])
    client.post(act, {"action": "still_aside", "label": first.label})
    part = static_part(station(client, filled))
    assert "set aside" in part
    assert "<table" not in part
    client.post(act, {"action": "still_back", "label": first.label})
    assert "<table" in static_part(station(client, filled))
    client.post(where, boxes(LAYOUT | {"heel": LAYOUT["heel"] + 5}))
    now = Analysis.objects.current().get(kind="still")
    assert (now.label, now.replaces_id) == (first.label, first.pk)
    wrong = client.post(act, {"action": "still_aside", "label": "still 99"})
    assert wrong.status_code == 422
    assert 'role="alert">Reading: is not one of this visit' in wrong.content.decode()


def test_a_picture_without_points_is_taken_away(client, filled, laid):
    (ident,) = (p.ident for p in still_rides.pictures(filled))
    client.post(reverse("ride", args=[filled.pk]), {"action": "still_away", "ident": ident})
    let_go(filled)
    assert still_rides.pictures(filled) == ()
    assert Medium.objects.filter(kind="photo").exists()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"x.greater_trochanter": ""}, "is missing"),
        ({"x.lateral_malleolus": "", "y.lateral_malleolus": ""}, "Ankle: is needed"),
        ({"x.heel": "5000"}, "Heel, across: outside the allowed range. Allowed: 0 to 1599 px"),
        ({"camera_mm": "3"}, "Lens to bottom bracket: outside the allowed range. Allowed: 800 to 20000 mm"),
    ],
)
def test_what_is_wrong_stands_at_its_field_and_nothing_is_lost(client, filled, laid, change, words):
    answer = client.post(laid.partition("?")[0], boxes(LAYOUT) | change)
    html = answer.content.decode()
    assert answer.status_code == 422
    assert words in html
    assert 'aria-invalid="true"' in html
    assert f'value="{float(LAYOUT["acromion"][0]):.2f}"' in html
    assert not Analysis.objects.filter(kind="still").exists()


def test_a_wrong_upload_is_said_at_its_form(client, filled):
    file = SimpleUploadedFile("notes.txt", b"words")
    answer = client.post(reverse("ride", args=[filled.pk]), {"action": "still", "photo": file, **PLACE})
    html = answer.content.decode()
    assert answer.status_code == 422
    assert 'id="wrong-still">photo: this kind of file is not taken' in html
    torn = upload(client, filled, b"\x89PNG torn", at="q90")
    html = torn.content.decode()
    assert torn.status_code == 422
    assert 'id="wrong-still">side.png: not a picture that can be read' in html
    assert '<option value="q90" selected>' in html
    assert still_rides.pictures(filled) == ()


@pytest.fixture
def held(tmp_path: Path) -> Medium:
    """A film: the rider holds still for half a second, then moves off."""

    def path(name: str, c: np.ndarray):
        def at(t: np.ndarray) -> np.ndarray:
            gone = 0.0 if name in ("acromion", "greater_trochanter") else 900.0
            return np.tile(c, (len(t), 1)) - np.outer(np.maximum(0, t - 0.5), [gone, 0])

        return at

    discs = {n: path(n, c) for n, c in LAYOUT.items()}
    film = Film(discs, np.arange(60) / 60, size=(1600, 1000))
    return keep_file(film_to(tmp_path / "side.mp4", film), "film", simulated=True)


def test_a_frame_of_a_film_counts_only_while_the_rider_holds_still(client, filled, held):
    ride.save_film(filled, held, "side right", "before")
    assert "A still frame of it" in station(client, filled)
    where = reverse("ride_still", args=[filled.pk, held.pk])
    assert 'name="t" value="0.2"' in client.get(where, {"t": "0.2"}).content.decode()
    moving = client.post(where, boxes(LAYOUT, t="0.4"))
    assert moving.status_code == 422
    assert "the rider does not hold still in this frame" in moving.content.decode()
    assert client.post(where, boxes(LAYOUT, t="0.2")).status_code == 302
    let_go(filled)
    (picture,) = still_rides.pictures(filled)
    assert picture.at_s == pytest.approx(0.2, abs=1e-3)
    assert picture.still is not None
    late = client.get(where, {"t": "99"})
    assert late.status_code == 422
    assert "after the end of the film" in late.content.decode()


def test_discs_of_a_photograph_are_offered(client, filled, laid):
    told = client.get(
        reverse("ride_still_found", args=[filled.pk, Medium.objects.get().pk]), {"side": "right"}
    )
    points = told.json()["points"]
    assert np.hypot(*(np.array(points["heel"]["uv_px"]) - LAYOUT["heel"])) < 0.4
    wrong = client.get(
        reverse("ride_still_found", args=[filled.pk, Medium.objects.get().pk]), {"side": "top"}
    )
    assert wrong.status_code == 422


def test_a_thing_that_is_nowhere_is_kept_out(client, filled, laid):
    assert client.get(reverse("ride_still", args=[filled.pk, 999])).status_code == 404
    assert "marks side right before" not in answers(filled, "ride")


@pytest.mark.browser
def test_it_goes_by_keyboard_alone(live_server, page: Page, client, filled):
    page.goto(f"{live_server.url}{upload(client, filled, drawn(), at='q90').url}")
    expect(page.locator("[data-found]")).to_contain_text("points found")
    page.locator("canvas.picture").focus()
    page.keyboard.press("Shift+P")
    expect(page.locator("input[name='x.pedal_axle']")).not_to_have_value("")
    page.locator("canvas.picture").focus()
    page.keyboard.press("Escape")
    page.keyboard.press("Enter")
    expect(page.locator("section.static table")).to_contain_text("Knee flexion, crank forward, level")


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_its_pages_keep_to_wcag(live_server, page: Page, client, filled, laid, held, scheme):
    client.post(laid.partition("?")[0], boxes(LAYOUT))
    ride.save_film(filled, held, "side right", "after")
    frame = f"{reverse('ride_still', args=[filled.pk, held.pk])}?t=0.2"
    mark = f"{reverse('ride_mark', args=[filled.pk, held.pk])}?view=side+right&when=after"
    page.emulate_media(color_scheme=scheme)
    found = []
    for path in (reverse("ride", args=[filled.pk]), laid, frame, mark):
        page.goto(f"{live_server.url}{path}")
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        told = Axe().run(page, options={"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]})
        found += [f"{path}: {w['id']}: {w['nodes'][0]['html'][:160]}" for w in told.response["violations"]]
    assert found == []
