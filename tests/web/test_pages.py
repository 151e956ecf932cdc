"""Every page renders, empty and filled; what people type is shown as text and never run."""

from __future__ import annotations

import pytest
from django.urls import reverse
from django.utils import timezone

from fitwright.records.models import STATIONS, Rider, Work
from fitwright.studio import bike, intake
from fitwright.studio.entry import lowered
from fitwright.studio.visits import new_rider, open_visit


@pytest.mark.parametrize("name", ["visit", *STATIONS])
def test_every_station_shows_an_empty_visit_and_a_filled_one(client, visit, filled, name):
    for v in (visit, filled):
        page = client.get(reverse(name, args=[v.pk]))
        assert page.status_code == 200
        text = page.content.decode()
        assert v.rider.name in text
        assert 'aria-current="page"' in text
        assert ("simulated" in text) == v.simulated


def test_the_walk_tells_the_state_of_each_station(client, filled):
    text = client.get(reverse("visit", args=[filled.pk])).content.decode()
    for label, words in (
        ("Intake", "complete"),
        ("Body", "complete"),
        ("Bike", "complete"),
        ("Ride", "nothing yet"),
    ):
        assert f'<span>{label}</span><span class="unseen">, {words}</span>' in text
    assert "Next: Feet." in text


def test_the_drawing_carries_the_numbers_and_leads_to_their_station(client, filled):
    text = client.get(reverse("visit", args=[filled.pk])).content.decode()
    assert "<svg" in text
    assert "705.0 ± 2.0 mm" in text
    assert f"/visits/{filled.pk}/bike" in text


def test_an_empty_studio_teaches(client, studio):
    text = client.get("/").content.decode()
    assert "The bench is clear" in text
    assert "Add the first rider" in text


def test_search_finds_without_case_and_accents_and_says_when_there_is_nobody(client, studio):
    for name in ("Årsta Söderqvist", "יעל בן־דוד", "Ann Other"):
        open_visit(new_rider(name))
    found = client.get("/", {"q": "arsta SÖDER"}).content.decode()
    assert "Årsta Söderqvist" in found
    assert "Ann Other" not in found
    assert "יעל" in client.get("/", {"q": "בן"}).content.decode()
    assert "Nobody of that name" in client.get("/", {"q": "zzz"}).content.decode()


@pytest.mark.parametrize(
    "name", ["<script>alert(1)</script>", "x" * 120, "محمد بن عبد الله", '"><img src=x onerror=y>']
)
def test_names_of_any_kind_are_text(client, studio, name):
    response = client.post(reverse("rider_new"), {"name": name, "born_year": "1990", "use": "road"})
    assert response.status_code == 302
    visit = Rider.objects.get().visits.get()
    for address in (
        "/",
        response.url,
        reverse("rider", args=[visit.rider_id]),
        reverse("bike", args=[visit.pk]),
    ):
        text = client.get(address).content.decode()
        assert "<script>alert" not in text
        assert "<img src=x" not in text
    assert 'dir="auto"' in text


def test_a_name_in_the_drawing_or_a_goal_is_text_too(client, filled):
    client.post(reverse("intake", args=[filled.pk]), {"goal": "</p><script>alert(2)</script>"})
    for name in ("intake", "visit"):
        text = client.get(reverse(name, args=[filled.pk])).content.decode()
        assert "<script>alert" not in text
        assert "&lt;script&gt;" in text


def test_a_new_rider_needs_a_name_and_keeps_what_was_typed(client, studio):
    page = client.post(reverse("rider_new"), {"name": " ", "born_year": "1984", "use": "gravel"})
    assert page.status_code == 422
    text = page.content.decode()
    assert "a rider needs a name" in text
    assert 'value="1984"' in text
    assert not Rider.objects.exists()


def test_a_use_that_there_is_not_leaves_no_rider_without_a_visit(client, studio):
    client.post(reverse("rider_new"), {"name": "Ann", "use": "boat"})
    assert not Rider.objects.exists()


@pytest.mark.parametrize("year", ["19x4", "1899", "-1984", "１９８４", "9" * 400, "next"])
def test_all_that_is_wrong_with_a_new_rider_is_told_at_once_each_at_its_field(client, studio, year):
    now = timezone.localdate().year
    typed = str(now + 1) if year == "next" else year
    page = client.post(reverse("rider_new"), {"name": "x" * 121, "born_year": typed})
    text = page.content.decode()
    assert page.status_code == 422
    assert "Name: 121 characters is too long. Allowed: 1 to 120 characters." in text
    assert "is not a possible year of birth" in text
    assert f"Allowed: 1900 to {now}." in text
    assert "born_year:" not in text
    assert not Rider.objects.exists()


def test_a_red_flag_shows_the_referral_at_intake_plan_and_overview(client, filled):
    client.post(reverse("intake", args=[filled.pk]), {intake.flag_fields()[0].name: "yes"})
    for name in ("intake", "plan", "visit"):
        text = client.get(reverse(name, args=[filled.pk])).content.decode()
        assert "Refer before fitting" in text
        assert "pain at rest or at night" in text
    assert "Refer before fitting" in client.get(reverse("bike", args=[filled.pk])).content.decode()


def test_work_under_way_is_polled_can_be_stopped_and_says_when_it_ended(client, visit):
    work = Work.objects.create(
        visit=visit, kind="ride", title="Following the points", state="running", fraction=0.4
    )
    text = client.get(reverse("ride", args=[visit.pk])).content.decode()
    assert "40 %" in text
    assert f"{reverse('work', args=[visit.pk])}?since={work.pk}&amp;was={work.pk}" in text
    client.post(reverse("work_stop", args=[visit.pk, work.pk]))
    work.refresh_from_db()
    assert work.stop_asked
    Work.objects.filter(pk=work.pk).update(state="failed", error={"error": "film: is too dark"})
    partial = client.get(reverse("work", args=[visit.pk]), {"was": str(work.pk)})
    assert partial["HX-Trigger"] == "work-ended"
    assert "film: is too dark" in partial.content.decode()
    assert 'hx-trigger="every 8s"' in partial.content.decode()  # only now and then


def test_work_that_began_and_ended_between_two_polls_is_told(client, visit):
    address = reverse("work", args=[visit.pk])
    assert client.get(address, {"since": "0"}).status_code == 204
    work = Work.objects.create(visit=visit, kind="plan", title="Making the plan", state="done")
    partial = client.get(address, {"since": "0"})
    assert partial["HX-Trigger"] == "work-ended"
    assert "Making the plan: done." in partial.content.decode()
    assert client.get(address, {"since": str(work.pk)}).status_code == 204


def test_waiting_work_that_is_stopped_never_begins(client, visit):
    work = Work.objects.create(visit=visit, kind="plan", title="Making the plan", state="waiting")
    client.post(reverse("work_stop", args=[visit.pk, work.pk]))
    work.refresh_from_db()
    assert work.state == "stopped"


def test_plain_words_for_what_is_not_there_or_cannot_be_used(client, visit):
    for address, status in (
        ("/visits/999/", 404),
        ("/nothing", 404),
        (f"/visits/{visit.pk}/documents/position-sheet.pdf?paper=a9", 400),
        (f"/visits/{visit.pk}/documents/secrets.pdf", 404),
        (f"/visits/{visit.pk}/ride/mark/999?view=side%20right&when=before", 404),
    ):
        page = client.get(address)
        assert page.status_code == status
        assert "Traceback" not in page.content.decode()
        assert "To today and riders" in page.content.decode()


def test_a_failure_of_ours_is_said_in_plain_words(client, visit, monkeypatch):
    client.raise_request_exception = False
    monkeypatch.setattr("fitwright.studio.overview.page", lambda visit: 1 / 0)
    page = client.get(reverse("visit", args=[visit.pk]))
    assert page.status_code == 500
    assert "Something broke on our side" in page.content.decode()
    assert "ZeroDivisionError" not in page.content.decode()


def test_a_body_beyond_the_limit_is_refused_before_it_is_read(client, visit, settings):
    settings.MAX_MEDIUM_BYTES = 1000
    page = client.post(
        reverse("feet", args=[visit.pk]), data=b"x", content_type="text/plain", CONTENT_LENGTH=str(2**21)
    )
    assert page.status_code == 413
    assert "too large" in page.content.decode()


def test_pages_run_no_foreign_or_inline_script(client, filled):
    page = client.get(reverse("visit", args=[filled.pk]))
    policy = page["Content-Security-Policy"]
    assert "default-src 'self'" in policy
    assert "unsafe-inline" not in policy
    assert "style=" not in page.content.decode()


def test_documents_and_the_position_as_data(client, filled):
    for paper in ("a4", "us-letter"):
        sheet = client.get(reverse("document", args=[filled.pk, "position-sheet"]), {"paper": paper})
        assert sheet.status_code == 200
        assert sheet["Content-Type"] == "application/pdf"
        assert sheet.content.startswith(b"%PDF")
    assert client.get(reverse("scale_card")).content.startswith(b"%PDF")
    data = client.get(reverse("visit_data", args=[filled.pk, "position.json"])).json()
    assert data["simulated"] is True
    assert data["bike"]["saddle_height_mm"] == 705


def test_a_follow_up_in_the_past_is_refused_and_the_notes_stay(client, filled):
    address = reverse("handover", args=[filled.pk])
    page = client.post(address, {"action": "follow_up", "follow_up": "2001-01-01", "notes": "stretch <b>"})
    assert page.status_code == 422
    text = page.content.decode()
    assert "today or later" in text
    assert "stretch &lt;b&gt;" in text
    assert client.post(address, {"action": "follow_up", "follow_up": "2999-01-01"}).status_code == 302
    assert "2999-01-01" in client.get(address).content.decode()


def test_handover_names_what_the_position_sheet_waits_for(client, visit, filled):
    empty = client.get(reverse("handover", args=[visit.pk])).content.decode()
    needed = ", ".join(lowered(f.label) for f in bike.FIELDS if f.needed)
    assert f'at <a href="{reverse("bike", args=[visit.pk])}">Bike</a>: {needed}.' in empty
    bike.save_bike(visit, {"saddle_height_mm": "705"})
    rest = client.get(reverse("handover", args=[visit.pk])).content.decode()
    asked = rest.split("still needs")[1].split("</p>")[0]
    assert "saddle setback" in asked
    assert "saddle height" not in asked
    assert "still needs" not in client.get(reverse("handover", args=[filled.pk])).content.decode()


def test_a_plan_says_what_it_needs(client, visit, filled):
    text = client.get(reverse("plan", args=[visit.pk])).content.decode()
    assert "the rider&#x27;s height (station Body)" in text
    page = client.post(reverse("plan", args=[filled.pk]), {"action": "make"})
    assert page.status_code == 422
    assert "a ride seen from the side" in page.content.decode()
    assert not Work.objects.exists()


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("station", ["plan", "ride", "feet"])
def test_an_empty_station_teaches_with_a_picture_that_is_seen(live_server, visit, page, station):
    page.goto(live_server.url + reverse(station, args=[visit.pk]))
    assert page.locator(".example svg").first.bounding_box()["height"] > 20
