"""The page of those to meet again, agreeing on a day at handover, and the calendar file."""

from __future__ import annotations

from datetime import timedelta

import icalendar
from django.urls import reverse
from django.utils import timezone

from fitwright.studio import followups


def test_a_day_agreed_on_at_handover_stands_in_the_list_until_it_is_crossed_out(client, filled):
    handover = reverse("handover", args=[filled.pk])
    text = client.get(handover).content.decode()
    assert f'value="{followups.proposed_day(filled).isoformat()}"' in text
    assert "not yet agreed on" in text
    assert "Nobody is waited for" in client.get("/follow-ups").content.decode()
    day = timezone.localdate() + timedelta(days=3)
    client.post(handover, {"action": "follow_up", "follow_up": day.isoformat(), "notes": ""})
    assert "Agreed on" in client.get(handover).content.decode()
    listed = client.get("/follow-ups").content.decode()
    assert "Ilse Varga" in listed
    assert "in 3 days" in listed
    assert client.post("/follow-ups", {"visit": filled.pk}).status_code == 302
    assert "Nobody is waited for" in client.get("/follow-ups").content.decode()


def test_the_first_page_says_how_many_are_due(client, filled):
    assert "to meet again" not in client.get("/").content.decode()
    followups.set_day(filled, timezone.localdate())
    assert "1 to meet again, due or overdue" in client.get("/").content.decode()


def test_the_calendar_is_served_as_one(client, filled):
    followups.set_day(filled, timezone.localdate())
    response = client.get("/follow-ups.ics")
    assert response["Content-Type"].startswith("text/calendar")
    assert "follow-ups.ics" in response["Content-Disposition"]
    (event,) = icalendar.Calendar.from_ical(response.content).walk("VEVENT")
    assert "Ilse" not in str(event["SUMMARY"])
    assert "Ilse Varga" in client.get("/follow-ups.ics?shows=name").content.decode()
    assert client.get("/follow-ups.ics?shows=all").status_code == 400


def test_what_cannot_be_crossed_out_is_not_found(client, studio):
    for key in ("", "x", "99999"):
        assert client.post("/follow-ups", {"visit": key}).status_code == 404
