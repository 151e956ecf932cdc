"""A point that does not go with the rider, hidden in the marked frame or passed by another disc, is still itself."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.vision.track import track_points

TIMES = np.arange(150) / 60
BB = np.array([420.0, 230.0])


def followed(tmp_path, film_maker, discs, marked_s: float, hidden=None, off=(1.3, -0.9)):
    """Tracks of a drawn film (simulated) and (T,) distance of the told bottom bracket from where it is."""
    film = film_maker.Film(discs, TIMES, exposure_s=1 / 300, hidden=hidden or {})
    path = film_maker.film_to(tmp_path / "a.mp4", film)
    points = {n: p(np.array([marked_s]))[0] for n, p in discs.items()}
    points["bottom_bracket"] = BB + off
    tracks = track_points(path, marked_s, points)
    told = tracks.uv_px[:, tracks.names.index("bottom_bracket")]
    return tracks, np.hypot(*(told - discs["bottom_bracket"](tracks.time_s)).T)


def standing(t):
    return np.tile(BB, (len(t), 1))


def test_hidden_where_it_was_marked(tmp_path, film_maker):
    discs = {"bottom_bracket": standing, "pedal_axle": film_maker.circle(*BB, 75.0)}
    tracks, off = followed(tmp_path, film_maker, discs, 1.0, {"bottom_bracket": (0.85, 1.2)})
    assert tracks.kind[0] == "disc"
    away = (tracks.time_s < 0.8) | (tracks.time_s > 1.25)
    assert np.isfinite(off[away]).mean() > 0.95
    assert np.nanmax(off) < 0.3
    hidden = (tracks.time_s > 0.87) & (tracks.time_s < 1.18)
    assert np.isnan(off[hidden]).all()


def test_another_disc_lies_over_it_where_it_was_marked(tmp_path, film_maker):
    """The heel passes over the bracket just then: the bracket does not go away with it."""

    def heel(t):
        return np.stack([BB[0] + 150 * np.sin((t - 1.0) * 9.4), np.full(len(t), BB[1])], axis=1)

    discs = {"bottom_bracket": standing, "heel": heel}
    tracks, off = followed(tmp_path, film_maker, discs, 1.0, off=(0.4, 0.2))
    assert np.isfinite(off).mean() > 0.7
    assert np.nanmax(off) < 1.0
    heel_off = np.hypot(*(tracks.uv_px[:, tracks.names.index("heel")] - heel(tracks.time_s)).T)
    assert np.nanmax(heel_off) < 1.0


def test_the_camera_is_moved(tmp_path, film_maker):
    """After a knock of 30 px the bracket is found where it stands now."""

    def knocked(t):
        return standing(t) + np.where(t[:, None] > 0.6, [30.0, 0.0], 0.0)

    discs = {"bottom_bracket": knocked, "pedal_axle": film_maker.circle(*BB, 75.0)}
    _, off = followed(tmp_path, film_maker, discs, 0.3, off=(0.4, 0.2))
    assert np.nanmax(off) < 1.0
    assert np.isfinite(off[-5:]).all()


@pytest.mark.parametrize("marked_s", [0.2, 2.3])
def test_nothing_there_stays_texture(tmp_path, film_maker, marked_s):
    discs = {"bottom_bracket": standing, "pedal_axle": film_maker.circle(*BB, 75.0)}
    tracks, _ = followed(tmp_path, film_maker, discs, marked_s, {"bottom_bracket": (0.0, 9.0)})
    assert tracks.kind[0] == "texture"
