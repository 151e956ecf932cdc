"""Scatter of a path about what is smooth in it, and the uncertainty that a film adds to that of its fits."""

from __future__ import annotations

import numpy as np
import pytest
from bench.drawn import Film, circle, film_to, swing
from hypothesis import given, settings
from hypothesis import strategies as st

from fitwright.quantity import Z95
from fitwright.vision.scatter import AT_REST, ORDER, scatter_px, unexplained_px
from fitwright.vision.track import track_points


def uneven(rng: np.random.Generator, frames: int) -> np.ndarray:
    """Times of a film with jitter and lost frames."""
    times = np.arange(frames) / 60 + rng.normal(0, 2e-3, frames)
    return times[rng.uniform(size=frames) > 0.05]


@settings(deadline=None)
@given(st.integers(0, 10_000))
def test_nine_values_scatter_as_they_lie_off_the_polynomial_through_them(seed: int) -> None:
    """One value is left over: the residual of numpy's own least squares, whatever the time steps."""
    rng = np.random.default_rng(seed)
    t, x = uneven(rng, 60), rng.normal(0, 1, 60)
    n = ORDER + 1
    left = []
    for k in range(len(t) - ORDER):
        some = slice(k, k + n)
        fit = np.polynomial.Polynomial.fit(t[some], x[some], ORDER - 1)
        left.append(np.linalg.norm(fit(t[some]) - x[some]))
    got = scatter_px(t, np.repeat(x[: len(t), None, None], 2, axis=2))
    assert got[0] == pytest.approx(1.4826 * np.median(left), rel=1e-6)


@pytest.mark.parametrize("sd", [0.03, 0.3])
def test_noise_on_a_turning_pedal_is_told_apart_from_its_way(sd: float) -> None:
    rng = np.random.default_rng(4)
    t = uneven(rng, 1200)
    path = circle(300.0, 200.0, 70.0, rpm=105.0)(t)
    noisy = np.stack([path, path + rng.normal(0, sd, path.shape)], axis=1)
    noisy[300:340, 1] = np.nan
    noisy[700, 1] += 50.0
    got = scatter_px(t, noisy)
    assert np.max(got[0]) < 1e-3
    assert got[1] == pytest.approx(sd, rel=0.1)


def test_only_what_the_fit_left_out_is_added() -> None:
    rng = np.random.default_rng(7)
    t = uneven(rng, 900)
    path = circle(300.0, 200.0, 70.0)(t)
    uv = np.stack([path + rng.normal(0, s, path.shape) for s in (0.05, 0.05, 0.05)], axis=1)
    uv[:, 2] = [40.0, 50.0]  # at rest: its errors do not change
    u = np.full_like(uv, 0.03)
    added = unexplained_px(t, uv, u, np.array([True, True, True]), 0.2)
    assert added[:2] == pytest.approx(0.04, abs=0.006)
    assert added[2] == pytest.approx(AT_REST * 0.04, abs=0.002)


def test_where_a_film_is_too_short_to_tell_the_prior_stands() -> None:
    t = np.arange(20) / 60
    uv = circle(300.0, 200.0, 70.0)(t)[:, None]
    assert unexplained_px(t, uv, np.full_like(uv, 0.01), np.array([True]), 0.05) == pytest.approx(0.05)
    assert unexplained_px(t, uv, np.full_like(uv, 0.01), np.array([False]), 0.05) == pytest.approx(0.0)


@pytest.mark.parametrize(("noise", "crf"), [(1.5, 16), (6.0, 24), (2.0, 32)])
def test_stated_intervals_hold_in_films_of_any_noise_and_compression(
    tmp_path, noise: float, crf: int
) -> None:
    """Neither over-confident nor too careful: 90 to 98 in a hundred, and errors about as large as stated."""
    discs = {
        "hip": swing(150.0, 90.0, 4.0, 3.0), "knee": swing(330.0, 150.0, 28.0, 35.0),
        "pedal": circle(420.0, 230.0, 50.0),
    }  # fmt: skip
    times = uneven(np.random.default_rng(crf), 180)
    times -= times[0]
    film = Film(
        discs, times, exposure_s=1 / 500, noise=noise, options={"crf": str(crf), "preset": "ultrafast"}
    )
    path = film_to(tmp_path / "a.mp4", film, seed=11)
    tracks = track_points(path, 0.0, {n: p(np.zeros(1))[0] for n, p in discs.items()})
    z = np.concatenate(
        [
            (tracks.uv_px[:, i] - discs[n](tracks.time_s)) / tracks.u_px[:, i]
            for i, n in enumerate(tracks.names)
        ]
    )
    z = z[np.isfinite(z)]
    assert 0.90 <= np.mean(np.abs(z) < Z95) <= 0.99
    assert 0.75 < np.sqrt(np.mean(z**2)) < 1.25
