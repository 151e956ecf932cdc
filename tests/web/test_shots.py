"""`make shots`: a picture of every page in every state, none of them blank, none of them a failure."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench import contact, states
from bench.shots import LOOKS, Screen, SpoiltError, is_blank, take, take_all
from django.test import Client
from PIL import Image
from playwright.sync_api import Browser, Page

from fitwright.web.urls import urlpatterns

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]
STATES = {
    "empty", "begun", "error", "loading", "twelve visits", "phone", "sixty letters", "right to left", "chinese",
}  # fmt: skip


def test_each_state_gives_its_pictures(live_server, browser: Browser, tmp_path: Path):
    """All pages answer as they should; one of each state, and a form that is refused, is photographed."""
    screens = [*states.empty(), *states.fill(), *states.under_way()]
    assert {s.state for s in screens} == STATES
    assert len({s.slug for s in screens}) == len(screens)
    client = Client()
    plain = [s for s in screens if s.spoilt is None and s.first is None]
    wrong = {s.slug: got for s in plain if (got := client.get(s.address).status_code) != s.status}
    assert wrong == {}
    few = list({s.state: s for s in screens if s.spoilt is None}.values())
    few += [s for s in screens if s.slug == "error-bike"]
    assert {s.state for s in few} == STATES
    assert take_all(browser, live_server.url, few, tmp_path, ["light-390"]) == len(few)
    assert set(contact.rows(tmp_path, list(LOOKS))) == {s.slug for s in few}
    with Image.open(contact.sheet(tmp_path, list(LOOKS))) as sheet:
        assert sheet.width > 3000
    assert contact.index(tmp_path, list(LOOKS)).read_text("utf-8").count("<img") == len(few)


def test_a_page_that_is_gone_or_blank_or_takes_what_is_wrong_is_no_picture(
    live_server, page: Page, tmp_path: Path
):
    path = tmp_path / "a.png"
    with pytest.raises(SpoiltError, match="answered 404"):
        take(page, live_server.url, Screen("a", "gone", "/nothing-here"), path)
    with pytest.raises(SpoiltError, match="nothing says what is wrong"):
        take(page, live_server.url, Screen("a", "right", "/riders/new", ("name", "Rosa Lind")), path)
    page.route("**/words", lambda route: route.fulfill(body="<p>x", content_type="text/html"))
    with pytest.raises(SpoiltError, match="a blank page"):
        take(page, live_server.url, Screen("a", "blank", "/words"), path)
    assert is_blank(path)


def test_every_page_of_the_workbench_has_its_place_on_the_sheet():
    """A new page of a visit is found by itself; one of the house is added to the list."""
    of_house = {
        p.name for p in urlpatterns if p.name and "<" not in str(p.pattern) and ".pdf" not in str(p.pattern)
    }
    posted_or_files = {"set_language", "lengths", "calendar"}
    known = {v.split("?")[0].lstrip("/") for v in states.HOUSE.values()}
    missing = {
        n for p in urlpatterns if (n := p.name) in of_house - posted_or_files and str(p.pattern) not in known
    }
    assert missing == set()
