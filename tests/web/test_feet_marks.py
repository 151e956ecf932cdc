"""The page of M1 and M5: what was measured, what contradicts it, and what was typed wrong."""

from __future__ import annotations

from io import BytesIO

import cv2
import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse

from fitwright.foot.sole import SolePoint, SoleReading
from fitwright.quantity import Measured
from fitwright.records.media import keep_stream
from fitwright.records.models import Shoes, Visit
from fitwright.studio.feet.marks import marks_of, ways_of
from fitwright.studio.feet.marks_entry import side_photos
from fitwright.studio.visits import analyse, measure


def address(visit: Visit) -> str:
    return reverse("feet_marks", args=[visit.pk])


def shown(client, visit: Visit) -> str:
    page = client.get(address(visit))
    assert page.status_code == 200
    return page.content.decode()


def sole(visit: Visit, side: str = "left", x1: float = 201.0) -> None:
    spot = np.diag([0.36, 0.36])
    marks = {"m1": SolePoint(x1, -38, spot), "m5": SolePoint(172, 44, spot)}
    reading = SoleReading(side, marks, {}, None, Measured(281, 0.4, "mm"), {})
    photo = keep_stream(BytesIO(side.encode()), f"{side}.jpg", "photo", simulated=True)
    analyse(visit, "sole", f"{side} before", reading.to_json(), medium=photo)


def test_an_empty_page_teaches_and_names_what_is_missing(client, visit):
    text = shown(client, visit)
    assert "Bend the toe up and down" in text
    assert text.count("Nothing known yet.") == 2
    assert "Foot length is not known" in text


def test_a_guess_is_said_to_be_one(client, visit):
    measure(visit, "body", "foot_length_left_mm", Measured(265.0, 2.0, "mm", "tape"))
    text = shown(client, visit)
    assert "Not measured: M1 and M5." in text
    assert "Do not set a cleat by it" in text
    assert "guess from foot length" in text
    assert (
        text.count("stroke-dasharray") >= 8
    )  # four strips of the guess, four of the whole, which is only the guess
    assert "left foot, from" in text.replace("(", "").replace(")", "")


def test_ruler_values_join_the_photograph_and_a_conflict_is_seen_set_aside_and_put_back(client, visit):
    sole(visit)
    typed = {"action": "ruler", "foot": "left", "m1_x": "20,1 cm 202", "m5_x": "172"}
    assert client.post(address(visit), typed).status_code == 302
    text = shown(client, visit)
    assert "They agree" in text
    assert (
        "201.5 ± 3.1 mm" in text
    )  # 1.96 √(1.5² + 0.5²): what a reading cannot beat, and how far the two differ
    assert 'value="20,1 cm 202"' in text
    assert text.count("<svg") >= 10
    client.post(address(visit), typed | {"m1_x": "210"})
    text = shown(client, visit)
    assert "disagree on M1 by 9.0 mm fore-aft" in text
    assert "They do not agree" in text
    key = next(w.key for w in ways_of(visit, "left") if "ruler" in w.observation.source)
    for action, words in (("aside", "Put back"), ("back", "disagree on M1")):
        assert client.post(address(visit), {"action": action, "foot": "left", "key": key}).status_code == 302
        assert words in shown(client, visit)


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ({"m1_x": "twenty"}, "“twenty” is not a number"),
        ({"m1_x": "20.1"}, "If 20.1 cm was meant, type"),
        ({"m1_x": "300"}, "longer than the sole"),
        ({"m1_x": "150", "m5_x": "190"}, "look swapped"),
        ({"m5_z": "-44"}, "Allowed: 5 to 90 mm"),
        ({}, "nothing was typed"),
    ],
)
def test_a_wrong_ruler_value_is_said_beside_its_box_and_stays_typed(client, visit, typed, words):
    sole(visit)
    page = client.post(address(visit), {"action": "ruler", "foot": "left", **typed})
    assert page.status_code == 422
    text = page.content.decode()
    assert words.replace("'", "&#x27;") in text
    assert 'role="alert"' in text
    for value in typed.values():
        assert f'value="{value}"' in text
    assert len(ways_of(visit, "left")) == 1


def test_a_side_photograph_is_taken_picked_and_shown(client, visit, sole_photo):
    _, camera, grey = sole_photo
    png = cv2.imencode(".png", grey)[1].tobytes()
    file = SimpleUploadedFile("inner.png", png, "image/png")
    answer = client.post(address(visit), {"action": "photo", "foot": "left", "edge": "inner", "photo": file})
    assert answer.status_code == 302
    assert "points not picked yet" in shown(client, visit)
    text = client.get(answer.url).content.decode()
    assert "M1 from the inner side of the left shoe" in text
    assert 'name="x.mark"' in text
    pick = answer.url.split("?")[0]
    place = {"foot": "left", "edge": "inner"}
    page = client.post(pick, {**place, "x.heel": "12,5", "y.heel": "far"})
    assert page.status_code == 422
    text = page.content.decode()
    assert "“far” is not a number" in text
    assert 'value="12,5"' in text
    spots = {"heel": (0, 46), "toe": (281, 46), "mark": (201, 0)}
    for name, (x, behind) in spots.items():
        u, v = camera.project(np.array([[0.0, 140.0 - x]]), -behind)[0]
        place |= {f"x.{name}": f"{u:.1f}", f"y.{name}": f"{v:.1f}"}
    swapped = (
        place
        | {f"{a}.heel": place[f"{a}.toe"] for a in "xy"}
        | {f"{a}.toe": place[f"{a}.heel"] for a in "xy"}
    )
    page = client.post(pick, swapped)
    assert page.status_code == 422
    assert "heel and toe exchanged" in page.content.decode()
    assert client.post(pick, place).status_code == 302
    (way,) = ways_of(visit, "left")
    assert way.observation.measured["m1_x"].value == pytest.approx(201, abs=1.5)
    text = shown(client, visit)
    assert "photograph of the inner edge" in text
    assert "points not picked yet" not in text
    assert set(side_photos(visit, "left")) == {"inner"}


def test_a_photograph_without_a_card_says_so_and_keeps_the_picks(client, visit):
    png = cv2.imencode(".png", np.full((300, 400), 128, np.uint8))[1].tobytes()
    photo = keep_stream(BytesIO(png), "bare.png", "photo")
    typed = {"foot": "right", "edge": "outer"}
    for i, name in enumerate(("heel", "toe", "mark")):
        typed |= {f"x.{name}": str(50 + 90 * i), f"y.{name}": "150"}
    page = client.post(reverse("feet_marks_pick", args=[visit.pk, photo.pk]), typed)
    assert page.status_code == 422
    assert "card" in page.content.decode()
    assert 'value="140"' in page.content.decode()


def test_another_pair_lends_its_marks(client, visit):
    sole(visit)
    second = Shoes.objects.create(rider=visit.rider, letter="B", name="indoor shoes")
    Visit.objects.filter(pk=visit.pk).update(shoes=second)
    visit.refresh_from_db()
    text = shown(client, visit)
    assert "pair B" in text
    assert "Nothing known yet." in text
    key = f"{visit.pk} A"
    assert f'value="{key}"' in text
    wrong = client.post(address(visit), {"action": "carry", "foot": "left", "pair": key, "ahead_mm": "9 kg"})
    assert wrong.status_code == 422
    assert 'value="9 kg"' in wrong.content.decode()
    assert client.post(address(visit), {"action": "carry", "foot": "left", "pair": key}).status_code == 302
    assert "carried over from pair A" in shown(client, visit)
    assert marks_of(visit, "left").m1.x_mm == pytest.approx(201.0)


@pytest.mark.parametrize(
    "typed",
    [
        {"action": "nonsense", "foot": "left"}, {"action": "ruler", "foot": "middle"}, {},
        {"action": "aside", "foot": "left", "key": "9" * 30}, {"action": "aside", "foot": "left", "key": "x"},
        {"action": "photo", "foot": "left", "edge": "upper"}, {"action": "photo", "foot": "left", "edge": "inner"},
        {"action": "carry", "foot": "left", "pair": "1 Z"},
    ],
)  # fmt: skip
def test_a_wrong_request_is_answered_in_words(client, visit, typed):
    page = client.post(address(visit), typed)
    assert page.status_code == 422
    assert 'role="alert"' in page.content.decode()


def test_the_page_asks_the_database_few_questions(client, filled, django_assert_max_num_queries):
    sole(filled)
    sole(filled, "right")
    with django_assert_max_num_queries(18):
        shown(client, filled)
