"""Pain and comfort that the rider answers on a phone: once, into this visit's Intake, and a yes stops the advice."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from fitwright.records.models import PhoneLink, Rating, Upload, Work
from fitwright.studio import intake, phone


@pytest.fixture
def address(filled) -> str:
    return reverse("phone", args=[phone.token_of(phone.open_link(filled, "felt"))])


def test_answers_arrive_at_intake_once_and_the_code_ends(address, filled):
    handheld = Client()
    page = handheld.get(address).content.decode()
    assert "Knee, left" in page
    assert filled.rider.name not in page
    assert "checked" not in page, "what was said before is not shown"
    sent = handheld.post(address, {"pain.knee_left": "2", "comfort.overall": "7", "flag.acute_illness": "no"})
    assert sent.status_code == 200
    assert "Your answers are at the bench" in sent.content.decode()
    now = dict(Rating.objects.current().filter(visit=filled).values_list("site", "value"))
    assert now["knee_left"] == 2
    assert now["overall"] == 7
    assert Rating.objects.filter(visit=filled, site="knee_left").count() == 2, (
        "what was said first stays on record"
    )
    assert Work.objects.filter(visit=filled, kind="phone", state="done").exists()
    assert handheld.get(address).status_code == 410
    assert handheld.post(address, {"pain.knee_left": "9"}).status_code == 410


def test_a_yes_to_a_reason_to_refer_stops_the_advice(address, filled):
    assert not intake.referral(filled)
    Client().post(address, {"flag.chest_or_fainting": "yes"})
    assert "Please be seen by a doctor today" in intake.referral(filled)


def test_nothing_and_nonsense_are_said_and_nothing_is_kept(address, filled):
    handheld = Client()
    empty = handheld.post(address, {})
    assert empty.status_code == 422
    assert "nothing was answered yet" in empty.content.decode().lower()
    for typed in ({"pain.neck": "11"}, {"pain.neck": "<b>"}, {"flag.acute_illness": "perhaps"}):
        answer = handheld.post(address, {**typed, "comfort.saddle": "5"})
        assert answer.status_code == 422
        assert not Rating.objects.filter(visit=filled, site="saddle").exists()
    assert PhoneLink.objects.get(visit=filled).closed is False


def test_it_takes_no_files_and_no_other_fields(address, filled):
    handheld = Client()
    body = {"name": "a.jpg", "size": 9}
    assert handheld.post(f"{address}/files", body, content_type="application/json").status_code == 422
    assert not Upload.objects.exists()
    handheld.post(address, {"pain.neck": "1", "goal": "changed from outside", "consent": "no"})
    filled.refresh_from_db()
    assert intake.answers(filled, "intake")["goal"] == "Ride four hours"
    assert intake.answers(filled, "intake")["consent"] is not False
