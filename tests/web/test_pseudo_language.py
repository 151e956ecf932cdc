"""In a made-up language every word of ours carries a sign: one that stands without it would stay English."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pytest
from bench.states import visit_pages
from django.test import Client

from fitwright.records.models import Visit
from fitwright.sheets import typeset
from fitwright.sheets.typeset import ATTACHED, Laid
from fitwright.studio import papers, plan
from fitwright.studio.feet import shoe_templates
from pseudo_language import pseudo_language, signed, unsigned, unsigned_texts
from ridden_visit import at_flexion, ride_it, typed_visit

ALONE = (
    "/", "/riders/new", "/?q=nobody", "/follow-ups", "/studio/", "/words", "/studio/hardware", "/studio/cameras",
    "/studio/bands", "/studio/bands?new=1", "/studio/bands?band=knee_in_line", "/studio/landmarks",
    "/studio/cautions", "/studio/people", "/printers",
)  # fmt: skip
NAMES = (
    "Fitwright", "English", "Deutsch", "Ilse Varga", "Rosa Lind", "Werkstatt am Kanal", "grey bike",
    "Ride four hours", "fitwright studio check FILE", "fitwright studio restore FILE FOLDER",
)  # fmt: skip
"""Names, languages by their own name, commands, and what the riders of these tests typed."""
CITED = ("Ferrer-Roca", "Silberman", "J Sci Cycling")
UNITS = ("mm²", "rpm", "SEM", "MDC")
NOT_TEXT = {"side", "paper", "lang", "words", "qr", ATTACHED}
"""Keys of what a template is handed that say how, not what; its own words are held by `fixed_words`."""
ALLOWED = (*NAMES, *CITED, *UNITS)


def pages_of(visit: Visit) -> Iterator[str]:
    """Every page of a visit that needs nothing but the visit."""
    yield from (address for _, address in visit_pages(visit.pk))
    yield f"/visits/{visit.pk}/phone/intake"
    yield from (f"/riders/{visit.rider_id}", f"/riders/{visit.rider_id}/compare")
    yield f"/visits/{visit.pk}/value/saddle_height_mm"


def left_on(paths: tuple[str, ...]) -> dict[str, list[str]]:
    """Page → texts with a word that was not translated."""
    client, found = Client(HTTP_ACCEPT_LANGUAGE="de"), {}
    for path in paths:
        answer = client.get(path)
        assert answer.status_code == 200, path
        found[path] = unsigned(answer.content.decode(), ALLOWED)
    return {path: texts for path, texts in found.items() if texts}


def left_in(laid: Laid) -> list[str]:
    """The same of a paper: everything that its template is handed, drawings read as text, and its own words."""
    handed, _ = typeset._handed(laid.template, laid.data, laid.paper)
    texts = [*strings({k: v for k, v in handed.items() if k not in NOT_TEXT}), *handed["words"].values()]
    drawn = [w for t in texts if t.startswith("<svg") for w in unsigned(t, ALLOWED)]
    return [*drawn, *unsigned_texts((t for t in texts if not t.startswith("<svg")), ALLOWED)]


def strings(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping):
        for key, inner in value.items():
            if key not in NOT_TEXT:
                yield from strings(inner)
    elif isinstance(value, list | tuple):
        for inner in value:
            yield from strings(inner)


@pytest.fixture
def ridden(studio) -> Visit:
    """A visit with a plan; its pair of shoes was filled in from a template."""
    visit = typed_visit()
    shoe_templates.fill(visit, "shoe_road")
    ride_it(visit, at_flexion(visit, 26.0))
    plan.make(visit)
    step = plan.record_step(plan.changes_of(visit)[0].change, "done", 699.0, "", 0.5)
    assert step.pk
    return Visit.objects.get(pk=visit.pk)


def test_every_word_of_every_page_can_be_translated(ridden: Visit, tmp_path):
    with pseudo_language(tmp_path):
        assert left_on((*ALONE, *pages_of(ridden))) == {}


def test_every_word_of_every_page_can_be_translated_before_anything_is_typed(visit: Visit, tmp_path):
    with pseudo_language(tmp_path):
        assert left_on(tuple(pages_of(visit))) == {}


@pytest.mark.parametrize("paper", papers.PAPERS)
def test_every_word_of_every_paper_can_be_translated(ridden: Visit, tmp_path, paper):
    with pseudo_language(tmp_path):
        known = papers.available(ridden)
        assert {"position-sheet", "tape-list", "report", "felt-form"} <= {d.name for d in known}
        assert {d.name: left for d in known if (left := left_in(papers.laid(ridden, d.name, paper)))} == {}


def test_a_word_that_was_forgotten_is_found():
    html = '<p title="A shoe">¤One <b>two words</b> <bdi>Anna</bdi></p><svg><text>12 mm ¤long</text></svg>'
    assert unsigned(html, ()) == ["A shoe", "two words"]
    assert unsigned('<p title="A shoe">', ("A shoe",)) == []
    assert signed("Keep <b>%(name)s</b> in {0} pairs") == "¤Keep <b>%(name)s</b> in {0} ¤pairs"
