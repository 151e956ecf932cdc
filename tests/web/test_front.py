"""The first page: today's visits first, riders found while typing and turned page by page, by keyboard alone too."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone
from playwright.sync_api import Page, expect

from fitwright.records.models import Bike, Rider, Studio, Visit
from fitwright.studio.riders import PAGE, riders
from fitwright.studio.visits import new_rider, open_visit

HTMX = {"HTTP_HX_REQUEST": "true"}


def listed(client, address: str, **headers: str) -> list[str]:
    """Names in the list of riders."""
    text = client.get(address, **headers).content.decode()
    return re.findall(r'href="/riders/\d+"><span[^>]*>([^<]+)</span>', text)


def many(count: int) -> None:
    Rider.objects.bulk_create(Rider(name=f"Rider {n // 3:04d}") for n in range(count))


def test_every_rider_stands_on_one_page_and_only_one(client, studio):
    many(2 * PAGE + 5)
    seen, after = [], 0
    for _ in range(3):
        page = riders(after=after)
        seen += [r.pk for r in page.riders]
        after = page.after
    assert after == 0
    assert len(seen) == len(set(seen)) == 2 * PAGE + 5
    assert [r.folded for r in Rider.objects.in_bulk(seen).values()] == sorted(
        r.folded for r in Rider.objects.all()
    )


def test_the_next_page_comes_alone_or_as_a_page_of_its_own(client, studio):
    many(PAGE + 3)
    first = client.get("/").content.decode()
    (link,) = re.findall(r'hx-get="([^"]+after=\d+)"', first)
    link = link.replace("&amp;", "&")
    rows = client.get(link, **HTMX).content.decode()
    assert rows.lstrip().startswith("<li>")
    assert len(listed(client, link)) == len(listed(client, link, **HTMX)) == 3
    assert "Back to the first" in client.get(link).content.decode()


def test_a_script_gets_what_was_found_and_a_way_back_gets_the_page(client, studio):
    new_rider("Edda Wollin")
    part = client.get("/?q=edd", **HTMX)
    assert "<html" not in part.content.decode()
    assert 'id="found"' in part.content.decode()
    assert "HX-Request" in part["Vary"]
    whole = client.get("/?q=edd", **HTMX, HTTP_HX_HISTORY_RESTORE_REQUEST="true").content.decode()
    assert "<html" in whole
    assert 'value="edd"' in whole


def test_today_comes_before_the_days_gone_by(client, studio):
    rider = new_rider("Rosa Lind")
    old, new = open_visit(rider, title="long ago"), open_visit(rider, title="this morning")
    Visit.objects.filter(pk=old.pk).update(opened_at=timezone.now() - timedelta(days=9))
    text = client.get("/").content.decode()
    assert (
        text.index(">Today<")
        < text.index("this morning")
        < text.index("Before today")
        < text.index("long ago")
    )
    assert f"/visits/{new.pk}/" in text


def test_the_number_of_queries_does_not_grow_with_what_is_listed(client, studio):
    def queries(address: str) -> int:
        with CaptureQueriesContext(connection) as seen:
            client.get(address)
        return len(seen)

    rider = new_rider("Ann One")
    open_visit(rider, bike=Bike.objects.create(rider=rider, name="red"))
    few = [queries(a) for a in ("/", "/?q=ann")]
    for n in range(30):
        other = new_rider(f"Ann {n}")
        open_visit(other, bike=Bike.objects.create(rider=other, name=f"bike {n}"))
    assert [queries(a) for a in ("/", "/?q=ann")] == few
    assert max(few) <= 6


@pytest.mark.parametrize(
    "address", ["/?after=99999", "/?after=x", "/?after=-1", "/?q=" + "a" * 5000, "/?q=%00", "/?q=%F0%9F"]
)
def test_an_odd_address_gives_a_page(client, studio, address):
    assert client.get(address).status_code == 200


def test_who_is_not_found_is_offered_to_be_added_under_that_name(client, studio):
    new_rider("Ann")
    text = client.get("/?q=Ingrid").content.decode()
    assert "/riders/new?name=Ingrid" in text
    assert 'value="Ingrid"' in client.get("/riders/new?name=Ingrid").content.decode()


def test_a_rider_without_a_visit_and_one_without_a_number_have_a_page(client, studio):
    rider = new_rider("<b>Ann</b> " + "x" * 90)
    text = client.get(f"/riders/{rider.pk}").content.decode()
    assert "None yet" in text
    assert "&lt;b&gt;Ann" in text
    assert "Over the visits" not in text
    for title in ("first", "second"):
        open_visit(rider, title=title)
    text = client.get(f"/riders/{rider.pk}").content.decode()
    assert "Compare the last two visits" in text
    assert "Over the visits" not in text
    (compare,) = re.findall(r'href="([^"]+/compare[^"]+)"', text)
    assert "Neither visit has a number yet" in client.get(compare.replace("&amp;", "&")).content.decode()
    assert client.get(f"/riders/{rider.pk}?before=x").status_code == 200
    assert client.get(f"/riders/{rider.pk}/compare").status_code == 200
    wrong = client.get(f"/riders/{rider.pk}/compare?a=1&b=x")
    assert wrong.status_code == 422
    assert "choose two different visits" in wrong.content.decode()


@pytest.mark.browser
@pytest.mark.django_db(transaction=True)
def test_a_rider_is_found_by_keyboard_and_the_way_back_keeps_the_search(live_server, page: Page):
    Studio.objects.create(pk=1, name="Werkstatt am Kanal")
    for name in ("Edda Wollin", "Ädda Berg", "محمد بن عبد الله", "Joren Tamm"):
        open_visit(new_rider(name))
    page.goto(live_server.url)
    page.keyboard.press("/")
    expect(page.get_by_label("Find a rider by name")).to_be_focused()
    page.keyboard.type("edda")
    expect(page.locator(".riders a")).to_have_count(1)
    expect(page.get_by_role("status").filter(has_text="1 found")).to_have_count(1)
    page.keyboard.press("Control+a")
    page.keyboard.type("dda/")
    expect(page.get_by_text("Nobody of that name")).to_be_visible()
    page.keyboard.press("Backspace")
    expect(page.locator(".riders a")).to_have_count(2)
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowUp")
    expect(page.locator(".riders a").first).to_be_focused()
    page.keyboard.press("ArrowUp")
    expect(page.get_by_label("Find a rider by name")).to_be_focused()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Ädda Berg")
    page.go_back()
    expect(page.get_by_label("Find a rider by name")).to_have_value("dda")
    expect(page.locator(".riders a")).to_have_count(2)
