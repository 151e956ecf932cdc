"""A front film is read again, not followed again, when the side film that it takes depth from changes. Simulated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from django.urls import reverse

from fitwright.records.models import Analysis, Medium, Visit, Work
from fitwright.studio import bike, jobs, ride
from fitwright.studio.film import read_tracks
from fitwright.studio.visits import analyse, analysis, new_rider, open_visit
from fitwright.vision.camera import Pinhole
from simulated_front import front_place
from simulated_side import CENTRE, SIDE, seen, side_tracks

pytestmark = pytest.mark.django_db
FRONT = Pinhole("front", (3300.0, 560.0, 105.0), 2200.0, CENTRE, -1.4, 1.2, 1.2)
TIMES_S = np.arange(480) / 60


def followed(visit: Visit, view: str, tracks, name: str) -> Analysis:
    """A film on record as its following leaves it, without the film itself."""
    plain = {"seen": 1.0, "longest_gap_s": 0.0, "u_px": 0.03, "kind": "disc"}
    tracks = replace(tracks, quality=dict.fromkeys(tracks.names, plain))
    medium = Medium.objects.create(
        sha256=(name * 64)[:64], kind="film", name=f"{name}.mp4", mime="video/mp4", size_bytes=1
    )
    ride.save_film(visit, medium, view, "before")
    marks = {"time_s": 0.0, "points": {n: [1.0, 1.0] for n in tracks.names}}
    ride.save_marks(visit, view, "before", marks)
    given = ride.read_with(visit, view, "before", marks, None)
    result = read_tracks(tracks, **ride.how_read(visit, view, "before", None))
    return analyse(visit, "ride", f"{view} before", result.to_json(), medium=medium, inputs=given)


@pytest.fixture
def visit() -> Visit:
    opened = open_visit(new_rider("Rosa Lind"))
    assert not bike.save_bike(opened, {"crank_mm": "172.5"}).errors
    followed(opened, "side right", side_tracks(SIDE, 8.0, 0.01), "a")
    names = [f"{n}_{s}" for n in ("patella", "pedal") for s in ("left", "right")]
    tracks = seen(FRONT, lambda n, t: front_place(n, t, 55.0), names, 0.01, TIMES_S)
    followed(opened, "front", tracks, "b")
    return opened


def knee_ahead(visit: Visit, by_mm: float) -> None:
    """Another reading of the side film, with the knee elsewhere."""
    side = analysis(visit, "ride", "side right before")
    result = Analysis.objects.get(pk=side.pk).result
    curve = result["ride"]["curves"]["right"]["knee_x"]
    curve["mean"] = [x + by_mm for x in curve["mean"]]
    analyse(visit, "ride", side.label, result, medium=side.medium, inputs=side.inputs)


def front(visit: Visit) -> Analysis:
    return Analysis.objects.get(pk=analysis(visit, "ride", "front before").pk)


def test_a_changed_side_film_has_the_front_film_read_again(visit: Visit):
    was = front(visit)
    assert not ride.outdated(visit, "front", "before", was)
    assert jobs.start_readings(visit) == []
    knee_ahead(visit, 60.0)
    assert ride.outdated(visit, "front", "before", was)
    assert jobs.start_readings(visit) == ["from the front, as it came"]
    assert jobs.start_readings(visit) == ["from the front, as it came"]  # and it waits only once
    jobs.read_film_again.func(visit.pk, "front", "before", Work.objects.get(kind="reread").pk)
    now = front(visit)
    assert now.replaces_id == was.pk
    assert now.result["tracks"] == was.result["tracks"]
    wide = [r.result["ride"]["curves"]["right"]["knee_path"]["mean"] for r in (was, now)]
    assert (
        np.abs(np.subtract(*wide)).max() > 0.3
    )  # nearer to the lens, so that it is less far out than it looked
    assert jobs.start_readings(visit) == []
    assert not ride.read_again(visit, "front", "before")


def test_the_page_says_it_and_has_a_button(visit: Visit, client):
    where = reverse("film", args=[visit.pk, "front", "before"])
    assert "has changed since" not in client.get(where).content.decode()
    knee_ahead(visit, 60.0)
    assert "has changed since" in client.get(where).content.decode()
    assert client.post(where, {"action": "read"}).status_code == 302
    assert Work.objects.filter(kind="reread", state="waiting").count() == 1


def test_a_record_that_does_not_say_which_side_film_it_took_goes_by_age(visit: Visit):
    was = front(visit)
    older = {k: v for k, v in was.inputs.items() if k != "depth_from"}
    row = analyse(visit, "ride", was.label, was.result, medium=was.medium, inputs=older)
    assert not ride.outdated(visit, "front", "before", row)
    knee_ahead(visit, 60.0)
    assert ride.outdated(visit, "front", "before", row)
