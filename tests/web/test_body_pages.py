"""Body: odd values are kept only when confirmed, photographs of hanging feet are read, set aside and put back."""

from __future__ import annotations

import io

import numpy as np
import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from PIL import Image

from fitwright.records.models import Analysis, Answer, Measurement, Medium
from fitwright.studio import body, hanging
from fitwright.studio.visits import new_rider, open_visit

HTMX = {"HTTP_HX_REQUEST": "true"}
FOOT = {  # a left foot turned out by about 10°, seen from below by a camera that stands square
    "heel_centre": (400, 420), "toe": (430, 250), "knee_rear": (400, 580), "knee_front": (400, 440),
}  # fmt: skip


@pytest.fixture
def woman(studio):
    """A visit of an invented woman: the sample of women is asked."""
    return open_visit(new_rider("Rosa Lind", sex="F"))


def send(client, visit, typed, field="", **headers):
    query = f"?field={field}" if field else ""
    return client.post(reverse("body", args=[visit.pk]) + query, typed, **headers)


def text_of(client, visit) -> str:
    return client.get(reverse("body", args=[visit.pk])).content.decode()


def picture(seed=0) -> SimpleUploadedFile:
    file = io.BytesIO()
    grey = np.random.default_rng(seed).integers(60, 200, (600, 800), dtype=np.uint8)
    Image.fromarray(grey).save(file, "JPEG")
    return SimpleUploadedFile("foot.jpg", file.getvalue(), "image/jpeg")


def lay_down(client, visit, side="left", seed=0) -> str:
    got = client.post(
        reverse("body", args=[visit.pk]), {"action": "photo", "side": side, "photo": picture(seed)}
    )
    assert got.status_code == 302, got.content.decode()
    return got.url


def picks_of(points, **more) -> dict[str, str]:
    typed = {"side": "left", "line": "shoe", "knee": "edge", "card": "none"} | more
    for name, (x, y) in points.items():
        typed |= {f"x.{name}": str(x), f"y.{name}": str(y)}
    return typed


# --- asking back ---


def test_an_odd_value_waits_for_an_answer_and_nothing_else_is_lost(client, woman):
    typed = {"height_mm": "1650", "ball_length_left_mm": "13.2 cm", "foot_length_left_mm": "2"}
    page = send(client, woman, typed)
    assert page.status_code == 422
    text = page.content.decode()
    assert "132 mm is outside" in text
    assert "0.1 to 99.9 %" in text
    assert "1986 women" in text
    assert "Measured right?" in text
    assert 'name="ball_length_left_mm.keep" value="13.2 cm"' in text
    assert 'href="#in-ball_length_left_mm"' in text
    for kept_in_box in ("13.2 cm", "2", "1650"):
        assert f'value="{kept_in_box}"' in text
    assert [m.key for m in Measurement.objects.all()] == ["height_mm"]


def test_keeping_is_recorded_with_who_and_what_was_asked(client, woman):
    send(client, woman, {"measured_by": "M. K."})
    typed = {"ball_length_left_mm": "13.2 cm", "ball_length_left_mm.keep": "13.2 cm"}
    assert send(client, woman, typed).status_code == 302
    row = Measurement.objects.get()
    assert (row.key, row.side, row.value) == ("ball_length_mm", "left", 132)
    kept = Answer.objects.get(key="kept ball_length_left")
    assert kept.author == kept.value["by"] == "M. K."
    assert kept.value["values"] == {"ball_length_left_mm": 132}
    assert "outside" in kept.value["asked"]
    text = text_of(client, woman)
    assert "Kept: measured right (<bdi>M. K.</bdi>)" in text
    assert (
        send(client, woman, {"ball_length_left_mm": "132"}).status_code == 302
    )  # the same value is not asked again
    assert send(client, woman, {"ball_length_left_mm": "131"}).status_code == 422  # another one is


def test_an_old_confirmation_does_not_carry_a_new_text(client, woman):
    typed = {"ball_length_left_mm": "13.3 cm", "ball_length_left_mm.keep": "13.2 cm"}
    assert send(client, woman, typed).status_code == 422
    assert not Measurement.objects.exists()


def test_a_single_field_asks_and_keeps(client, woman):
    asked = send(client, woman, {"height_mm": "1200"}, "height_mm", **HTMX)
    assert asked.status_code == 422
    assert "Keep it" in asked.content.decode()
    kept = send(client, woman, {"height_mm": "1200", "height_mm.keep": "1200"}, "height_mm", **HTMX)
    assert kept.status_code == 200
    assert "1200 ± 10 mm" in kept.content.decode()


@pytest.mark.parametrize(
    ("first", "second", "field", "words"),
    [
        ({"foot_length_left_mm": "245"}, {"ball_length_left_mm": "205"}, "ball_length_left_mm", "foot’s length"),
        ({"foot_length_left_mm": "240"}, {"foot_length_right_mm": "256"}, "foot_length_right_mm", "by 16 mm"),
        ({"height_mm": "1650"}, {"inseam_mm": "690"}, "inseam_mm", "of height"),
        (
            {"leg_length_left_mm": "850", "leg_length_right_mm": "852"}, {"leg_length_difference_mm": "25"},
            "leg_length_difference_mm", "by both leg lengths",
        ),
        ({"tibial_torsion_left_deg": "10"}, {"tibial_torsion_right_deg": "-15"}, "tibial_torsion_right_deg", "25°"),
    ],
)  # fmt: skip
def test_what_hardly_goes_together_is_asked_at_the_field_typed_last(
    client, woman, first, second, field, words
):
    assert send(client, woman, first).status_code == 302
    page = send(client, woman, second)
    assert page.status_code == 422
    text = page.content.decode()
    assert words in text
    assert f"{field}.keep" in text
    assert len(Measurement.objects.all()) == len(first)
    assert send(client, woman, second | {f"{field}.keep": second[field]}).status_code == 302


def test_keys_of_confirmations_fit_their_column():
    from fitwright.body.doubts import RATIOS, SAMPLED, Doubt
    from fitwright.body.sided import SIDED

    pairs = [(m.name("right"), m.name("left")) for m in SIDED] + [r[:2] for r in RATIOS]
    legs = ("leg_length_difference_mm", "leg_length_right_mm", "leg_length_left_mm")
    for about in (*pairs, *((n,) for n in SAMPLED), legs):
        assert len(f"kept {Doubt(about, '').key}") <= Answer._meta.get_field("key").max_length


def test_absurd_values_stay_refused_even_when_confirmed(client, woman):
    page = send(client, woman, {"ball_length_left_mm": "20", "ball_length_left_mm.keep": "20"})
    assert page.status_code == 422
    assert "90 to 280 mm" in page.content.decode()
    assert not Measurement.objects.exists()


# --- left and right ---


def test_sides_are_called_different_only_when_they_are(client, woman):
    typed = {"foot_length_left_mm": "242 243 242", "foot_length_right_mm": "250 251 250",
             "arch_height_left_mm": "60", "arch_height_right_mm": "64", "ball_length_left_mm": "180"}  # fmt: skip
    assert send(client, woman, typed).status_code == 302
    text = text_of(client, woman)
    assert "Right is larger by 8" in text
    assert "Not distinguishable" in text
    assert "readings on each side could tell" in text
    assert "Arch height index, left" in text
    assert "Williams &amp; McClay" in text


# --- photographs ---


def test_a_photograph_is_one_reading_beside_the_goniometer(client, visit):
    send(client, visit, {"hanging_foot_left": "9 10 11"})
    before = body.hanging(visit)["left"]
    address = lay_down(client, visit)
    assert "points not picked yet" in text_of(client, visit)
    shown = client.get(address).content.decode()
    assert "Toe of the sole" in shown
    assert 'name="card"' in shown
    got = client.post(address, picks_of(FOOT))
    assert got.status_code == 302, got.content.decode()
    reading = hanging.photos(visit)[0].reading
    assert reading.yaw_deg.value == pytest.approx(np.degrees(np.arctan2(30, 170)), abs=0.01)
    after = body.hanging(visit)["left"]
    assert after.trials == before.trials + 1
    assert after.yaw_deg.value == pytest.approx(10, abs=0.3)
    assert Measurement.objects.current().get(key="hanging_foot_deg").readings == [9, 10, 11]
    text = text_of(client, visit)
    assert "left 1" in text
    assert "Without a scale card" in text


def test_setting_aside_and_putting_back_keep_everything(client, visit):
    client.post(lay_down(client, visit), picks_of(FOOT))
    address = reverse("body", args=[visit.pk])
    assert set(body.hanging(visit)) == {"left"}
    assert client.post(address, {"action": "aside", "label": "left 1"}).status_code == 302
    assert body.hanging(visit) == {}
    assert "set aside" in text_of(client, visit)
    assert client.post(address, {"action": "back", "label": "left 1"}).status_code == 302
    assert set(body.hanging(visit)) == {"left"}
    assert Answer.objects.filter(key="aside left 1").count() == 2
    assert client.post(address, {"action": "aside", "label": "left 7"}).status_code == 422


def test_picking_again_replaces_the_reading_and_keeps_the_old_one(client, visit):
    address = lay_down(client, visit)
    client.post(address, picks_of(FOOT))
    moved = FOOT | {"toe": (440, 250)}
    client.post(address, picks_of(moved, line="bare"))
    rows = Analysis.objects.filter(kind="hanging")
    assert rows.count() == 2
    assert {r.label for r in rows} == {"left 1"}
    assert rows.current().get().inputs["line"] == "bare"
    assert body.hanging(visit)["left"].trials == 1
    assert body.hanging(visit)["left"].yaw_deg.u > 4  # the bare line is carried over to the shoe
    assert 'value="440"' in client.get(address).content.decode()
    client.post(lay_down(client, visit, seed=1), picks_of(FOOT))
    assert [p.label for p in hanging.photos(visit)] == ["left 1", "left 2"]


def test_a_snapped_point_brings_its_own_uncertainty(client, visit):
    typed = picks_of(FOOT)
    address = lay_down(client, visit)
    client.post(address, typed)
    by_hand = hanging.photos(visit)[0].reading.u_parts_deg["picks and lens"]
    for name in FOOT:
        typed |= {f"how.{name}": "snapped: dot", f"u.{name}": "0.05"}
    client.post(address, typed)
    again = hanging.photos(visit)[0]
    assert again.origins["toe"].how == "snapped: dot"
    assert again.reading.u_parts_deg["picks and lens"] < 0.7 * by_hand
    assert 'name="u.toe" value="0.05"' in client.get(address).content.decode()


def test_two_sides_come_from_two_photographs_and_complete_the_station(client, visit):
    client.post(lay_down(client, visit), picks_of(FOOT))
    mirrored = {name: (799 - x, y) for name, (x, y) in FOOT.items()}
    client.post(lay_down(client, visit, "right", 1), picks_of(mirrored, side="right"))
    feet = body.hanging(visit)
    assert feet["left"].yaw_deg.value == pytest.approx(feet["right"].yaw_deg.value, abs=0.01)
    assert "hanging foot, left" not in body.page(visit).missing
    walk = client.get(reverse("visit", args=[visit.pk])).content.decode()
    assert "hanging foot, left 10" in walk


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"card": "level"}, "no scale card found"),
        ({"side": "right"}, "the picture is not mirrored"),
        ({"x.toe": "2000"}, "lies outside the picture"),
        ({"x.toe": "400", "y.toe": "420"}, "lie on one spot"),
        ({"y.heel_centre": "250", "y.toe": "420"}, "exchanged"),
        ({"x.toe": ""}, "down"),
        ({"x.knee_rear": "", "y.knee_rear": ""}, "is needed"),
        ({"x.toe": "nan"}, "is not a number"),
    ],
)
def test_points_that_cannot_be_are_told_and_stay(client, visit, change, words):
    page = client.post(lay_down(client, visit), picks_of(FOOT | {"toe": (520, 250)}) | change)
    assert page.status_code == 422
    text = page.content.decode()
    assert words in text
    assert 'role="alert"' in text
    assert 'value="440"' in text  # y of the knee line's front end
    assert not Analysis.objects.exists()


def test_a_photograph_laid_down_by_mistake_is_taken_away(client, visit):
    lay_down(client, visit)
    address, pk = reverse("body", args=[visit.pk]), Medium.objects.get().pk
    assert client.post(address, {"action": "away", "medium": str(pk), "side": "right"}).status_code == 422
    assert client.post(address, {"action": "away", "medium": str(pk), "side": "left"}).status_code == 302
    assert hanging.photos(visit) == ()
    assert Medium.objects.exists()


def test_what_is_no_photograph_is_refused_with_the_rest_of_the_page(client, visit):
    address = reverse("body", args=[visit.pk])
    for data in (
        {"action": "photo", "side": "left"},
        {"action": "photo", "side": "both", "photo": picture()},
        {"action": "photo", "side": "left", "photo": SimpleUploadedFile("x.exe", b"MZ")},
        {"action": "nonsense"},
    ):
        page = client.post(address, data)
        assert page.status_code == 422
        assert "Hanging foot by photograph" in page.content.decode()
    assert client.get(reverse("body_hang", args=[visit.pk, 999])).status_code == 404
