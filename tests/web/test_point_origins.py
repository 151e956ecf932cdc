"""Where each marked point came from: kept with the marks, shown at the ride and its film, written out with the ride.

Simulated: tracks of a known leg seen by a known camera.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from django.urls import reverse

from fitwright.errors import InputError
from fitwright.records.models import Medium, Visit
from fitwright.studio import film_start, jobs, picks, ride
from fitwright.studio.film import Marks
from fitwright.studio.film_weak import LABELS
from fitwright.studio.motion_export import export
from fitwright.studio.point_origins import (
    CONFIRMED,
    EARLIER,
    GUESSED,
    HAND,
    KINDS,
    PROPOSED,
    UNKNOWN,
    Origin,
    grouped,
    in_header,
    origins_of,
)
from fitwright.studio.visits import analyse, answers
from fitwright.vision.c3d_file import read_c3d
from fitwright.vision.repair import CORRECTED
from simulated_side import SIDE, side_tracks

pytestmark = pytest.mark.django_db
HIP, KNEE, ANKLE, AXLE = "greater_trochanter", "lateral_femoral_condyle", "lateral_malleolus", "pedal_axle"
PLACE = ("side right", "before")


def followed(visit: Visit, marks: Mapping[str, Any], corrected: Mapping[str, list[float]]) -> Medium:
    """A film on record as its following leaves it, without the film itself."""
    tracks = side_tracks(SIDE, 8.0, 0.01)
    plain = {"seen": 1.0, "longest_gap_s": 0.0, "u_px": 0.03, "kind": "disc"}
    quality = {n: plain | ({CORRECTED: corrected[n]} if n in corrected else {}) for n in tracks.names}
    tracks = replace(tracks, quality=quality)
    medium = Medium.objects.create(
        sha256="ab" * 32, kind="film", name="a.mp4", mime="video/mp4", size_bytes=1
    )
    whole = {"time_s": 0.0, "points": {n: [1.0, 1.0] for n in tracks.names}, **marks}
    ride.save_film(visit, medium, *PLACE)
    ride.save_marks(visit, *PLACE, whole, medium)
    given = ride.read_with(visit, *PLACE, answers(visit, "ride")["marks side right before"], None)
    result = ride.read(visit, *PLACE, given, tracks)
    done = [{"name": n, "time_s": t, "uv_px": [1.0, 1.0]} for n, times in corrected.items() for t in times]
    analyse(
        visit,
        "ride",
        "side right before",
        result.to_json(),
        medium=medium,
        inputs=given | {"corrections": done},
    )
    return medium


MARKED = {
    "origin": {
        HIP: {"how": HAND, "u_px": None}, KNEE: {"how": PROPOSED, "u_px": 0.15},
        ANKLE: {"how": "snapped:dot", "u_px": 0.1},
    }
}  # fmt: skip


def test_older_marks_are_read_and_say_that_their_origin_is_not_recorded():
    old = {
        "points": {HIP: [1, 2], KNEE: [3, 4], ANKLE: [5, 6]},
        "guessed": {KNEE: {"u_px": 20.0}},
        "confirmed": [ANKLE],
    }
    said = origins_of(old)
    assert said == {HIP: Origin(UNKNOWN), KNEE: Origin(GUESSED, 20.0), ANKLE: Origin(CONFIRMED)}
    assert said[HIP].words == "origin not recorded"
    assert origins_of({**old, "guessed": [KNEE]})[KNEE] == Origin(GUESSED)
    assert Marks.from_json(old).origins == said
    shown = picks.filled(picks.SIDE_FILM, old["points"], said)
    assert picks.film_origins(shown) == said  # shown and saved again it stays what it was


def test_a_correction_is_told_beside_the_origin_and_confirms_a_guess():
    marks = {"points": {KNEE: [3, 4]}, "guessed": {KNEE: {"u_px": 20.0}}}
    assert origins_of(marks)[KNEE].guess
    later = origins_of(marks, [{"name": KNEE, "time_s": 1.7}, {"name": "heel", "time_s": 1.0}])
    assert list(later) == [KNEE]
    assert not later[KNEE].guess
    assert later[KNEE].words == "a guess, not confirmed; put right later, at 1.70 s"
    assert Origin.from_json(later[KNEE].to_json()) == later[KNEE]
    told = grouped(later, LABELS)
    assert [(t.kind.words, t.labels) for t in told] == [
        ("a guess, not confirmed", ("Knee",)), ("put right later", ("Knee",)),
    ]  # fmt: skip


@pytest.mark.parametrize(
    "origin", [7, {HIP: "hand"}, {HIP: {"how": "somehow"}}, {HIP: {"how": "hand", "u_px": -1}}]
)
def test_an_origin_that_cannot_be_is_refused(origin):
    with pytest.raises(InputError, match="origin"):
        Marks.from_json({"points": {HIP: [1, 2]}, "origin": origin})


def test_signs_differ_by_shape():
    signs = {k.sign for k in KINDS.values()}
    assert len(signs) == len(KINDS) - 2  # the three ways to snap share one


def test_marks_keep_where_each_came_from(client, filled, monkeypatch):
    monkeypatch.setattr(jobs, "start_film", lambda *a: None)
    medium = followed(filled, {}, {})
    typed = {"view": "side right", "when": "before", "t": "0"}
    hows = {
        HIP: ("hand", ""),
        KNEE: ("proposed", "0.15"),
        ANKLE: ("snapped:dot", "0.08"),
        AXLE: ("unknown", ""),
    }
    for i, (name, (how, u)) in enumerate(hows.items()):
        typed |= {f"x.{name}": str(10 + i), f"y.{name}": "20", f"how.{name}": how, f"u.{name}": u}
    monkeypatch.setattr("fitwright.web.views.ride.frame_time", lambda *a: 0.0)
    # No film lies behind the medium.
    monkeypatch.setattr("fitwright.studio.ride.check_marks", lambda *a: None)
    address = reverse("ride_mark", args=[filled.pk, medium.pk])
    assert client.post(address, typed).status_code == 302
    kept = answers(filled, "ride")["marks side right before"]["origin"]
    assert kept == {
        HIP: {"how": "hand", "u_px": None}, KNEE: {"how": "proposed", "u_px": 0.15},
        ANKLE: {"how": "snapped:dot", "u_px": 0.08}, AXLE: {"how": "unknown", "u_px": None},
    }  # fmt: skip
    again = client.get(address, {"view": "side right", "when": "before"}).content.decode()
    for name, (how, _) in hows.items():
        assert f'name="how.{name}" value="{how}"' in again
    assert "origin not recorded" in again  # the words that the script shows


def test_ride_and_film_show_where_points_came_from(client, filled):
    followed(filled, MARKED, {ANKLE: [1.7]})
    for address in (
        reverse("ride", args=[filled.pk]),
        reverse("film", args=[filled.pk, "side-right", "before"]),
    ):
        words = re.sub(r"\s+", " ", client.get(address).content.decode())
        for kind in (HAND, PROPOSED, "snapped:dot", UNKNOWN):
            assert KINDS[kind].words.lower() in words.lower(), (address, kind)
            assert f'title="{KINDS[kind].why}"' in words
            assert KINDS[kind].sign in words
        assert "put right later" in words.lower()
    assert "at 1.70 s" in words


@pytest.mark.parametrize("by", ["time", "crank"])
def test_a_ride_is_written_out_with_it(filled, by):
    followed(filled, MARKED, {ANKLE: [1.7]})
    told = ride.ride_of(filled, *PLACE)
    assert told.quality["origins"][KNEE] == {"how": "proposed", "u_px": 0.15}
    assert told.quality["origins"][ANKLE]["corrected_s"] == [1.7]
    head = next(line for line in export(told, "csv", by).decode().splitlines() if "points marked" in line)
    for said in (
        f"{HIP}: by hand",
        f"{KNEE}: found and taken",
        f"{ANKLE}: snapped to a dot; put right later, at 1.70 s",
        f"{AXLE}: origin not recorded",
    ):
        assert said in head


def test_c3d_and_parquet_carry_it_too(filled, tmp_path):
    followed(filled, MARKED, {})
    told = ride.ride_of(filled, *PLACE)
    for kind in ("c3d", "parquet"):
        assert f"{KNEE}: found and taken".encode() in export(told, kind)
    (tmp_path / "a.c3d").write_bytes(export(told, "c3d"))
    read_c3d(tmp_path / "a.c3d")  # the longer header is still a file that is read


def test_what_an_earlier_film_offers_without_a_disc_says_so(monkeypatch):
    earlier = film_start.Earlier("the film before", (HIP,), np.array([[[50.0, 60.0]]]))
    monkeypatch.setattr(film_start, "upright_grey", lambda *a: np.zeros((200, 300), np.uint8))
    monkeypatch.setattr(film_start, "earlier_of", lambda *a: earlier)
    monkeypatch.setattr(film_start, "frame_time", lambda *a: 0.0)
    monkeypatch.setattr(film_start, "remembered", lambda key, make: np.empty((0, 2)))
    told = film_start.with_start(None, Medium(sha256="x"), *PLACE, 0.0, {"points": {}, "notes": []})  # type: ignore[arg-type]
    assert told["points"][HIP]["origin"] == EARLIER


def test_a_header_names_every_point():
    assert in_header({HIP: Origin(HAND), KNEE: Origin(GUESSED, 20.0, (0.5,))}) == (
        f"{HIP}: by hand | {KNEE}: a guess, not confirmed; put right later, at 0.50 s"
    )
