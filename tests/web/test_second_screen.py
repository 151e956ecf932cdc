"""The rider's screen: plain sentences, only of this rider, and two windows that turn together."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from django.urls import reverse
from playwright.sync_api import Page, expect

from fitwright.motion.ride import RideResult
from fitwright.quantity import Measured
from fitwright.records.models import Visit
from fitwright.studio.rider_view import steps
from fitwright.studio.visits import analyse, answer, new_rider


def ride(knee: float, trunk: float) -> RideResult:
    method = {"dimension": "2-D", "state": "dynamic", "landmarks": "greater trochanter"}
    values = {
        "knee_flexion_deg": {"bdc": Measured(knee, 1.0, "deg")},
        "trunk_inclination_deg": {"mean": Measured(trunk, 1.0, "deg")},
    }  # fmt: skip
    return RideResult("side", Measured(88.0, 0.1, "rpm"), {"right": 30}, {"right": values}, {}, method)


@pytest.fixture
def twice(visit: Visit) -> Visit:
    """A visit with two rides: the knee clearly straighter, the trunk the same."""
    for when, found in (("before", ride(40.0, 43.0)), ("after", ride(33.0, 43.2))):
        analyse(visit, "ride", f"side right {when}", {"ride": found.to_json(), "tracks": {}})
    return visit


def told(client, visit: Visit) -> str:
    first = client.get(reverse("second_screen", args=[visit.pk])).content.decode()
    count = int(re.search(r"of (\d+)", first)[1]) if "of " in first else 1
    pages = [client.get(reverse("second_screen", args=[visit.pk]), {"at": at}) for at in range(1, count + 1)]
    assert {p.status_code for p in pages} == {200}
    return "\n".join(p.content.decode() for p in pages)


@pytest.mark.django_db
def test_nothing_yet(client, visit):
    assert "Nothing to show yet" in told(client, visit)


@pytest.mark.django_db
def test_a_clear_change_is_a_sentence_and_no_change_is_said(client, twice):
    page = told(client, twice)
    assert "With the pedal down, your right knee is 7° straighter." in page
    assert "40° when you came, 33° now" in page
    assert "In how low your back is, nothing changed that we can tell." in page


@pytest.mark.django_db
def test_a_change_within_the_noise_is_never_told_as_one(twice):
    analyse(twice, "ride", "side right after", {"ride": replace(ride(39.8, 43.0)).to_json(), "tracks": {}})
    sentences = [s.sentence for s in steps(Visit.objects.get(pk=twice.pk))]
    assert not [s for s in sentences if "straighter" in s or "more bent" in s]


@pytest.mark.django_db
def test_nothing_private_and_nobody_else(client, twice):
    new_rider("Somebody Else")
    answer(twice, "intake", "notes", "a private worry")
    page = told(client, twice)
    assert "Somebody Else" not in page
    assert "a private worry" not in page
    assert twice.rider.name not in page


@pytest.mark.django_db
@pytest.mark.parametrize("at", ["0", "-3", "99", "x", ""])
def test_any_step_that_is_asked_for_answers(client, twice, at):
    assert client.get(reverse("second_screen", args=[twice.pk]), {"at": at}).status_code == 200


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_two_windows_turn_together(live_server, twice: Visit, page: Page):
    address = live_server.url + reverse("second_screen", args=[twice.pk])
    page.goto(address)
    other = page.context.new_page()
    other.goto(address)
    page.bring_to_front()
    first = page.locator("h1").inner_text()
    page.keyboard.press("ArrowRight")
    expect(page.locator("nav .num")).to_contain_text("2 of")
    expect(other.locator("nav .num")).to_contain_text("2 of")
    other.keyboard.press("ArrowLeft")
    expect(page.locator("h1")).to_have_text(first)
