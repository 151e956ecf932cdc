"""A new film of the same view is offered the earlier film's points: on its discs, else as a guess, never taken."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from django.urls import reverse

from counted_film import SIZE, lay_marked, places, write_film
from fitwright.records.media import keep_file
from fitwright.records.models import Medium, Visit
from fitwright.studio import film_start, ride
from fitwright.studio.film import Marks, analyse_clip
from fitwright.studio.visits import analyse, answers, let_go, open_visit

pytestmark = pytest.mark.django_db
TIMES_S = np.arange(210) / 60
LATER_S = TIMES_S[:20] + 0.37  # another moment of the same pedalling: the crank stands elsewhere
HIDDEN = "lateral_malleolus"
TOUCHING = ("fifth_metatarsal", "pedal_axle")  # their discs lie over each other in so small a picture


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    made = tmp_path_factory.mktemp("films")
    write_film(made / "first.mp4", TIMES_S)
    return made


@pytest.fixture(scope="module")
def result(folder: Path) -> dict:
    """The first film, followed once."""
    points = {n: (float(uv[30, 0]), float(uv[30, 1])) for n, uv in places(TIMES_S).items()}
    marks = Marks(float(TIMES_S[30]), points)
    return analyse_clip(folder / "first.mp4", "side", "right", marks, 172.5).to_json()


@pytest.fixture
def followed(filled: Visit, folder: Path, result: dict) -> Visit:
    """With a first film that was marked and followed."""
    lay_marked(filled, folder / "first.mp4", TIMES_S)
    analyse(filled, "ride", "side right before", result, medium=Medium.objects.get(kind="film"))
    return filled


@pytest.fixture
def second(tmp_path: Path) -> Medium:
    """Another film of the same rider: another angle of the crank, the ankle's sticker hidden, all 9 px further."""
    path = write_film(tmp_path / "later.mp4", LATER_S, hidden={HIDDEN: (0.0, 99.0)})
    return keep_file(path, "film", simulated=True)


def told(client, visit: Visit, medium: Medium, when: str, t: float = 0.37) -> dict:
    query = {"view": "side right", "when": when, "t": f"{t}"}
    return client.get(reverse("ride_found", args=[visit.pk, medium.pk]), query).json()


def test_points_lie_on_the_new_films_discs_whatever_the_cranks_angle(client, followed, second):
    ride.save_film(followed, second, "side right", "after")
    found = told(client, followed, second, "after")
    here = {n: uv[0] for n, uv in places(LATER_S).items()}
    for name, uv in here.items():
        point = found["points"][name]
        off = np.hypot(*(np.array(point["uv_px"]) - uv))
        if name == HIDDEN:
            assert point["sure"] == "a guess"
            assert "there is no disc here" in point["how"]
        elif name not in TOUCHING:
            assert point["sure"] == "likely", name
            assert off < 0.5, name
        assert off < 12, name
    assert "the film from the right, as it came are offered as a start" in " ".join(found["notes"])
    assert "marks side right after" not in answers(followed, "ride")


def test_a_film_laid_where_another_lay_and_one_of_a_later_visit(client, followed, second):
    ride.save_film(followed, second, "side right", "before")
    assert "the film that lay here before" in told(client, followed, second, "before")["notes"][-1]
    later = open_visit(followed.rider)
    ride.save_film(later, second, "side right", "before")
    note = told(client, later, second, "before")["notes"][-1]
    assert f"the film from the right of {followed.opened_at:%-d %B %Y}" in note


def test_without_followed_points_the_marks_themselves_are_a_guess(client, filled, folder, second):
    lay_marked(filled, folder / "first.mp4", TIMES_S)
    ride.save_film(filled, second, "side right", "after")
    found = told(client, filled, second, "after")
    marked = places(TIMES_S)
    point = found["points"]["acromion"]
    assert np.hypot(*(np.array(point["uv_px"]) - marked["acromion"][30])) < 0.5


def test_points_that_were_marked_here_are_not_disturbed(client, followed):
    first = Medium.objects.get(kind="film")
    assert "as a start" not in " ".join(told(client, followed, first, "before", 0.0)["notes"])
    assert film_start.earlier_of(followed, first, "side right", "before", SIZE) is None


def test_a_picture_of_another_shape_has_no_start(followed, second):
    let_go(followed)
    assert film_start.earlier_of(followed, second, "side right", "after", SIZE[::-1]) is None
    assert film_start.earlier_of(followed, second, "side left", "after", SIZE) is None
    twice = film_start.earlier_of(followed, second, "side right", "after", (2 * SIZE[0], 2 * SIZE[1]))
    once = film_start.earlier_of(followed, second, "side right", "after", SIZE)
    assert twice is not None
    assert once is not None
    assert np.allclose(twice.poses_px, 2 * once.poses_px, equal_nan=True)
