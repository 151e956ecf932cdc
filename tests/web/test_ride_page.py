"""The Ride page in figures: two side films compared leg by leg, before and now, and turn to turn beside the ±."""

from __future__ import annotations

import re

import numpy as np
import pytest
from django.urls import reverse
from playwright.sync_api import Page

from fitwright.motion.ride import THETA_DEG, CycleCurve, RideResult
from fitwright.quantity import Measured
from fitwright.records.models import Visit
from fitwright.studio import ride_rows
from fitwright.studio.visits import analyse

FLEXION = {
    ("left", "before"): 31.0,
    ("right", "before"): 25.0,
    ("left", "after"): 33.0,
    ("right", "after"): 33.5,
}
U, SD = 1.5, 0.8


def side_film(side: str, least: float) -> RideResult:
    mean = least + 40 - 40 * np.cos(np.radians(THETA_DEG - 180))
    events = {
        "min": Measured(least, U, "deg"),
        "bdc": Measured(least, U, "deg"),
        "q90": Measured(least + 40, U, "deg"),
    }
    return RideResult(
        "side", Measured(88.0, 0.1, "rpm"), {side: 30}, {side: {"knee_flexion_deg": events}},
        {side: {"knee_flexion": CycleCurve("knee_flexion", "deg", mean, np.full(360, SD), np.full(360, U), 30)}},
        {"dimension": "2-D", "state": "dynamic"},
    )  # fmt: skip


@pytest.fixture
def ridden(filled: Visit) -> Visit:
    """Both legs filmed from their own side, before and after."""
    for (side, when), least in FLEXION.items():
        analyse(
            filled, "ride", f"side {side} {when}", {"ride": side_film(side, least).to_json(), "tracks": {}}
        )
    return filled


def test_left_against_right_carries_the_uncertainty_of_both_films(ridden):
    row = ride_rows.rows(ridden)[0]
    assert row.before is not None
    assert row.now is not None
    # two independent readings: u² = 1.5² + 1.5² (JCGM 100, 5.1.2), half-width 1.96 × 2.12 = 4.16
    assert row.before.difference.value == pytest.approx(6.0)
    assert row.before.difference.u == pytest.approx(2.1213, abs=1e-4)
    assert row.before.clear, "6.0° is beyond 4.16°"
    assert row.now.difference.value == pytest.approx(-0.5)
    assert not row.now.clear


def test_turn_to_turn_is_another_thing_than_the_uncertainty(ridden):
    turn = next(t for t in ride_rows.turns(ridden) if (t.side, t.when) == ("left", "before"))
    assert turn.sd is not None
    assert turn.sd.value == pytest.approx(SD)
    told = dict(zip([e for e, _ in ride_rows.EVENTS], turn.values, strict=True))
    assert told["q90"].value == pytest.approx(71.0)
    assert told["q90"].u == U
    assert told["tdc"] is None
    assert turn.cycles == 30


def test_the_page_says_which_difference_cannot_be_told(client, ridden):
    text = client.get(reverse("ride", args=[ridden.pk])).content.decode()
    (legs, *_) = re.findall(r'<tr class="legs">.*?</tr>', text, re.S)
    before, now = re.findall(r'<td(?: class="soft")? data-of="(?:before|now)">(.*?)</td>', legs, re.S)
    assert "+6.0 ± 4.2°" in before
    assert "not distinguishable" not in before
    assert "−0.5 ± 4.2°" in now
    assert "not distinguishable" in now
    assert "Turn to turn is the SD" in text


def test_one_leg_alone_is_not_compared(client, filled):
    analyse(filled, "ride", "side right before", {"ride": side_film("right", 30.0).to_json(), "tracks": {}})
    text = client.get(reverse("ride", args=[filled.pk])).content.decode()
    assert "Knee flexion, least" in text
    assert 'class="legs"' not in text


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_a_phone_does_not_scroll_sideways(live_server, ridden, page: Page):
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(live_server.url + reverse("ride", args=[ridden.pk]))
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    wider = "[...document.querySelectorAll('.drawing')].filter(e => e.scrollWidth > e.clientWidth + 1).length"
    assert page.locator(".narrow svg").first.is_visible()
    assert page.evaluate(wider) == 0
