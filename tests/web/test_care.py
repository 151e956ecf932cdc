"""Cautions: the built-in ones cannot be taken away; the studio's own are on pages and papers, with their history."""

from __future__ import annotations

import pymupdf
import pytest
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.records.bench import working_as
from fitwright.records.models import HardwareItem
from fitwright.sheets import cautions
from fitwright.studio import care, papers
from ridden_visit import typed_visit

LONG = "Λ" + "Check the clamp of the bar with a torque key before you leave the yard, each time. " * 2


def post(client, action, **typed):
    return client.post(reverse("care"), {"action": action, **typed})


@pytest.mark.django_db
def test_an_own_sentence_is_on_the_pages_and_papers(client, studio):
    visit = typed_visit()
    assert "None yet" in client.get(reverse("care")).content.decode()
    assert post(client, "save", text="  Ring us\nbefore the <b>race</b>. ").status_code == 302
    told = "Ring us before the &lt;b&gt;race&lt;/b&gt;."
    for page in (reverse("care"), reverse("plan", args=[visit.pk]), reverse("handover", args=[visit.pk])):
        text = client.get(page).content.decode()
        assert told in text, page
        assert cautions.STOP_AND_REFER[:40] in text, page
    for name in ("position-sheet", "tape-list", "felt-form"):
        paper = pymupdf.open(stream=papers.document(visit, name))
        text = " ".join(paper[0].get_text().split())
        assert "Ring us before the <b>race</b>." in text, name


@pytest.mark.django_db
@pytest.mark.parametrize("paper", ["a4", "us-letter"])
def test_as_many_and_long_ones_as_may_be_still_fit_one_page(studio, paper):
    visit = typed_visit()
    for n in range(care.MOST):
        care.save(f"{n}{LONG}"[: care.LONGEST])
    for name in ("position-sheet", "tape-list", "felt-form"):
        assert len(pymupdf.open(stream=papers.document(visit, name, paper))) == 1, name
    with pytest.raises(InputError, match="one too many"):
        care.save("and one more")


@pytest.mark.django_db
def test_every_version_stays_with_whose_it_is(client, studio):
    with working_as("Nele"):
        care.save("Ride easily.")
    key = care.own()[0].key
    post(client, "save", text="Ride easily at first.", key=key)
    post(client, "save", text="Ride easily at first.", key=key)
    post(client, "retire", key=key)
    assert care.own_sentences() == ()
    assert care.all_sentences() == cautions.ALL
    rows = [(r.author, r.data["text"], r.retired) for r in HardwareItem.objects.order_by("pk")]
    assert rows == [
        ("Nele", "Ride easily.", False), ("", "Ride easily at first.", False), ("", "Ride easily at first.", True)
    ]  # fmt: skip
    text = client.get(reverse("care")).content.decode()
    assert "<bdi>Nele</bdi>: <bdi>Ride easily.</bdi>" in text
    post(client, "save", text="Ride easily at first.", key=key)
    assert care.own_sentences() == ("Ride easily at first.",)


@pytest.mark.django_db
@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"text": " \n"}, "is needed"),
        ({"text": "x" * 161}, "161 letters"),
        ({"text": cautions.WHAT_IT_IS}, "letters"),
        ({"text": "x", "key": "own9999"}, "none of this studio"),
    ],
)
def test_what_cannot_be_said(client, studio, typed, said):
    answer = post(client, "save", **typed)
    assert answer.status_code == 422
    assert said in answer.content.decode()
    assert not HardwareItem.objects.exists()


@pytest.mark.django_db
def test_a_built_in_one_has_no_key_to_put_it_away_by(client, studio):
    for key in ("0", "WHAT_IT_IS", ""):
        assert post(client, "retire", key=key).status_code == 422
    assert care.all_sentences() == cautions.ALL
