"""The page of checking and restoring: what it shows, what it takes, what it says when something is wrong."""

from __future__ import annotations

from datetime import timedelta
from io import BytesIO

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from PIL import Image
from playwright.sync_api import Page, expect

from fitwright.foot.frame import cleat_marks, read_sole
from fitwright.foot.rigid import turn_matrix
from fitwright.motion.ride import CycleCurve, RideResult
from fitwright.quantity import Measured
from fitwright.records.media import keep_stream
from fitwright.records.models import CleatNote, Medium, Shoes, Visit
from fitwright.studio.feet import cleats, film_points, restore
from fitwright.studio.visits import analyse, open_visit

ON_CLEAT = np.array([[28.0, 24.0], [-27.0, 26.0], [-10.0, -30.0]])


def a_reading(x, z, psi, foot="left"):
    nose, tail = cleat_marks(x, z, psi, 35, 35)
    points = {
        "heel_centre": (0.0, 0.0), "toe": (281.0, 0.0), "m1": (201.0, -38.0), "m5": (172.0, 44.0),
        "cleat_nose": nose, "cleat_tail": tail,
    }  # fmt: skip
    points |= {f"datum_{i + 1}": p for i, p in enumerate(ON_CLEAT @ turn_matrix(-psi).T + [x, z])}
    xz = np.array([*points.values()])
    plane = np.column_stack([xz[:, 1] if foot == "left" else -xz[:, 1], -xz[:, 0]])
    return read_sole(foot, list(points), plane, np.eye(2 * len(points)) * 0.01, quality={"u_mark_mm": 0.1})


def keep(visit, when, reading):
    medium = keep_stream(BytesIO(f"{when}{reading.cleat.x_mm}".encode()), "sole.jpg", "photo", simulated=True)
    analyse(visit, "sole", f"{reading.foot} {when}", reading.to_json(), medium=medium)
    return medium


@pytest.fixture
def later(filled: Visit) -> Visit:
    """A follow-up visit: fitted and measured last time, found shifted today."""
    wished = {"left": a_reading(187, 1, 5).cleat.to_json()}
    analyse(filled, "plan", "plan", {"wished_cleats": wished, "findings": [], "changes": []})
    for x in (188.4, 187.2):
        keep(filled, "after", a_reading(x, 1, 5))
    visit = open_visit(filled.rider, title="follow-up")
    keep(visit, "remount", a_reading(185.6, 1.8, 6.4))
    return visit


def text_of(client, visit: Visit) -> str:
    page = client.get(reverse("feet_check", args=[visit.pk]))
    assert page.status_code == 200
    return page.content.decode()


def post(client, visit: Visit, **typed):
    return client.post(reverse("feet_check", args=[visit.pk]), typed)


def test_an_empty_page_teaches_what_to_do(client, visit):
    text = text_of(client, visit)
    assert "Tighten the bolts, photograph the sole" in text
    assert "No position of this left cleat is on record yet" in text
    assert "Note when these cleats were fitted" in text
    assert "No ride shows this foot yet" in text


def test_after_tightening_it_shows_how_far_off_with_every_photograph(client, filled, later):
    text = text_of(client, filled)
    assert "As wished, to within what a hand can set." in text
    assert "Within 0.5 mm and 0.5°" in text
    assert "Every photograph (2)" in text
    assert text.count("<strong>counts</strong>") == 1
    assert "Measure again" in text
    assert "off by: fore-aft" in text  # the strip's own words


def test_a_follow_up_visit_restores_the_cleat_of_the_first(client, later):
    text = text_of(client, later)
    assert "Move 1.6 mm towards the toe and 0.8 mm inward, turn the nose 1.4° outward." in text
    assert "Not yet within 0.5 mm and 0.3°" in text
    assert "What is on record: 3 datum dots" in text
    assert "second visit" in text  # the title of the visit on record
    assert "cleat-card" in text
    handover = client.get(reverse("handover", args=[later.pk])).content.decode()
    assert "Found later, against the record" in handover


def test_another_position_and_way_are_chosen_and_a_wrong_one_refused(client, later):
    record = restore.records_of(later, "left")[0]
    answer = post(client, later, action="recorded", foot="left", recorded=record.key, way="centre")
    assert answer.status_code == 302
    assert "dots on the old cleat are gone" in text_of(client, later).lower()
    answer = post(client, later, action="recorded", foot="left", recorded="sole 9999", way="auto")
    assert answer.status_code == 422
    assert "is none of this left foot" in answer.content.decode()


def test_a_photograph_goes_to_the_loupe_and_a_wrong_file_is_refused(client, visit):
    jpeg = BytesIO()
    Image.new("RGB", (40, 30), "grey").save(jpeg, "JPEG")
    address = reverse("feet_check", args=[visit.pk])
    form = {"action": "photo", "foot": "right", "when": "after"}
    answer = client.post(address, form | {"photo": SimpleUploadedFile("sole.jpg", jpeg.getvalue())})
    medium = Medium.objects.get()
    assert answer.url == f"{reverse('feet_pick', args=[visit.pk, medium.pk])}?foot=right&when=after"
    assert "A photograph waits: pick its points" in text_of(client, visit)
    for files in ({}, {"photo": SimpleUploadedFile("sole.txt", b"text")}):
        answer = client.post(address, form | files)
        assert answer.status_code == 422
        assert 'role="alert"' in answer.content.decode()


def test_a_note_is_kept_reminds_and_is_taken_back(client, visit):
    day = (timezone.localdate() - timedelta(days=700)).isoformat()
    assert (
        post(client, visit, action="note", kind="fitted", side="", on=day, worn_front="").status_code == 302
    )
    assert "due for a look" in text_of(client, visit)
    for address in (reverse("visit", args=[visit.pk]), reverse("rider", args=[visit.rider.pk])):
        assert "Cleats due for a look" in client.get(address).content.decode()
    note = CleatNote.objects.get()
    assert post(client, visit, action="withdraw", note=note.pk).status_code == 302
    assert "due for a look" not in text_of(client, visit).replace("cleats due for a look?", "")
    assert CleatNote.objects.count() == 2
    assert post(client, visit, action="withdraw", note="x").status_code == 422


def test_what_was_typed_stays_when_a_note_is_refused(client, visit):
    tomorrow = (timezone.localdate() + timedelta(days=1)).isoformat()
    typed = {
        "kind": "worn",
        "side": "left",
        "on": tomorrow,
        "worn_front": "1,5",
        "words": "rounded <b>edge</b>",
    }
    answer = post(client, visit, action="note", **typed)
    text = answer.content.decode()
    assert answer.status_code == 422
    assert "lies in the future" in text
    for kept in (tomorrow, "1,5", "rounded &lt;b&gt;edge&lt;/b&gt;"):
        assert kept in text
    assert CleatNote.objects.count() == 0
    assert "is not a date" in post(client, visit, action="note", **typed | {"on": "soon"}).content.decode()
    answer = post(
        client, visit, action="note", **typed | {"on": timezone.localdate().isoformat(), "worn_front": "99"}
    )
    assert "0 to 15 mm" in answer.content.decode()


def test_the_studio_s_rule_is_edited_and_its_limits_said(client, visit):
    assert post(client, visit, action="rule", months="9", km="4 000").status_code == 302
    assert (cleats.rule().months, cleats.rule().km) == (9, 4000)
    answer = post(client, visit, action="rule", months="0", km="4000")
    assert "1 to 120" in answer.content.decode()
    assert cleats.rule().months == 9


def test_ruler_values_of_the_film_points_are_kept_or_refused(client, visit):
    assert (
        post(
            client, visit, action="places", foot="left", m5_above_mm="2,2 cm", heel_above_mm="30"
        ).status_code
        == 302
    )
    assert film_points.places_of(visit, "left") == {"m5_above_mm": 22.0, "heel_above_mm": 30.0}
    answer = post(client, visit, action="places", foot="left", heel_above_mm="high")
    assert answer.status_code == 422
    assert "“high” is not a number" in answer.content.decode()
    assert 'value="high"' in answer.content.decode()


def test_the_yaw_used_stands_over_the_float(client, filled):
    shoes = Shoes.objects.create(
        rider=filled.rider, name="black", cleat_system={"float_in_deg": 4, "float_out_deg": 4, "stack_mm": 28}
    )
    Visit.objects.filter(pk=filled.pk).update(shoes=shoes)
    keep(filled, "after", a_reading(187, 1, 7, "right"))
    told = {e: Measured(v, 1.0, "deg", "front view") for e, v in (("mean", 8.0), ("min", 6.0), ("max", 9.8))}
    curve = CycleCurve("foot_yaw", "deg", np.full(360, 8.0), np.full(360, 0.5), np.full(360, 1.0), 30)
    front = RideResult(
        "front", Measured(88, 0.1, "rpm"), {"right": 30}, {"right": {"foot_yaw_deg": told}},
        {"right": {"foot_yaw": curve}}, {},
    )  # fmt: skip
    analyse(filled, "ride", "front after", {"ride": front.to_json()})
    text = text_of(client, filled)
    assert "right foot, yaw used" in text
    assert "Target 3 to 11°" in text
    assert "probability that the toe-out end is touched: 12 %" in text  # 1.2° of room, u 1.0° and ψ's


def test_an_unknown_action_and_an_unknown_foot_are_refused(client, visit):
    for typed in ({"action": "dance"}, {"action": "photo", "foot": "third", "when": "after"}):
        answer = post(client, visit, **typed)
        assert answer.status_code == 422
        assert 'role="alert"' in answer.content.decode()


def test_the_page_asks_the_database_few_questions(client, later, django_assert_max_num_queries):
    with django_assert_max_num_queries(30):
        text_of(client, later)


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_by_keyboard_a_position_is_chosen_and_a_note_written(live_server, page: Page, later):
    page.goto(f"{live_server.url}{reverse('feet_check', args=[later.pk])}")
    way = page.locator("#way-left")
    way.focus()
    page.keyboard.press("End")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    expect(page.locator("#left .notice").first).to_contain_text(
        "Dots on the old cleat are gone", ignore_case=True
    )
    page.get_by_label("Turn the shoe by hand").select_option("yes")
    page.get_by_label("What happened").select_option("worn")
    page.get_by_role("button", name="Keep this note").press("Enter")
    expect(page.locator("#cleats")).to_contain_text("play more than when new")
    small = page.evaluate(
        "[...document.querySelectorAll('main button, main select, main input:not([type=hidden],[type=checkbox])')]"
        ".filter(e => e.offsetParent && e.getBoundingClientRect().height < 43.5).length"
    )
    assert small == 0
