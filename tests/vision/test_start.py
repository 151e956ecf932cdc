"""How the first moments of a coarse film are understood: thirty frames a second, a fast cadence, smeared markers
(drawn, simulated)."""

import numpy as np
import pytest
from bench.drawn import Film, draw

from fitwright.vision.crew import Crew, find_start
from fitwright.vision.start import SPAN
from fitwright.vision.video import ClipInfo, LumaFrame

INFO = ClipInfo("none", "none", 1280, 720, 30.0, 3.0, 0, 8, 0.0)
LIGHT = np.tile(np.linspace(70.0, 130.0, 1280), (720, 1))
BRACKET = np.array([660.0, 440.0])


def leg(rpm: float) -> dict:
    """Crank of 75 px, a foot that pitches by ± 15°, a knee on an arc."""

    def turn(t):
        return 2 * np.pi * rpm / 60 * t

    def pedal(t):
        return BRACKET + 75 * np.stack([np.sin(turn(t)), -np.cos(turn(t))], axis=1)

    def on_foot(x, y):
        def at(t):
            pitch = np.radians(15) * np.sin(turn(t) - 2.0)
            c, s = np.cos(pitch), np.sin(pitch)
            return pedal(t) + np.stack([x * c - y * s, x * s + y * c], axis=1)

        return at

    def knee(t):
        swing = np.radians(12 + 24 * np.cos(turn(t) - 0.3))
        return np.array([480.0, 190.0]) + 170 * np.stack([np.cos(swing), np.sin(swing)], axis=1)

    def hip(t):
        return np.tile([420.0, 250.0], (len(t), 1)) + np.stack(
            [2 * np.sin(turn(t)), 2 * np.cos(turn(t))], axis=1
        )

    return {
        "pedal": pedal, "fifth": on_foot(14.0, -44.0), "heel": on_foot(-62.0, -14.0), "ankle": on_foot(-42.0, -62.0),
        "knee": knee, "hip": hip,
    }  # fmt: skip


def filmed(rpm: float, exposure_s: float, seed: int) -> tuple[Film, list[LumaFrame]]:
    film = Film(leg(rpm), np.arange(40) / 30 + 0.37 * seed, (1280, 720), exposure_s=exposure_s)
    rng = np.random.default_rng(seed)
    return film, [LumaFrame(float(t), draw(film, float(t), LIGHT, rng)) for t in film.times_s]


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(("rpm", "exposure_s"), [(110.0, 1 / 120), (110.0, 1 / 240), (85.0, 1 / 60)])
def test_fast_markers_are_followed_from_a_mark_in_a_coarse_film(rpm, exposure_s, seed):
    film, frames = filmed(rpm, exposure_s, seed)
    m = 10
    at_s = np.array([frames[m].time_s])
    picks = np.array([path(at_s)[0] for path in film.discs.values()]) + np.random.default_rng(seed).normal(
        0, 0.8, (6, 2)
    )
    start = find_start(INFO, frames[m - SPAN : m + SPAN + 1], SPAN, picks)
    step = 1e-3
    true = np.array(
        [np.diff(p(at_s[0] + np.array([-step, step])), axis=0)[0] / (2 * step) for p in film.discs.values()]
    )
    assert list(start.discs) == list(range(6))
    assert np.hypot(*(start.velocity - true).T).max() < 0.12 * 2 * np.pi * rpm / 60 * 75
    assert start.exposure_s == pytest.approx(exposure_s, rel=0.2)
    crew = Crew(start, frames[m])
    told = np.array([crew.step(f)[0] for f in frames[m:]])
    places = np.stack([p(film.times_s[m:]) for p in film.discs.values()], axis=1)
    off = np.hypot(*(told - places).transpose(2, 0, 1))
    assert np.nanmax(off) < 1.0
    assert np.isfinite(off).mean() > 0.97
