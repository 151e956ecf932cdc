"""One point put right by hand in small simulated films with known paths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError, Stopped
from fitwright.vision import repair as room
from fitwright.vision.repair import repair
from fitwright.vision.track import track_points

T = np.arange(150) / 60
HIDDEN = (1.7, 1.8)


@pytest.fixture(scope="module")
def followed(tmp_path_factory, film_maker, three_discs):
    """A film whose knee is covered for a moment, and its tracks."""
    film = film_maker.Film(three_discs, T, exposure_s=1 / 500, hidden={"knee": HIDDEN},
                           options={"crf": "16", "preset": "ultrafast", "g": "20"})  # fmt: skip
    path = film_maker.film_to(tmp_path_factory.mktemp("repair") / "a.mp4", film)
    return path, track_points(path, 0.0, {n: p(np.zeros(1))[0] for n, p in three_discs.items()})


def spoiled(tracks, since: int, until: int, onto: str | None = "pedal"):
    """The knee's places of some frames put onto another marker, or lost."""
    uv, i = tracks.uv_px.copy(), tracks.names.index("knee")
    uv[since:until, i] = np.nan if onto is None else uv[since:until, tracks.names.index(onto)]
    return replace(tracks, uv_px=uv)


@pytest.mark.parametrize("onto", ["pedal", None])
@pytest.mark.parametrize(("since", "until", "at"), [(40, 75, 60), (30, 34, 30), (0, 50, 49), (110, 150, 149)])
def test_what_was_wrong_around_the_frame_is_right_again(followed, three_discs, onto, since, until, at):
    path, good = followed
    bad = spoiled(good, since, until, onto)
    new = repair(path, bad, "knee", T[at], three_discs["knee"](T[[at]])[0] + [2.0, -2.5])
    i = good.names.index("knee")
    others = [k for k in range(3) if k != i]
    times, (covered, shown) = good.time_s, HIDDEN
    free = (times < covered - 1e-4) | (times > shown + 0.02)
    error = new.uv_px[:, i] - three_discs["knee"](good.time_s)
    assert np.array_equal(new.uv_px[:, others], good.uv_px[:, others], equal_nan=True)
    assert np.isfinite(error[free]).all()
    assert np.sqrt(np.nanmean(error[free] ** 2)) < 0.06
    assert np.isnan(new.uv_px[(times > covered) & (times < shown - 1e-4), i]).all()
    assert new.quality["knee"]["corrected_s"] == [round(float(good.time_s[at]), 5)]
    assert "put right by hand" in new.notes[-1]


def test_only_what_was_wrong_is_decoded_again(followed, three_discs, monkeypatch):
    path, good = followed
    read = []

    def counted(*args, original=room.read_around, **kw):
        warm, marked, ahead = original(*args, **kw)

        def frames():
            for frame in ahead:
                read.append(frame.time_s)
                yield frame

        return warm, marked, frames()

    monkeypatch.setattr(room, "read_around", counted)
    new = repair(path, spoiled(good, 60, 66), "knee", T[62], three_discs["knee"](T[[62]])[0])
    assert max(read) < T[75]
    away = np.r_[0:58, 69 : len(T)]
    assert np.array_equal(new.uv_px[away], good.uv_px[away], equal_nan=True)


def test_corrections_stack_and_a_place_by_hand_is_not_overrun(followed, three_discs):
    """The covered knee is pointed at by eye; putting it right beside the cover afterwards leaves that alone."""
    path, good = followed
    k, i = 104, good.names.index("knee")
    hand = three_discs["knee"](T[[k]])[0] + [0.7, 0.4]
    once = repair(path, good, "knee", T[k], hand)
    assert np.allclose(once.uv_px[k, i], hand, atol=1.0)
    assert np.all(once.u_px[k, i] >= 0.5)
    twice = repair(path, spoiled(once, 90, 100), "knee", T[95], three_discs["knee"](T[[95]])[0])
    assert np.array_equal(twice.uv_px[k, i], once.uv_px[k, i])
    assert np.nanmax(np.abs(twice.uv_px[90:100, i] - three_discs["knee"](T[90:100]))) < 0.3
    assert len(twice.quality["knee"]["corrected_s"]) == 2
    assert len(twice.notes) == len(good.notes) + 2
    same = repair(path, twice, "knee", T[95], three_discs["knee"](T[[95]])[0])
    assert len(same.notes) == len(twice.notes)  # the frame's newest correction tells it


@pytest.mark.parametrize(
    ("name", "time_s", "place", "words"),
    [
        ("nose", 0.5, (9.0, 9.0), "not a point.*knee"),
        ("knee", 7.0, (9.0, 9.0), "no frame.*0.00 to 2.48 s"),
        ("knee", 0.5, (900.0, 9.0), "outside the picture"),
        ("knee", 0.5, (float("nan"), 9.0), "outside the picture"),
    ],
)
def test_corrections_that_cannot_be(followed, name, time_s, place, words):
    path, good = followed
    with pytest.raises(InputError, match=words):
        repair(path, good, name, time_s, np.array(place))


def test_a_rehearsal_follows_its_disc():
    room.rehearse()


def test_it_tells_how_far_it_is_and_stops_when_asked(followed, three_discs):
    path, good = followed
    bad, at = spoiled(good, 40, 75), three_discs["knee"](T[[60]])[0]
    told: list[float] = []
    repair(path, bad, "knee", T[60], at, told.append)
    assert told == sorted(told)
    assert len(told) > 3
    assert 0 < told[0] < told[-1] == 1
    asked = iter([False] * 5)
    with pytest.raises(Stopped):
        repair(path, bad, "knee", T[60], at, cancelled=lambda: next(asked, True))
