"""Following points through small simulated films with known paths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fitwright.errors import InputError, Stopped
from fitwright.vision.kept import Kept, frames_before
from fitwright.vision.track import track_points
from fitwright.vision.tracks import Tracks
from fitwright.vision.video import ClipInfo, luma_frames, probe

T = np.arange(80) / 60


def picks(discs, time_s: float, off: float = 3.0) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(1)
    return {n: path(np.array([time_s]))[0] + rng.uniform(-off, off, 2) for n, path in discs.items()}


def errors(tracks, discs) -> dict[str, np.ndarray]:
    return {n: tracks.uv_px[:, i] - discs[n](tracks.time_s) for i, n in enumerate(tracks.names)}


@pytest.mark.parametrize("exposure_s", [0.0, 1 / 250])
def test_points_are_followed_to_a_twentieth_of_a_pixel_and_u_is_honest(
    tmp_path, film_maker, three_discs, exposure_s
):
    path = film_maker.film_to(tmp_path / "a.mp4", film_maker.Film(three_discs, T, exposure_s=exposure_s))
    tracks = track_points(path, 0.0, picks(three_discs, 0.0))
    for i, error in enumerate(errors(tracks, three_discs).values()):
        assert np.isfinite(error).all()
        assert np.sqrt(np.mean(error**2)) < 0.05
        assert 0.3 < np.sqrt(np.mean((error / tracks.u_px[:, i]) ** 2)) < 1.3
    if exposure_s:
        assert tracks.info.exposure_s == pytest.approx(exposure_s, rel=0.25)


@pytest.mark.parametrize(
    "look",
    [
        {"noise": 5.0}, {"options": {"crf": "28", "preset": "ultrafast"}},
        {"gain": lambda t: 1 + 0.15 * np.sin(63 * t)}, {"gain": lambda t: 1 - 0.25 * t}, {"exposure_s": 1 / 120},
    ],
    ids=["noise", "compression", "flicker", "fading light", "blur"],
)  # fmt: skip
def test_stated_intervals_hold_the_truth(tmp_path, film_maker, three_discs, look):
    """Three points in 80 frames, both axes; the errors are not quite independent."""
    film = film_maker.Film(three_discs, T, **({"exposure_s": 1 / 500} | look))
    tracks = track_points(film_maker.film_to(tmp_path / "u.mp4", film), 0.0, picks(three_discs, 0.0))
    z = np.stack(list(errors(tracks, three_discs).values()), axis=1) / tracks.u_px
    assert np.isfinite(z).all()
    assert np.mean(np.abs(z) < 1.96) > 0.9
    assert np.sqrt(np.mean(z**2)) > 0.25  # not by stating more than is the case


@pytest.mark.parametrize("marked_s", [0.6, 1.3])
def test_the_marked_frame_may_be_any(tmp_path, film_maker, three_discs, marked_s, monkeypatch):
    for most in ("MOST_BYTES", "MOST_BEFORE_BYTES"):
        monkeypatch.setattr(f"fitwright.vision.kept.{most}", 2e6)  # several blocks backward
    options = {"crf": "18", "preset": "ultrafast", "g": "25"}
    path = film_maker.film_to(tmp_path / "b.mp4", film_maker.Film(three_discs, T, options=options))
    tracks = track_points(path, marked_s, picks(three_discs, marked_s))
    assert np.allclose(tracks.time_s, [f.time_s for f in luma_frames(path)])
    for error in errors(tracks, three_discs).values():
        assert np.isfinite(error).all()
        assert np.sqrt(np.mean(error**2)) < 0.06


@pytest.mark.parametrize(("fit", "twice"), [(60, 0), (30, 0), (13, 36)])
def test_what_lies_before_the_mark_is_decoded_once_where_a_stretch_between_key_frames_fits(
    tmp_path, film_maker, three_discs, fit, twice, monkeypatch
):
    """Key frames at every 25th of 76 frames: where only 13 fit, each stretch is read again for its first 12."""
    read = []

    def counted(*args, **kwargs):
        for frame in luma_frames(*args, **kwargs):
            read.append(frame.time_s)
            yield frame

    options = {"crf": "18", "preset": "ultrafast", "g": "25", "keyint_min": "25", "sc_threshold": "0"}
    path = film_maker.film_to(tmp_path / "k.mp4", film_maker.Film(three_discs, T, options=options))
    info = probe(path)
    whole = np.zeros(2), np.array([info.width_px, info.height_px], dtype=float)
    monkeypatch.setattr("fitwright.vision.kept.luma_frames", counted)
    monkeypatch.setattr("fitwright.vision.kept.MOST_BEFORE_BYTES", fit * info.width_px * info.height_px)
    before = [f.time_s for f in luma_frames(path)][:75]
    given = [f.time_s for f in frames_before(path, info, before[-1] + 0.004, Kept(info, *whole), *whole)]
    assert given == before[::-1]
    assert len(read) == 75 + twice


def test_the_way_back_stops_while_it_is_read(tmp_path, film_maker, three_discs):
    """A long block is read before anything of it is followed: it can be stopped in between."""
    path = film_maker.film_to(tmp_path / "s.mp4", film_maker.Film(three_discs, T))
    info, asked = probe(path), []
    whole = np.zeros(2), np.array([info.width_px, info.height_px], dtype=float)

    def stop() -> bool:
        asked.append(len(asked) + 1)
        return asked[-1] == 5

    frames = frames_before(path, info, 1.0, Kept(info, *whole), *whole, cancelled=stop)
    with pytest.raises(Stopped):
        next(frames)
    assert len(asked) == 5


@pytest.mark.parametrize(("fps", "jitter"), [(30, 0.0), (60, 0.006)])
def test_slow_and_uneven_frame_rates(tmp_path, film_maker, three_discs, fps, jitter):
    rng = np.random.default_rng(8)
    times = np.arange(fps) / fps + rng.uniform(0, jitter, fps)
    times -= times[0]
    film = film_maker.Film(three_discs, times, exposure_s=1 / 500)
    tracks = track_points(film_maker.film_to(tmp_path / "c.mp4", film), 0.0, picks(three_discs, 0.0))
    for error in errors(tracks, three_discs).values():
        assert np.isfinite(error).all()
        assert np.sqrt(np.mean(error**2)) < 0.06


def test_a_hidden_point_is_a_gap_then_found_again_and_never_invented(tmp_path, film_maker, three_discs):
    hidden = {"pedal": (1.0, 1.3), "hip": (1.4, 1.7), "knee": (0.9, 1.0)}
    film = film_maker.Film(
        three_discs, np.arange(120) / 60, exposure_s=1 / 500, hidden=hidden,
        gain=lambda t: 1 + 0.12 * np.sin(40 * t),
    )  # fmt: skip
    tracks = track_points(film_maker.film_to(tmp_path / "d.mp4", film), 0.0, picks(three_discs, 0.0))
    for i, (name, error) in enumerate(errors(tracks, three_discs).items()):
        a, b = hidden[name]
        away = (tracks.time_s >= a) & (tracks.time_s < b)
        assert np.isnan(tracks.uv_px[away, i]).all()
        back = (tracks.time_s < a) | (tracks.time_s > b + 0.05)
        assert np.isfinite(error[back]).all()
        assert np.sqrt(np.mean(error[back] ** 2)) < 0.06
        assert tracks.quality[name]["gaps"] == 1
        assert tracks.quality[name]["longest_gap_s"] == pytest.approx(b - a, abs=0.06)


def test_a_frame_left_out_after_the_mark_exchanges_no_like_discs(tmp_path, film_maker):
    """In the frame after the gap the toe's disc is 2 px from where the pedal's was marked."""
    middle, turn = np.array([320.0, 190.0]), 2 * np.pi * 90 / 60

    def pedal(t):
        return middle + 70.0 * np.stack([np.cos(turn * t), np.sin(turn * t)], axis=1)

    discs = {
        "pedal": pedal,
        "toe": lambda t: pedal(t) - np.array([0.0, 23.0]),
        "still": lambda t: 0 * pedal(t) + np.array([321.0, 290.0]),
    }
    k = 40  # at a whole turn the pedal moves straight down
    times = np.delete(np.arange(110) / 60, [k - 1, k + 1])
    film = film_maker.Film(discs, times, exposure_s=1 / 500)
    tracks = track_points(film_maker.film_to(tmp_path / "g.mp4", film), k / 60, picks(discs, k / 60))
    for error in errors(tracks, discs).values():
        assert np.isfinite(error).all()
        assert np.abs(error).max() < 0.5


def test_a_point_marked_between_two_coverings_is_found_after_each(tmp_path, film_maker):
    """Seen in five frames around the mark, then now and again."""

    def shown(film, time_s, background, rng, original=film_maker.draw):
        seen = abs(time_s - 0.8) < 0.036 or (time_s % 0.4) > 0.2
        return original(film if seen else replace(film, discs=others), time_s, background, rng)

    discs = {
        "hip": film_maker.swing(150.0, 90.0, 2.5, 1.5), "knee": film_maker.swing(330.0, 130.0, 28.0, 35.0),
        "pedal": lambda t: np.stack([420 + 45 * np.sin(9.4 * t), 270 - 45 * np.cos(9.4 * t)], axis=1),
    }  # fmt: skip
    others = {n: p for n, p in discs.items() if n == "hip"}
    times = np.arange(150) / 60
    path = film_maker.film_to(tmp_path / "h.mp4", film_maker.Film(discs, times), drawn=shown)
    tracks = track_points(path, 0.8, picks(discs, 0.8, 2.0))
    visible = (np.abs(times - 0.8) < 0.036) | (times % 0.4 > 0.2)
    for i, (name, error) in enumerate(errors(tracks, discs).items()):
        seen = np.isfinite(tracks.uv_px[:, i, 0])
        assert np.nanmax(np.abs(error)) < 0.5
        assert seen[visible].mean() > 0.85 if name != "hip" else seen.all()
        assert name == "hip" or not seen[~visible].any()


def test_a_point_without_a_disc_is_followed_with_larger_uncertainty(tmp_path, film_maker):
    """A patch of cloth glued to a swinging point."""
    path = film_maker.swing(300.0, 180.0, 20.0, 25.0)
    cloth = np.random.default_rng(9).normal(0, 30, (9, 9)).repeat(6, 0).repeat(6, 1)
    film = film_maker.Film({}, T)
    original = film_maker.draw

    def with_cloth(film, time_s, background, rng):
        luma = original(film, time_s, background, rng).astype(float)
        u, v = np.round(path(np.array([time_s]))[0]).astype(int)
        luma[v - 27 : v + 27, u - 27 : u + 27] = 120 + cloth
        return np.clip(luma, 0, 255).astype(np.uint8)

    tracks = track_points(
        film_maker.film_to(tmp_path / "e.mp4", film, drawn=with_cloth), 0.0, {"knee": path(np.zeros(1))[0]}
    )
    error = tracks.uv_px[:, 0] - np.round(path(tracks.time_s))
    assert tracks.kind == ("texture",)
    assert np.isfinite(error).mean() > 0.97
    assert np.nanmax(np.abs(error)) < 1.5
    assert np.nanmin(tracks.u_px) >= 0.2  # a disc's is a tenth of that
    assert np.nanmean(np.abs(error) <= 1.96 * tracks.u_px[:, 0]) >= 0.9
    assert any("no contrast disc" in note for note in tracks.notes)


def test_a_portrait_film_gives_upright_pixels(tmp_path, film_maker, three_discs):
    film = film_maker.Film(three_discs, T[:40], rotation=-90)
    tracks = track_points(film_maker.film_to(tmp_path / "f.mp4", film), 0.0, picks(three_discs, 0.0))
    upright, sensor = tracks.upright_px, tracks.uv_px
    assert np.allclose(upright[..., 0], 359 - sensor[..., 1])
    assert np.allclose(upright[..., 1], sensor[..., 0])


def test_films_that_cannot_be_followed_say_why(tmp_path, film_maker, three_discs):
    slow = film_maker.film_to(tmp_path / "slow.mp4", film_maker.Film(three_discs, np.arange(20) / 15))
    short = film_maker.film_to(tmp_path / "short.mp4", film_maker.Film(three_discs, T[:10]))
    dark = film_maker.film_to(tmp_path / "dark.mp4", film_maker.Film({}, T[:40], gain=lambda t: 0.02))
    cases = [(slow, "frames per second"), (short, "too short"), (dark, "dark")]
    for path, words in cases:
        with pytest.raises(InputError, match=words):
            track_points(path, 0.0, picks(three_discs, 0.0))


def test_a_point_that_was_lost_says_which_setting_of_the_camera_is_to_blame():
    """A dark film at 30 frames per second is told so; a bright one at 60 is not."""
    times = np.arange(40) / 30
    lost = np.full((40, 1, 2), np.nan)
    told = []
    for fps, exposure_s in ((30.0, 1 / 120), (60.0, 1 / 500), (60.0, None)):
        info = ClipInfo("a.mp4", "h264", 640, 360, fps, 1.4, 0, 8, 1e6, exposure_s)
        tracks = Tracks(("pedal_axle",), times, lost, lost, ("disc",), info, {"pedal_axle": {"seen": 0.0}})
        with pytest.raises(InputError, match="was followed in 0 of 40 frames") as wrong:
            tracks.require("pedal_axle")
        told.append(str(wrong.value))
    assert "1/500 s and not 1/120 s and at 60 frames per second, not 30" in told[0]
    assert "film again" not in told[1] + told[2]
    assert all("mark it again" in words.lower() for words in told)
