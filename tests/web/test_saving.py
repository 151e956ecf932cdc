"""Typing at the bench: what is good is kept, what is wrong is said at its field, nothing is lost or doubled."""

from __future__ import annotations

import pytest
from django.urls import reverse

from fitwright.records.models import Answer, Measurement, Position, Rating, Visit
from fitwright.studio.bike import contact_points

HTMX = {"HTTP_HX_REQUEST": "true"}


def post(client, visit, station, typed, field="", **headers):
    query = f"?field={field}" if field else ""
    return client.post(reverse(station, args=[visit.pk]) + query, typed, **headers)


def kept(typed):
    """What was typed, with the answer that it was measured right."""
    return typed | {f"{name}.keep": text for name, text in typed.items()}


def version(visit) -> str:
    return str(Visit.objects.get(pk=visit.pk).version)


def test_a_page_saves_without_a_script(client, visit):
    response = post(client, visit, "body", {"version": "1", "height_mm": "172 cm", "inseam_mm": "805"})
    assert response.status_code == 302
    assert Measurement.objects.get(key="height_mm").value == 1720
    assert Measurement.objects.get(key="height_mm").u > 0


def test_a_field_saves_itself(client, visit):
    response = post(client, visit, "bike", {"version": "1", "crank_mm": "17.25 cm"}, "crank_mm", **HTMX)
    assert response.status_code == 200
    row = Measurement.objects.get()
    assert (row.key, row.value, row.method) == ("crank_mm", 172.5, "marked on the part")
    text = response.content.decode()
    assert "172.5\u00a0±\u00a00.4 mm" in text
    assert f'value="{version(visit)}"' in text
    assert "hx-swap-oob" in text


@pytest.mark.parametrize(
    ("station", "field", "typed", "name", "allowed"),
    [
        ("body", "height_mm", "17 m", "Height", "1000 to 2300 mm"),
        ("bike", "saddle_height_mm", "7 mm", "Saddle height", "400 to 1000 mm"),
        ("bike", "crank_mm", "-5", "Crank length", "100 to 220 mm"),
        ("bike", "saddle_tilt_deg", "nan", "Saddle tilt", "−20 to 20°"),
        ("body", "hanging_foot_left", "7 8 700", "Hanging foot, left", "−30 to 50°"),
        ("intake", "pain.neck", "11", "Neck", "0 to 10"),
        ("intake", "hours_per_week", "200", "Hours a week", "0 to 60 h"),
    ],
)
def test_errors_name_field_and_range_and_keep_what_was_typed(
    client, visit, station, field, typed, name, allowed
):
    whole = post(client, visit, station, {"version": "1", field: typed})
    assert whole.status_code == 422
    text = whole.content.decode()
    assert name in text
    assert allowed in text
    if not field.startswith("pain"):
        assert f'value="{typed}"' in text
    alone = post(client, visit, station, {"version": "1", field: typed}, field, **HTMX)
    assert alone.status_code == 422
    assert allowed in alone.content.decode()
    assert not Measurement.objects.exists()
    assert not Rating.objects.exists()


def test_good_fields_are_saved_beside_a_wrong_one(client, visit):
    page = post(client, visit, "bike", {"version": "1", "crank_mm": "170", "q_factor_mm": "9"})
    assert page.status_code == 422
    assert Measurement.objects.get().key == "crank_mm"
    assert "1 field needs" in page.content.decode()


def test_measures_that_clash_are_refused_by_name(client, visit):
    page = post(client, visit, "body", kept({"height_mm": "1700", "inseam_mm": "800", "thigh_mm": "210"}))
    assert page.status_code == 302
    page = post(client, visit, "body", kept({"inseam_mm": "420"}))
    assert page.status_code == 302
    page = post(client, visit, "body", {"thigh_mm": "450"})
    assert page.status_code == 422
    assert "longer than the inseam" in page.content.decode()
    page = post(client, visit, "bike", {"saddle_height_mm": "400", "saddle_setback_mm": "400"})
    assert "larger than the saddle height" in page.content.decode()


def test_a_crank_longer_than_the_leg_allows_is_refused(client, visit):
    small = {"height_mm": "1000", "inseam_mm": "430", "thigh_mm": "205", "shank_mm": "200"}
    post(client, visit, "body", kept(small))
    page = post(client, visit, "bike", {"crank_mm": "180"})
    assert page.status_code == 422
    assert "30 % of the leg" in page.content.decode()


def test_sending_twice_writes_once(client, visit):
    for _ in range(2):
        assert post(client, visit, "bike", {"version": "1", "crank_mm": "172.5"}).status_code == 302
    assert Measurement.objects.count() == 1
    assert version(visit) == "2"


def test_an_old_page_is_refused_and_nothing_is_lost(client, visit):
    post(client, visit, "intake", {"version": "1", "goal": "from one window"})
    page = post(client, visit, "intake", {"version": "1", "goal": "from another", "history": "ankle"})
    assert page.status_code == 409
    text = page.content.decode()
    assert "changed in another window" in text
    assert "from another" in text
    assert "ankle" in text
    assert Answer.objects.current().get(key="goal").value == "from one window"
    again = post(client, visit, "intake", {"version": version(visit), "goal": "from another"})
    assert again.status_code == 302
    assert Answer.objects.current().get(key="goal").value == "from another"
    assert Answer.objects.filter(key="goal").count() == 2


def test_an_old_field_asks_before_it_takes_the_place_of_another(client, visit):
    post(client, visit, "body", {"version": "1", "inseam_mm": "800"})
    held = post(client, visit, "body", {"version": "1", "inseam_mm": "820"}, "inseam_mm", **HTMX)
    assert held.status_code == 409
    text = held.content.decode()
    assert "On record now: 800\u00a0±\u00a010 mm" in text
    assert 'id="version"' not in text  # the page stays old, so that its other fields ask as well
    mine = post(client, visit, "body", {"inseam_mm": "820"}, f"inseam_mm&mine={version(visit)}", **HTMX)
    assert mine.status_code == 200
    assert Measurement.objects.current().get().value == 820


def test_the_first_whole_bike_is_the_position_it_arrived_in(client, visit):
    numbers = {
        "saddle_height_mm": "705", "saddle_setback_mm": "198", "hood_x_mm": "470", "hood_y_mm": "610",
        "crank_mm": "172,5", "q_factor_mm": "148",
    }  # fmt: skip
    post(client, visit, "bike", numbers)
    assert contact_points(visit) is None
    assert not Position.objects.exists()
    post(client, visit, "bike", {"pedal_offset_mm": "53"})
    first = Position.objects.get()
    assert first.label == "arrived"
    assert first.data["contact_points"]["saddle_height_mm"] == 705
    post(client, visit, "bike", {"saddle_height_mm": "710"})
    second = Position.objects.get(parent=first)
    assert second.data["contact_points"]["saddle_height_mm"] == 710
    first.refresh_from_db()
    assert first.data["contact_points"]["saddle_height_mm"] == 705


def test_how_it_was_measured_decides_how_sure_it_is_unless_it_is_said(client, visit):
    post(client, visit, "bike", {"q_factor_mm": "148", "q_factor_mm.how": "asked"})
    assert Measurement.objects.current().get().u == 5.0
    post(client, visit, "bike", {"q_factor_mm": "148", "q_factor_mm.how": "caliper", "q_factor_mm.u": "0,98"})
    row = Measurement.objects.current().get()
    assert row.method == "caliper"
    assert row.u == pytest.approx(0.5, abs=0.001)
    page = post(client, visit, "bike", {"q_factor_mm": "149", "q_factor_mm.u": "500"})
    assert page.status_code == 422
    assert "Q factor, ±" in page.content.decode()


def test_the_line_that_was_read_re_reckons_both_hanging_feet(client, visit):
    post(client, visit, "body", {"hanging_foot_left": "7 8 9", "hanging_foot_right": "8 9 10"})
    before = Measurement.objects.current().get(side="left").u
    post(client, visit, "body", {"hanging_line": "bare"})
    after = Measurement.objects.current().get(side="left")
    assert after.u > before
    assert after.readings == [7, 8, 9]
    text = client.get(reverse("body", args=[visit.pk])).content.decode()
    assert "not distinguishable" in text


def test_consent_is_kept_with_the_rider_and_may_be_withdrawn(client, visit):
    post(client, visit, "intake", {"consent": "yes"})
    visit.rider.refresh_from_db()
    assert visit.rider.consent_at is not None
    post(client, visit, "intake", {"consent": "no"})
    visit.rider.refresh_from_db()
    assert visit.rider.consent_at is None
    assert Answer.objects.filter(key="consent").count() == 2


def test_a_field_of_another_page_is_refused(client, visit):
    page = post(client, visit, "bike", {"nothing": "1"}, "nothing", **HTMX)
    assert page.status_code == 400
    page = post(client, visit, "bike", {"version": "one", "crank_mm": "170"})
    assert page.status_code == 400


@pytest.mark.browser
def test_who_goes_on_at_once_waits_for_what_is_being_saved(live_server, page, visit):
    """A quick hand types the last field and presses the next station: the field is saved all the same."""
    page.goto(f"{live_server.url}{reverse('bike', args=[visit.pk])}")
    page.route("**/bike?field=*", lambda route: (page.wait_for_timeout(400), route.continue_()))
    for name, text in (("crank_mm", "172.5"), ("q_factor_mm", "146"), ("pedal_offset_mm", "53")):
        box = page.locator(f"[name={name}]")
        box.fill(text)
        box.press("Tab")
    page.locator("#walk").get_by_role("link", name="Ride").click()
    page.wait_for_url("**/ride")
    saved = Measurement.objects.filter(visit=visit).values_list("key", flat=True)
    assert set(saved) == {"crank_mm", "q_factor_mm", "pedal_offset_mm"}
