"""Who is at the bench: one press, and everything written from that window is theirs."""

from __future__ import annotations

import pytest
from django.test import Client
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.records.bench import at_the_bench, working_as
from fitwright.records.models import Answer, Measurement, Person, Visit, Work
from fitwright.studio import jobs, people
from ridden_visit import typed_visit

pytestmark = pytest.mark.django_db


@pytest.fixture
def visit() -> Visit:
    return typed_visit()


def act(client: Client, action: str, **typed):
    return client.post(reverse("people"), {"action": action, **typed})


def height(client: Client, visit: Visit, mm: str) -> Measurement:
    visit.refresh_from_db()
    client.post(reverse("body", args=[visit.pk]), {"height_mm": mm, "version": visit.version})
    return Measurement.objects.filter(visit=visit, key="height_mm").order_by("pk").last()


def test_nobody_need_say_who_they_are(client, visit):
    assert "Who?" in client.get(reverse("front")).content.decode()
    assert height(client, visit, "1730").author == ""


def test_each_window_writes_under_its_own_name(client, visit):
    other = Client()
    assert act(client, "add", name="  Nele   Brandt ", next="/words").url == "/words"
    act(other, "add", name="Ömer")
    assert height(client, visit, "1731").author == "Nele Brandt"
    assert height(other, visit, "1732").author == "Ömer"
    shown = client.get(reverse("value", args=[visit.pk, "height"]), follow=True)
    if shown.status_code == 200:
        assert "Nele Brandt" in shown.content.decode()
    assert "Nele Brandt" in client.get(reverse("front")).content.decode()
    act(client, "nobody")
    assert height(client, visit, "1733").author == ""


def test_who_left_writes_no_more_and_keeps_what_they_wrote(client, visit):
    act(client, "add", name="Nele")
    row = height(client, visit, "1731")
    act(Client(), "leave", person=Person.objects.get().pk)
    assert height(client, visit, "1732").author == ""
    assert Measurement.objects.get(pk=row.pk).author == "Nele"
    assert act(client, "choose", person=Person.objects.get().pk).status_code == 422
    act(client, "back", person=Person.objects.get().pk)
    act(client, "choose", person=Person.objects.get().pk)
    assert height(client, visit, "1733").author == "Nele"


@pytest.mark.parametrize(
    ("name", "said"),
    [("", "is needed"), (" \t", "is needed"), ("x" * 61, "is too long"), ("nele", "is here already")],
)
def test_names_that_cannot_be(client, name, said):
    people.add("Nele")
    response = act(client, "add", name=name)
    assert response.status_code == 422
    text = response.content.decode()
    assert said in text
    assert 'aria-invalid="true"' in text


def test_markup_and_foreign_letters_are_a_name(client):
    act(client, "add", name="<script>alert(1)</script> שרה")
    text = client.get(reverse("people")).content.decode()
    assert "&lt;script&gt;alert(1)&lt;/script&gt; שרה" in text
    assert "<script>alert(1)" not in text


def test_a_forged_cookie_is_nobody(client, visit):
    client.cookies["bench"] = "1:Nele"
    assert height(client, visit, "1731").author == ""


def test_it_leads_back_only_to_pages_of_ours(client):
    assert act(client, "add", name="A", next="https://elsewhere.example/").url == reverse("people")


def test_two_of_one_name_come_back_as_one(client):
    first = people.add("Nele")
    people.leave(first.pk)
    assert people.add("NELE").pk == first.pk
    with pytest.raises(InputError, match="none of this studio"):
        people.leave(99)


def test_work_that_waits_is_done_in_the_name_of_who_asked(visit, monkeypatch):
    with working_as("Nele"):
        waiting = Work.objects.create(visit=visit, kind="plan", title="Making the plan", state="waiting")
    seen = []
    jobs._run(visit.pk, waiting.pk, lambda v, tell: seen.append(at_the_bench()))
    assert seen == ["Nele"]
    assert at_the_bench() == ""


def test_what_names_its_author_itself_keeps_it(visit):
    with working_as("Nele"):
        assert Answer.objects.create(visit=visit, station="intake", key="x", value=1).author == "Nele"
        assert (
            Answer.objects.create(visit=visit, station="intake", key="y", value=1, author="Ö").author == "Ö"
        )
