"""A film followed from guessed points: the word stands wherever a number does, and no plan acts on it.

Simulated: tracks of a known leg seen by a known camera, the saddle far too high for the bands.
"""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import simulated_side
from fitwright.cli.ride_analyse import _text
from fitwright.errors import InputError
from fitwright.records.models import Analysis, Medium, Visit
from fitwright.sheets.report import report_pdf
from fitwright.studio import drawings, plan, report, ride
from fitwright.studio.film import read_tracks
from fitwright.studio.motion_export import export
from fitwright.studio.visits import analyse, analysis
from simulated_side import SIDE, side_tracks

pytestmark = pytest.mark.django_db
KNEE = "lateral_femoral_condyle"
WORDS = "estimate ± 12°"


@pytest.fixture(autouse=True)
def high_saddle(monkeypatch):
    monkeypatch.setattr(simulated_side, "LEG", replace(simulated_side.LEG, hip_y_mm=775.0))


def followed(visit: Visit, when: str, guessed: tuple[str, ...]) -> Analysis:
    """The film on record as its following leaves it, without the film itself."""
    tracks = side_tracks(SIDE, 8.0, 0.01)
    plain = {"seen": 1.0, "longest_gap_s": 0.0, "u_px": 0.03, "kind": "texture"}
    tracks = replace(tracks, quality=dict.fromkeys(tracks.names, plain))
    sha256 = (when.encode().hex() * 10)[:64]
    medium, _ = Medium.objects.get_or_create(
        sha256=sha256,
        defaults={"kind": "film", "name": f"{when}.mp4", "mime": "video/mp4", "size_bytes": 1},
    )
    ride.save_film(visit, medium, "side right", when)
    marks = {"time_s": 0.0, "points": {n: [1.0, 1.0] for n in tracks.names}}
    if guessed:
        marks["guessed"] = {n: {"u_px": 20.0} for n in guessed}
    ride.save_marks(visit, "side right", when, marks, medium)
    given = ride.read_with(visit, "side right", when, marks, None)
    result = ride.read(visit, "side right", when, {"marks": marks | {"sha256": sha256}}, tracks)
    return analyse(visit, "ride", f"side right {when}", result.to_json(), medium=medium, inputs=given)


@pytest.fixture
def guessed(filled: Visit) -> Visit:
    followed(filled, "before", (KNEE,))
    return filled


@pytest.fixture
def confirmed(filled: Visit) -> Visit:
    followed(filled, "before", ())
    return filled


def saddle(visit: Visit) -> list[str]:
    return [
        c.planned["adjustable"]
        for c in plan.changes_of(visit)
        if c.planned["adjustable"].startswith("saddle")
    ]


def test_the_plan_refuses_what_it_would_act_on_if_a_hand_had_confirmed_it(guessed):
    made = plan.make(guessed)
    assert not saddle(guessed)
    knees = [f for f in made.findings if f.target.key.startswith("knee_flexion")]
    assert knees
    assert all("described only" in f.refused for f in knees)
    assert analysis(guessed, "twin", "right") is None  # no twin is fitted to a guess
    followed(guessed, "before", ())
    again = plan.make(guessed)
    assert not [f for f in again.findings if "described only" in f.refused]
    assert [f for f in again.findings if f.target.key.startswith("knee_flexion") and f.probability_in < 0.5]
    assert saddle(guessed)
    assert analysis(guessed, "twin", "right") is not None


def test_after_a_change_nothing_is_compared_with_a_guess(confirmed):
    plan.make(confirmed)
    for row in plan.changes_of(confirmed):
        plan.record_step(row.change, "done")
    followed(confirmed, "after", (KNEE,))
    with pytest.raises(InputError, match="the one after hangs from points that were guessed"):
        plan.take_outcome(confirmed)
    assert analysis(confirmed, "outcome", "outcome") is None


def test_every_page_says_estimate(client, guessed):
    plan.make(guessed)
    at = f"/visits/{guessed.pk}"
    shown = client.get(f"{at}/ride").content.decode()
    assert shown.count(WORDS) > 5
    assert "Guessed and not confirmed by hand: Knee." in shown
    told = client.get(f"{at}/plan").content.decode()
    assert WORDS in told
    assert "described only" in told
    assert WORDS in client.get(f"{at}/").content.decode()
    film = client.get(f"{at}/ride/film/side-right/before").content.decode()
    assert "Guessed and not confirmed by hand: Knee." in film


def words_of(pdf: bytes) -> str:
    import pymupdf

    with pymupdf.open(stream=pdf, filetype="pdf") as document:
        return " ".join(page.get_text() for page in document)


def test_the_report_says_estimate(guessed):
    plan.make(guessed)
    text = words_of(report_pdf(report.visit_report(guessed), "a4"))
    assert WORDS in " ".join(text.split())
    drawn = drawings.curve_drawings(drawings.charts(guessed))
    assert (
        sum("right: estimate ± 12°" in svg for svg in drawn) == 1
    )  # the knee; there is no hip without a shoulder


def test_the_command_and_its_json_say_estimate(guessed):
    told = ride.ride_of(guessed, "side right", "before")
    assert WORDS in _text("film.mp4", told, ())
    tracks = side_tracks(SIDE, 8.0, 0.01)
    plain = {"seen": 1.0, "longest_gap_s": 0.0, "u_px": 0.03, "kind": "texture"}
    tracks = replace(tracks, quality=dict.fromkeys(tracks.names, plain))
    data = json.loads(
        json.dumps(read_tracks(tracks, "side", "right", 172.5, guessed=(KNEE,)).contract_json())
    )
    assert data["guessed"] == [KNEE]
    knee = data["knee_flexion_deg"]["min"]
    assert knee["estimate"] is True
    assert knee["u"] * 1.96 > 11.9
    assert "estimate" not in data["cadence_rpm"]


@pytest.mark.parametrize("by", ["time", "crank"])
def test_an_exported_table_names_what_was_guessed(guessed, by):
    text = export(ride.ride_of(guessed, "side right", "before"), "csv", by).decode()
    assert f"guessed and not confirmed: {KNEE}" in text


def test_a_front_film_takes_no_depth_from_a_guess(guessed, monkeypatch):
    from fitwright.studio import film

    seen = []
    monkeypatch.setattr(
        film, "read_front", lambda *a: seen.append(a[3]) or (_ for _ in ()).throw(InputError("x", "y"))
    )
    for twin in (ride.ride_of(guessed, "side right", "before"), None):
        with pytest.raises(InputError):
            film._front(side_tracks(SIDE, 2.0, 0.01), 172.5, None, twin, None, {})
    sure = replace(ride.ride_of(guessed, "side right", "before"), guessed=())
    with pytest.raises(InputError):
        film._front(side_tracks(SIDE, 2.0, 0.01), 172.5, None, sure, None, {})
    assert seen == [None, None, sure]
    assert np.isfinite(sure.curves["right"]["knee_x"].mean).all()
