"""Feet, Ride, Plan and Handover with measured things on them."""

from __future__ import annotations

import re
from io import BytesIO

import numpy as np
import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from fitwright.foot.sole import CleatPose, SolePoint, SoleReading
from fitwright.motion.ride import THETA_DEG, CycleCurve, RideResult
from fitwright.plan.types import Finding, Plan, PlannedChange, Prediction, Target
from fitwright.quantity import Measured
from fitwright.records.media import keep_stream
from fitwright.records.models import Change, Visit
from fitwright.studio import plan, ride
from fitwright.studio.feet import hardware, soles
from fitwright.studio.visits import analyse

KEY = "right.knee_flexion_deg.min"


def a_curve(name: str, unit: str, middle: float, swing: float) -> CycleCurve:
    mean = middle + swing * np.cos(np.radians(THETA_DEG))
    return CycleCurve(name, unit, mean, np.full(360, 1.0), np.full(360, 0.6), 30)


def a_ride(flexion: float) -> RideResult:
    return RideResult(
        "side", Measured(88.0, 0.1, "rpm"), {"right": 30},
        {"right": {"knee_flexion_deg": {"min": Measured(flexion, 0.6, "deg", "side view")}}},
        {"right": {"knee_flexion": a_curve("knee_flexion", "deg", 70.0, 38.0)}},
        {"dimension": "2-D"}, notes=("hip sticker hidden for 3 frames <b>",),
    )  # fmt: skip


def a_sole(foot: str) -> SoleReading:
    point, spread = np.diag([0.2, 0.2]), np.diag([0.1, 0.1, 0.05])
    marks = {"m1": SolePoint(201, -38, point), "m5": SolePoint(172, 44, point)}
    datums = {f"datum_{i}": SolePoint(180 + 9 * i, 5.0 - 7 * i, point) for i in (1, 2, 3)}
    cleat = CleatPose(186.4, 2.0, 7.0, spread, "sole photograph")
    return SoleReading(foot, marks, datums, cleat, Measured(281, 0.4, "mm"), {})


def a_plan() -> Plan:
    target = Target(
        "knee_flexion_deg.min",
        "Knee flexion, least",
        30,
        40,
        "deg",
        "Author 2020",
        "study",
        {"dimension": "2-D"},
    )
    finding = Finding(target, "right", Measured(27.0, 0.6, "deg"), "low", 0.01, ("saddle high",), "lower it")
    prediction = Prediction(
        KEY, "Knee flexion, least", Measured(27.0, 0.6, "deg"), Measured(31.0, 1.2, "deg", "twin")
    )
    change = PlannedChange(
        "saddle_height_mm",
        "",
        705,
        695,
        "mm",
        "lower the saddle 10 mm",
        (f"{KEY}: Author 2020",),
        (prediction,),
    )
    return Plan((finding,), (change,), (prediction,), (f"{KEY}: 32° expected",))


@pytest.fixture
def measured(filled: Visit) -> Visit:
    for side in ("left", "right"):
        photo = keep_stream(BytesIO(side.encode()), f"{side}.jpg", "photo", simulated=True)
        soles.save_photo(filled, photo, side, "before")
        analyse(filled, "sole", f"{side} before", a_sole(side).to_json(), medium=photo)
    film = keep_stream(BytesIO(b"film"), "ride.mp4", "film", simulated=True)
    ride.save_film(filled, film, "side right", "before")
    for when, flexion in (("before", 27.0), ("after", 30.6)):
        analyse(
            filled,
            "ride",
            f"side right {when}",
            {"ride": a_ride(flexion).to_json(), "tracks": {}},
            medium=film,
        )
    row = analyse(filled, "plan", "plan", a_plan().to_json())
    for change in a_plan().changes:
        Change.objects.create(visit=filled, plan=row, order=1, planned=change.to_json())
    outcome = {
        "id": KEY, "label": "Knee flexion, least", "words": "changed by 3.6 ± 1.7°, predicted 4.0 ± 2.0°: they agree",
        "before": Measured(27.0, 0.6, "deg").to_json(), "after": Measured(30.6, 0.6, "deg").to_json(),
        "predicted": Measured(4.0, 1.0, "deg").to_json(), "held80": True,
    }  # fmt: skip
    analyse(filled, "outcome", "outcome", {"rows": [outcome]})
    return filled


def text_of(client, visit, name) -> str:
    page = client.get(reverse(name, args=[visit.pk]))
    assert page.status_code == 200
    return page.content.decode()


def test_feet_show_the_cleat_the_first_setting_and_what_the_hand_must_do(client, measured):
    text = text_of(client, measured, "feet")
    assert "186.4 ± 0.6 mm" in text
    assert "To the first setting:" in text
    assert "of the way from M1 to M5" in text
    assert text.count("points not picked yet") == 0
    assert "simulated" in text


def lines(text: str) -> dict[str, str]:
    """State of each step of the Feet station by its name, with what is said of it."""
    found = re.findall(r'<li class="(\w+)"><svg class="stop".*?<a [^>]*>(.*?)</a>.*?<p>(.*?)</p>', text, re.S)
    return {name: f"{state}: {words}" for state, name, words in found}


def test_both_feet_lead_through_the_steps(client, visit, measured):
    empty, known = (lines(text_of(client, v, "feet")) for v in (visit, measured))
    assert list(empty) == [
        "Photographs and points", "M1 and M5", "Shoes and hardware", "First setting", "Clearance and stance",
        "Fitting aid", "Check and restore",
    ]  # fmt: skip
    assert empty["Photographs and points"] == "empty: Both feet: not photographed."
    assert empty["Shoes and hardware"] == "empty: Say which cleat, its float and its bolts."
    assert known["Photographs and points"] == "done: Both feet: measured as it came."
    assert known["M1 and M5"].startswith("done: Both feet: sole photograph")
    assert re.match("done: Left: .*; right: move .* towards the heel", known["First setting"])
    assert known["Clearance and stance"].startswith("done")
    assert known["Check and restore"] == "empty: Both feet: waits for a photograph after fitting."


def test_one_sole_that_waits_for_its_points_is_begun(client, measured):
    photo = keep_stream(BytesIO(b"after"), "after.jpg", "photo", simulated=True)
    soles.save_photo(measured, photo, "left", "after")
    said = lines(text_of(client, measured, "feet"))["Photographs and points"]
    assert said.startswith(
        "partly: Left: measured as it came, points to pick: after fitting; right: measured"
    )


def test_a_file_that_is_no_photograph_is_refused_and_the_choices_stay(client, visit):
    typed = {"action": "photo", "foot": "right", "when": "after", "photo": BytesIO(b"hello")}
    typed["photo"].name = "sole.txt"
    page = client.post(reverse("feet", args=[visit.pk]), typed)
    text = page.content.decode()
    assert page.status_code == 422
    assert ".heic" in text
    assert 'value="right" selected' in text
    assert 'value="after" selected' in text
    assert (
        client.post(reverse("feet", args=[visit.pk]), {"action": "photo", "foot": "third"}).status_code == 422
    )


def test_ride_shows_values_before_and_now_curves_and_film(client, measured):
    text = text_of(client, measured, "ride")
    assert "27.0 ± 1.2°" in text
    assert "+3.6 ± 1.7°" in text  # the 1.2° are stickers that stayed on: less than √2 × 1.2° is left of them
    assert "not distinguishable" not in text
    assert "30.6 ± 1.2°" in text
    assert "<video" in text
    assert "88.00 ± 0.20 rpm" in text
    assert "&lt;b&gt;" in text
    assert text.count("<svg") > 10


def test_a_change_within_what_two_films_differ_by_is_said_to_be_none(client, measured):
    again = {"ride": a_ride(27.9).to_json(), "tracks": {}}
    analyse(measured, "ride", "side right after", again, medium=ride.clips(measured)[0].medium)
    text = text_of(client, measured, "ride")
    assert "+0.9 ± 1.7°" in text
    assert "not distinguishable" in text


@pytest.mark.parametrize("name", ["visit", "intake", "body", "feet", "bike", "ride", "plan", "handover"])
def test_a_page_asks_the_database_few_questions(client, measured, name, django_assert_max_num_queries):
    with django_assert_max_num_queries(19):
        text_of(client, measured, name)


def test_a_done_change_moves_the_saddle_in_the_drawing(client, measured):
    change = Change.objects.get()
    assert "before 705.0 ± 2.0 mm" not in text_of(client, measured, "bike")
    plan.record_step(change, "done", 694.0)
    for name in ("bike", "ride", "visit"):
        text = text_of(client, measured, name)
        assert "saddle height: before 705.0 ± 2.0 mm, now 694.0 ± 2.0 mm" in text


def test_without_a_ride_the_drawn_leg_is_a_guess_and_says_so(client, filled):
    text = text_of(client, filled, "bike")
    assert "guessed from the body" in text
    assert "before" not in text.split('id="results"')[1].split("</svg>")[0]


def test_the_same_shoes_twice_are_one_pair(filled):
    for stack, pairs in ((14, 1), (14, 1), (15, 2)):
        hardware.save_system(filled, "black shoes", None, {"bolts": "two-bolt", "stack_mm": stack})
        assert filled.rider.shoes.count() == pairs


def test_plan_shows_findings_with_source_changes_and_outcome(client, measured):
    text = text_of(client, measured, "plan")
    for words in (
        "Lower the saddle 10 mm", "705 → 695 mm", "for knee flexion, least, right", "Below the band",
        "Band 30 to 40°, Author 2020 (study)", "31.0 ± 2.4°", "they agree", "Next: lower it",
    ):  # fmt: skip
        assert words in text
    assert "Knee flexion, least, right: 32° expected" in text
    assert KEY not in text  # no record name is shown
    order = [text.index(f'id="{part}"') for part in ("find", "ch", "out", "open")]
    assert order == sorted(order)
    assert all(f'href="#{part}"' in text for part in ("find", "ch", "out", "open"))


def test_a_change_is_recorded_once_with_the_value_measured(client, measured):
    address, change = reverse("plan", args=[measured.pk]), Change.objects.get()
    step = {
        "action": "step",
        "change": str(change.pk),
        "state": "done",
        "actual": "69,6 cm",
        "note": "creaks",
    }
    for _ in range(2):
        assert client.post(address, step).status_code == 302
    assert [(s.state, s.actual, s.note) for s in change.steps.all()] == [("done", 696.0, "creaks")]
    page = client.post(address, {**step, "actual": "10"})
    assert page.status_code == 422
    text = page.content.decode()
    assert "670 to 730 mm" in text
    assert 'value="10"' in text
    assert change.steps.count() == 1
    assert client.post(address, {**step, "change": "9999"}).status_code == 404


def test_handover_lists_datum_dots_and_every_document(client, measured):
    text = text_of(client, measured, "handover")
    assert "dot 3" in text
    for name in ("position-sheet", "cleat-card", "report"):
        assert reverse("document", args=[measured.pk, name]) in text
    assert "1 planned change not recorded as done" in text


def test_the_overview_draws_side_and_soles_and_counts(client, measured):
    text = text_of(client, measured, "visit")
    assert "knee flexion, least" in text
    assert "left sole measured" in text
    assert "side view, before and after" in text
    assert "1 of the changes not recorded yet" in text


def test_an_address_with_a_slash_leads_to_its_station(client, measured):
    response = client.get(f"/visits/{measured.pk}/ride/")
    assert response.status_code == 302
    assert response.url == reverse("ride", args=[measured.pk])


def test_the_loupe_shows_what_was_picked_and_names_what_is_missing(client, measured):
    photo = soles.photos_of(measured, "left")["before"]
    address = reverse("feet_pick", args=[measured.pk, photo.pk])
    text = client.get(address, {"foot": "left", "when": "before"}).content.decode()
    assert 'name="x.heel_centre"' in text
    assert reverse("medium", args=[photo.sha256]) in text
    typed = {"foot": "left", "when": "before", "x.heel_centre": "10,5", "y.heel_centre": "twelve"}
    page = client.post(address, typed)
    assert page.status_code == 422
    text = page.content.decode()
    assert "“twelve” is not a number" in text
    assert 'value="10,5"' in text
    assert "Toe: is needed" in text


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_by_hand_a_red_flag_on_and_off_a_change_recorded_a_sheet_printed(live_server, page: Page, measured):
    def to(station: str) -> None:
        page.locator("#walk").get_by_role("link", name=station, exact=False).click()
        expect(page.get_by_role("heading", level=1, name=station)).to_be_visible()

    page.goto(f"{live_server.url}/visits/{measured.pk}/")
    to("Intake")
    question = page.locator("fieldset.question").first
    with page.expect_response(lambda r: "field=flag." in r.url):
        question.get_by_label("Yes", exact=True).check()
    expect(page.locator("#results .refer")).to_contain_text("Refer before fitting")
    with page.expect_response(lambda r: "field=flag." in r.url):
        question.get_by_label("No", exact=True).check()
    expect(page.locator("#results .refer")).to_have_count(0)

    to("Plan")
    page.get_by_role("link", name="To change").click()
    page.get_by_label("Value measured on the bike").fill("69,5 cm")
    page.get_by_label("Note").fill("post greased")
    page.get_by_role("button", name="Done").click()
    expect(page.locator(".step")).to_contain_text("measured 695 mm: post greased")
    to("Bike")
    expect(page.locator("#results svg").first).to_contain_text("695.0 ± 2.0 mm")

    to("Handover")
    sheet = page.get_by_role("link", name=re.compile("A4.*Position sheet")).get_attribute("href")
    answer = page.request.get(live_server.url + sheet)
    assert answer.headers["content-type"] == "application/pdf"
    with page.expect_download() as download:
        page.get_by_role("link", name="position (JSON)").click()
    assert download.value.suggested_filename == f"position-{measured.pk}.json"
