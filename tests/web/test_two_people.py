"""Two people at one visit: each sees what the other changed, and neither loses anything."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse
from playwright.sync_api import Page, expect

from fitwright.records.models import Answer, Edit, Measurement, Visit
from fitwright.studio import undo
from fitwright.studio.body import save_body
from fitwright.studio.edits import changed_since, tops

HTMX = {"HTTP_HX_REQUEST": "true"}


@pytest.fixture
def nele(client, visit) -> Client:
    """A second window whose entries are Nele's."""
    other = Client()
    other.post(reverse("people"), {"action": "add", "name": "Nele <b>"})
    return other


def leave(client: Client, visit: Visit, field: str, text: str, version: int, station: str = "body", more=""):
    """Leave one box of a page that was made when the visit had this version."""
    address = reverse(station, args=[visit.pk]) + f"?field={field}{more}"
    return client.post(address, {"version": str(version), field: text}, **HTMX)


def standing(key: str) -> float:
    return Measurement.objects.current().get(key=key).value


def test_different_fields_do_not_stand_in_each_others_way(client, nele, visit):
    assert leave(nele, visit, "inseam_mm", "805", 1).status_code == 200
    mine = leave(client, visit, "height_mm", "1720", 1)
    assert mine.status_code == 200
    assert (standing("inseam_mm"), standing("height_mm")) == (805, 1720)
    text = mine.content.decode()
    assert "Meanwhile <bdi>Nele &lt;b&gt;</bdi> changed" in text
    assert 'id="field-inseam_mm" hx-swap-oob="true"' in text  # so that a save of the whole page keeps hers
    assert 'value="805"' in text
    assert 'name="version" value="3"' in text
    alone = leave(client, visit, "height_mm", "1721", 3)
    assert "Meanwhile" not in alone.content.decode()


def test_at_another_station_nothing_need_be_said(client, nele, visit):
    assert leave(nele, visit, "crank_mm", "170", 1, "bike").status_code == 200
    mine = leave(client, visit, "height_mm", "1720", 1)
    assert mine.status_code == 200
    assert "Meanwhile" not in mine.content.decode()


def test_the_same_field_shows_both_and_whose_it_is(client, nele, visit):
    leave(nele, visit, "inseam_mm", "805", 1)
    held = leave(client, visit, "inseam_mm", "820", 1)
    assert held.status_code == 409
    text = held.content.decode()
    assert "Changed by <bdi>Nele &lt;b&gt;</bdi> in another window" in text
    assert "On record now: 805\u00a0±\u00a010 mm" in text
    assert "Keep mine" in text
    assert "Take theirs" in text
    assert standing("inseam_mm") == 805
    theirs = client.get(reverse("body", args=[visit.pk]) + "?field=inseam_mm", **HTMX).content.decode()
    assert 'value="805"' in theirs
    assert theirs.count('class="field') == 1


def test_what_she_undid_counts_as_changed(client, nele, visit):
    leave(nele, visit, "inseam_mm", "805", 1)
    nele.post(reverse("undo", args=[visit.pk]), {"undo": tops(Visit.objects.get(pk=visit.pk)).undo.pk})
    assert leave(client, visit, "inseam_mm", "820", 2).status_code == 409
    assert leave(client, visit, "height_mm", "1720", 1).status_code == 200
    said = list(Edit.objects.values_list("kind", "by", "version"))
    assert said == [("typed", "Nele <b>", 2), ("undo", "Nele <b>", 3), ("typed", "", 4)]
    assert Measurement.objects.get(key="inseam_mm", withdrawn=True).author == "Nele <b>"


def test_who_undoes_is_who_writes(visit):
    save_body(visit, {"height_mm": "1720"})
    Answer.objects.create(visit=visit, station="intake", key="x", value=1, author="Ömer")
    undo.undo(visit, tops(visit).undo.pk)
    undo.redo(visit, tops(visit).redo.pk)
    assert {m.author for m in Measurement.objects.all()} == {""}


def test_when_one_cannot_tell_it_asks(client, nele, visit):
    Visit.objects.filter(pk=visit.pk).update(version=5)  # saved by something that keeps no list of fields
    assert changed_since(visit, 1) is None
    assert leave(client, visit, "height_mm", "1720", 1).status_code == 409


def test_a_whole_page_that_would_turn_hers_back_is_held(client, nele, visit):
    leave(nele, visit, "inseam_mm", "805", 1)
    page = client.post(
        reverse("body", args=[visit.pk]), {"version": "1", "height_mm": "1720", "inseam_mm": "800"}
    )
    assert page.status_code == 409
    assert standing("inseam_mm") == 805
    fine = client.post(reverse("body", args=[visit.pk]), {"version": "1", "height_mm": "1720"})
    assert fine.status_code == 302
    assert standing("height_mm") == 1720


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_in_the_browser_theirs_is_taken_with_one_press(live_server, visit, page: Page):
    page.goto(f"{live_server.url}/visits/{visit.pk}/body")
    save_body(Visit.objects.get(pk=visit.pk), {"inseam_mm": "805"})
    box = page.locator("[id='in-inseam_mm']")
    box.fill("820")
    box.press("Tab")
    expect(page.get_by_role("button", name="Take theirs")).to_be_visible()
    expect(box).to_have_value("820")
    page.get_by_role("button", name="Take theirs").click()
    expect(box).to_have_value("805")
    expect(box).to_be_focused()
    page.locator("[id='in-height_mm']").fill("1720")
    page.locator("[id='in-height_mm']").press("Tab")
    expect(page.get_by_text("Meanwhile another window changed")).to_be_visible()
    expect(box).to_have_value("805")
    assert Measurement.objects.current().get(key="height_mm").value == 1720
