"""What the film page is given: frames, scale, bridged gaps, words; the copy made once, by a job. Simulated film."""

from __future__ import annotations

import numpy as np
import pytest

from counted_film import CENTRE_PX, MM_PER_PX, SIZE, lay_marked, places, write_film
from fitwright.records.media import keep_file
from fitwright.records.models import Visit, Work
from fitwright.studio import bike, film_page, jobs, ride
from fitwright.studio.proxies import make_proxy, proxy_of
from fitwright.studio.visits import let_go, new_rider, open_visit

pytestmark = pytest.mark.django_db
TIMES_S = np.arange(216) / 60
POINT, HIDDEN_S = "lateral_malleolus", (1.6, 2.0)
SINCE_S, UNTIL_S = HIDDEN_S
AT = places(TIMES_S)


@pytest.fixture(scope="module")
def film(tmp_path_factory):
    return write_film(tmp_path_factory.mktemp("film") / "film.mp4", TIMES_S, hidden={POINT: HIDDEN_S})


@pytest.fixture
def visit(film) -> Visit:
    """With one film whose points are marked, not followed."""
    opened = open_visit(new_rider("Rosa Lind"))
    assert not bike.save_bike(opened, {"crank_mm": "172.5"}).errors
    lay_marked(opened, film, TIMES_S)
    return opened


def clip(visit: Visit) -> ride.Clip:
    let_go(visit)
    return film_page.clip_at(visit, "side right", "before")


def test_an_unread_film_has_no_frames_until_its_copy_is_made(visit: Visit):
    assert film_page.data(clip(visit))["time_s"] == []
    make_proxy(clip(visit).medium)
    told = film_page.data(clip(visit))
    assert told["size_px"] == SIZE
    assert np.abs(np.array(told["time_s"]) - TIMES_S).max() < 2e-5
    assert set(told["theta_deg"]) == {None}
    assert film_page.points(clip(visit)) == ()


@pytest.mark.parametrize("copied", [False, True])
def test_a_followed_film_tells_points_angle_and_scale(visit: Visit, copied):
    ride.analyse_film(visit, "side right", "before")
    if copied:
        make_proxy(clip(visit).medium)
    told = film_page.data(clip(visit))
    assert len(told["time_s"]) == len(TIMES_S)
    assert told["scale"]["mm_per_px"] == pytest.approx(MM_PER_PX, rel=0.01)
    assert told["scale"]["centre"] == pytest.approx(CENTRE_PX, abs=0.6)
    own = {p["name"]: p for p in told["points"]}
    off = np.hypot(*(np.array([own[POINT]["u"], own[POINT]["v"]]) - AT[POINT].T))
    seen = np.array([u is not None for u in own[POINT]["u_px"]])
    assert off[seen].max() < 0.6
    hidden = (TIMES_S >= SINCE_S) & (TIMES_S < UNTIL_S)
    assert not seen[hidden].any()  # a bridge stands there, and has no ±
    assert None not in own[POINT]["u"]
    theta = np.array(told["theta_deg"], dtype=float)
    turned = (theta[-1] - theta[0]) / 360 / (TIMES_S[-1] - TIMES_S[0]) * 60
    assert turned == pytest.approx(88.0, abs=0.3)


def test_words_name_points_as_the_page_does(visit: Visit):
    ride.analyse_film(visit, "side right", "before")
    (ankle,) = [p for p in film_page.points(clip(visit)) if p.name == POINT]
    assert ankle.label == "Ankle"
    (place,) = [p for p in ankle.places if p.until_s - p.since_s > 0.2]
    assert (place.words, round(place.since_s, 1)) == ("not seen", HIDDEN_S[0])
    advice = film_page.advice(clip(visit))
    assert any(a.startswith("Ankle: seen in only") for a in advice)
    assert not any("_" in a for a in advice)


def test_what_no_film_shows_is_said(visit: Visit):
    told = film_page.missing(ride.clips(visit))
    assert len(told) == 2
    assert "from the right only" in told[0]
    assert "from the front" in told[1]
    assert film_page.missing(()) == ()


def test_following_orders_the_copy_and_the_job_makes_it_once(visit: Visit):
    medium = clip(visit).medium
    jobs.start_film(visit, "side right", "before")
    jobs.follow_film.func(visit.pk, "side right", "before", Work.objects.get(kind="ride").pk)
    waiting = Work.objects.get(kind="copy")
    assert waiting.state == "waiting"
    jobs.start_copy(visit, medium)
    assert Work.objects.filter(kind="copy").count() == 1
    jobs.copy_film.func(visit.pk, medium.pk, waiting.pk)
    assert proxy_of(medium) is not None
    assert Work.objects.get(kind="copy").state == "done"
    jobs.start_copy(visit, medium)
    assert Work.objects.filter(kind="copy").count() == 1
    assert not jobs.copy_ended(visit, medium)


def test_a_copy_that_fails_is_not_tried_again_by_itself(visit: Visit, tmp_path):
    broken = tmp_path / "broken.mp4"
    broken.write_bytes(b"no film at all")
    medium = keep_file(broken, "film")
    jobs.start_copy(visit, medium)
    jobs.copy_film.func(visit.pk, medium.pk, Work.objects.get(kind="copy").pk)
    assert Work.objects.get(kind="copy").state == "failed"
    assert jobs.copy_ended(visit, medium)
    assert proxy_of(medium) is None
