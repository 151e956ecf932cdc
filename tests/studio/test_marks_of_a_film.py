"""Points count only in the film in which they were picked, whichever film lies at the place."""

from __future__ import annotations

import importlib

import pytest
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.records.models import Answer, Medium, Visit
from fitwright.studio import bike, ride
from fitwright.studio.visits import answer, new_rider, open_visit

pytestmark = pytest.mark.django_db
PLACE = ("side right", "before")


def marks(u: float) -> dict:
    return {"time_s": 0.5, "points": {"heel": [u, 20.0]}}


def film(name: str) -> Medium:
    return Medium.objects.create(
        sha256=(name * 64)[:64], kind="film", name=f"{name}.mp4", mime="video/mp4", size_bytes=1
    )


@pytest.fixture
def visit() -> Visit:
    opened = open_visit(new_rider("Rosa Lind"))
    assert not bike.save_bike(opened, {"crank_mm": "172.5"}).errors
    return opened


def clip(visit: Visit) -> ride.Clip:
    (found,) = ride.clips(visit)
    return found


def test_a_film_laid_over_another_has_no_points_yet_and_following_says_so(visit: Visit):
    ride.save_film(visit, film("a"), *PLACE)
    ride.save_marks(visit, *PLACE, marks(10.0))
    assert clip(visit).marks["points"] == {"heel": [10.0, 20.0]}
    ride.save_film(visit, film("b"), *PLACE)
    assert clip(visit).marks is None
    assert clip(visit).others_marks["points"] == {"heel": [10.0, 20.0]}  # a start, drawn as such
    with pytest.raises(InputError, match="none are marked"):
        ride.analyse_film(visit, *PLACE)


def test_the_film_page_says_that_points_of_another_film_do_not_count(visit: Visit, client):
    ride.save_film(visit, film("a"), *PLACE)
    ride.save_marks(visit, *PLACE, marks(10.0))
    where = reverse("film", args=[visit.pk, "side-right", "before"])
    assert "are marked, but not followed" in client.get(where).content.decode()
    ride.save_film(visit, film("b"), *PLACE)
    told = client.get(where).content.decode()
    assert "not marked yet" in told
    assert "picked in another film" in told


def test_a_film_that_is_laid_back_finds_its_own_points_again(visit: Visit):
    first, second = film("a"), film("b")
    for medium, u in ((first, 10.0), (second, 30.0)):
        ride.save_film(visit, medium, *PLACE)
        ride.save_marks(visit, *PLACE, marks(u))
    ride.save_film(visit, first, *PLACE)
    assert clip(visit).marks["points"] == {"heel": [10.0, 20.0]}
    assert clip(visit).others_marks is None


def test_points_saved_late_belong_to_the_film_that_was_on_the_screen(visit: Visit):
    first = film("a")
    ride.save_film(visit, first, *PLACE)
    ride.save_film(visit, film("b"), *PLACE)
    ride.save_marks(visit, *PLACE, marks(10.0), first)
    assert clip(visit).marks is None


def test_rows_from_before_learn_their_film(visit: Visit):
    """The film that lay at the place when they were kept, not the one that was laid there later."""
    first = film("a")
    ride.save_film(visit, first, *PLACE)
    row = answer(visit, "ride", "marks side right before", marks(10.0))
    ride.save_film(visit, film("b"), *PLACE)
    alone = answer(visit, "ride", "marks front after", marks(5.0))
    step = importlib.import_module("fitwright.records.migrations.0004_marks_of_their_film")

    before = MigrationLoader(connection).project_state(("records", "0003_phone_uploads"))
    step.say_in_which(before.apps, None)
    assert Answer.objects.get(pk=row.pk).value == {**marks(10.0), "sha256": first.sha256}
    assert Answer.objects.get(pk=alone.pk).value == {**marks(5.0), "sha256": None}
