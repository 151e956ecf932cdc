"""Each page against WCAG 2.2, levels A and AA, as far as axe-core can tell it, in light and in dark."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from axe_playwright_python.sync_playwright import Axe
from bench.large_studio import ride
from bench.shots import served
from bench.states import visit_pages
from django.utils import timezone
from numpy.random import default_rng
from playwright.sync_api import Page

from fitwright.records.models import Visit
from fitwright.studio import bike, feeling, followups, intake, plan
from fitwright.studio.visits import analyse, open_visit
from ridden_visit import at_flexion, ride_it, typed_visit

RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}
ALONE = (
    "/",
    "/riders/new",
    "/?q=il",
    "/?q=nobody",
    "/follow-ups",
    "/studio/",
    "/words",
    "/studio/hardware",
    "/studio/cameras",
    "/studio/bands",
    "/studio/landmarks",
    "/studio/cautions",
    "/printers",
    "/studio/bands?new=1",
    "/studio/bands?band=knee_in_line",
)
pytestmark = pytest.mark.browser


def papers_of(pk: int) -> Iterator[str]:
    """Previews of papers that need nothing but the bike, and the code for the rider's own phone."""
    yield from (f"/visits/{pk}/documents/{name}" for name in ("position-sheet", "tape-list", "felt-form"))
    yield f"/visits/{pk}/phone/intake"


def violations(page: Page, base: str, paths: Iterator[str] | tuple[str, ...]) -> list[str]:
    """What axe-core finds, one line each: page, rule, the first element. Folded parts are opened first."""
    found = []
    for path in paths:
        answer = page.goto(base + path)
        assert answer, path
        assert answer.status == 200, path
        page.evaluate("document.querySelectorAll('details').forEach(d => { d.open = true })")
        for wrong in Axe().run(page, options=RULES).response["violations"]:
            found.append(f"{path}: {wrong['id']}: {wrong['nodes'][0]['html'][:160]}")
    return found


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_of_a_visit_before_anything_is_filmed(live_server, filled: Visit, page: Page, scheme: str):
    page.emulate_media(color_scheme=scheme)
    pages = (address for _, address in visit_pages(filled.pk))
    assert violations(page, live_server.url, (*ALONE, *pages, *papers_of(filled.pk))) == []


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_plan_with_ways_wishes_and_ratings(live_server, studio, page: Page, scheme: str):
    visit = typed_visit()
    ride_it(visit, at_flexion(visit, 26.0))
    plan.make(visit)
    visit = Visit.objects.get(pk=visit.pk)
    step = plan.record_step(plan.changes_of(visit)[0].change, "done", 699.0, "", 0.5)
    assert not feeling.save(visit, {"step": str(step.pk), "pain.knee_left": "7", "comfort.overall": "3"})
    page.emulate_media(color_scheme=scheme)
    where = f"/visits/{visit.pk}/plan"
    assert violations(page, live_server.url, (where, f"{where}/bolt?saddle_height_mm=700")) == []


@pytest.mark.demo
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_of_a_whole_visit(demo_studio, page: Page, scheme: str):
    pk = demo_studio.told["visits"]["first"]["id"]
    ((film,),) = demo_studio.rows("select min(id) from records_medium where kind = 'film'")
    ((photo,),) = demo_studio.rows("select min(id) from records_medium where kind = 'photo'")
    deeper = (
        f"/visits/{pk}/ride/mark/{film}?view=side+right&when=before",
        f"/visits/{pk}/feet/pick/{photo}",
        f"/visits/{pk}/ride/film/side-right/before", f"/visits/{pk}/ride/film/front/after",
    )  # fmt: skip
    page.emulate_media(color_scheme=scheme)
    with served(demo_studio.folder) as base:
        pages = (address for _, address in visit_pages(pk))
        assert violations(page, base, (*ALONE, *pages, *deeper)) == []


def test_the_checker_sees_what_is_wrong(page: Page):
    page.set_content('<html lang="en"><title>x</title><main><h1>x</h1><input type="text"></main></html>')
    found = Axe().run(page, options=RULES).response["violations"]
    assert "label" in {wrong["id"] for wrong in found}


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_pages_of_a_rider_over_the_visits(live_server, filled: Visit, page: Page, scheme: str):
    again = open_visit(filled.rider, title="third visit", bike=filled.bike)
    for visit, height in ((filled, "705"), (again, "715")):
        bike.save_bike(visit, {"saddle_height_mm": height})
        intake.save_intake(visit, {"goal": "far", "pain.knee_left": "3", "comfort.saddle": "4"})
        analyse(visit, "ride", "side right before", ride("side right", default_rng(visit.pk)))
    followups.set_day(again, timezone.localdate())
    rider = f"/riders/{filled.rider_id}"
    pages = (
        rider, f"{rider}/compare", f"{rider}/compare?a={filled.pk}&b={again.pk}", "/follow-ups",
        f"/visits/{again.pk}/value/saddle_height_mm", f"/visits/{again.pk}/value/knee_flexion_deg.min",
    )  # fmt: skip
    page.emulate_media(color_scheme=scheme)
    assert violations(page, live_server.url, pages) == []
    page.goto(f"{live_server.url}/visits/{filled.pk}/")
    page.locator("#map a").first.focus()
    page.keyboard.press("Enter")
    page.locator("#panel #value").wait_for()
    found = Axe().run(page, options=RULES).response["violations"]
    assert [f"{w['id']}: {w['nodes'][0]['html'][:160]}" for w in found] == []
