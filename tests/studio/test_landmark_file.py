"""The studio's own network file: kept, agreed to, replaced, taken away; and a film guessed with it."""

from __future__ import annotations

import io

import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.records.media import keep_file, path_of
from fitwright.records.models import HardwareItem, Medium, Visit
from fitwright.studio import bike, film_proposals, landmark_file, picks, ride
from fitwright.studio.film import Marks
from fitwright.studio.point_origins import CONFIRMED, GUESSED, Origin, origins_of
from fitwright.studio.visits import new_rider, open_visit
from landmark_file import leg_film, onnx_body, tflite_mean

pytestmark = pytest.mark.django_db
LEG = np.array([[150.0, 90.0], [190.0, 130.0], [165.0, 185.0]])
VIEW, WHEN = "side right", "before"


@pytest.fixture(autouse=True)
def fresh():
    landmark_file._opened.cache_clear()


def added(data: bytes | None = None) -> landmark_file.Given:
    return landmark_file.add(io.BytesIO(data or onnx_body()), "body.onnx")


def used() -> landmark_file.Given:
    return landmark_file.agree(added().sha256, "CC0-1.0")


def test_a_studio_without_a_file_is_whole():
    assert landmark_file.given() is None
    assert landmark_file.network() is None


def test_a_file_waits_until_somebody_says_it_is_the_one():
    file = added()
    assert (file.form, file.agreed, file.licence) == ("ONNX", False, "")
    assert landmark_file.network() is None
    with pytest.raises(InputError, match="licence"):
        landmark_file.agree(file.sha256, " ")
    with pytest.raises(InputError, match="another file"):
        landmark_file.agree("0" * 64, "CC0-1.0")
    assert landmark_file.agree(file.sha256, "CC0-1.0").agreed
    assert landmark_file.network() is not None


def test_another_file_has_to_be_agreed_to_anew_and_nothing_is_overwritten():
    used()
    assert not landmark_file.add(io.BytesIO(onnx_body(39)), "other.onnx").agreed
    assert landmark_file.network() is None
    landmark_file.take_away()
    assert landmark_file.given() is None
    assert HardwareItem.objects.filter(kind=landmark_file.KIND).count() == 4


@pytest.mark.parametrize(
    "data", [b"no network at all", onnx_body()[:900], tflite_mean(np.zeros((7, 3)), np.zeros(7))]
)
def test_what_is_no_such_network_is_not_kept(data, settings):
    with pytest.raises(InputError):
        landmark_file.add(io.BytesIO(data), "x.onnx")
    assert landmark_file.given() is None
    assert not Medium.objects.exists()
    assert not [p for p in settings.MEDIA_ROOT.rglob("*") if p.is_file()]


def test_a_file_that_changed_on_the_disk_is_refused():
    medium = Medium.objects.get(sha256=used().sha256)
    path_of(medium).write_bytes(onnx_body(39))
    with pytest.raises(InputError, match="not the file that was noted"):
        landmark_file.network()


@pytest.fixture
def visit() -> Visit:
    opened = open_visit(new_rider("Rosa Lind"))
    assert not bike.save_bike(opened, {"crank_mm": "172.5"}).errors
    return opened


def film(tmp_path, visit: Visit, soft: bool = True) -> Medium:
    legs = [LEG + 3 * np.sin(i / 5) for i in range(30)]
    medium = keep_file(leg_film(tmp_path / "side.mp4", legs, soft=soft), "film")
    ride.save_film(visit, medium, VIEW, WHEN)
    return medium


def test_guesses_say_that_they_are_guesses(tmp_path, visit):
    medium = film(tmp_path, visit)
    nothing = film_proposals.guesses_at(visit, medium, VIEW, WHEN, 0.8)
    assert nothing == {"points": {}, "notes": []}
    used()
    told = film_proposals.guesses_at(visit, medium, VIEW, WHEN, 0.8)
    assert len(told["points"]) == 5
    assert {(p["sure"], p["origin"]) for p in told["points"].values()} == {("a guess", GUESSED)}
    assert "5 points are guessed" in told["notes"][0]
    assert film_proposals.guesses_at(visit, medium, "front", WHEN, 0.8)["points"] == {}


def test_a_guess_on_a_disc_is_the_disc(tmp_path, visit):
    medium = film(tmp_path, visit, soft=False)
    used()
    told = film_proposals.guesses_at(visit, medium, VIEW, WHEN, 0.8)["points"]
    knee = told["lateral_femoral_condyle"]
    assert "origin" not in knee
    assert knee["sure"] == "likely"
    assert knee["uv_px"] == pytest.approx(LEG[1] + 3 * np.sin(16 / 5), abs=0.5)
    assert told["heel"]["origin"] == GUESSED  # there is no disc


def test_marks_keep_what_was_guessed_and_what_was_confirmed():
    expected = picks.filled(picks.SIDE_FILM, {
        "greater_trochanter": [1, 2], "lateral_femoral_condyle": [3, 4], "heel": [5, 6],
    }, {"greater_trochanter": Origin(GUESSED, 12.5), "heel": Origin(CONFIRMED)})  # fmt: skip
    with pytest.raises(InputError, match="confirmed by nobody: Hip"):
        picks.told_guesses(expected, agreed=False)
    told = picks.told_guesses(expected, agreed=True)
    assert told == {"guessed": {"greater_trochanter": {"u_px": 12.5}}, "confirmed": ["heel"]}
    again = origins_of(told)
    assert again["greater_trochanter"] == Origin(GUESSED, 12.5)
    assert again["heel"].how == CONFIRMED
    points = {"greater_trochanter": [1, 2], "heel": [5, 6]}
    assert Marks.from_json({"points": points} | told).guessed == {"greater_trochanter"}
    for wrong in ("heel", ["knee"], ["acromion"], [3], 7):
        with pytest.raises(InputError, match="guessed"):
            Marks.from_json({"points": points | {"acromion": [1, 1]}, "guessed": wrong})
