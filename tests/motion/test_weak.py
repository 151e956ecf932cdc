"""Weak spells that were put in on purpose are found, and a clean film has none. Simulated tracks."""

from __future__ import annotations

import numpy as np
import pytest

from fitwright.motion.weak import Followed, Spell, advice, standing, usual, weak_spells, words_of_quality
from simulated_side import SIDE, SIZE, side_tracks, theta_of

FPS = 60.0


@pytest.fixture
def points() -> dict[str, np.ndarray]:
    tracks = side_tracks(SIDE, 8.0)
    return {n: tracks.uv_px[:, i].copy() for i, n in enumerate(tracks.names)}


def film(points: dict[str, np.ndarray], u: dict[str, np.ndarray] | None = None) -> Followed:
    count = len(points["pedal_axle"])
    time_s = np.arange(count) / FPS
    sure = {n: np.where(np.isfinite(p[:, 0]), 0.05, np.nan) for n, p in points.items()}
    return Followed(time_s, points, sure | (u or {}), np.degrees(theta_of(time_s)), SIZE)


def test_a_clean_film_has_no_weak_spell(points):
    assert weak_spells(film(points)) == ()


def test_a_point_that_is_lost_and_one_that_leaves_the_picture(points):
    points["lateral_femoral_condyle"][100:130] = np.nan
    points["greater_trochanter"][199] = (3.0, 400.0)
    points["greater_trochanter"][200:260] = np.nan
    kinds = {(s.name, s.kind): (s.first, s.last) for s in weak_spells(film(points))}
    assert kinds["lateral_femoral_condyle", "lost"] == (100, 129)
    assert kinds["greater_trochanter", "left"] == (200, 259)
    told = advice(weak_spells(film(points)), np.arange(480) / FPS, 88.0, 60.0)
    assert len(told) == 1
    assert "greater_trochanter: out of the picture for 12% of the film" in told[0]


def test_one_missing_frame_is_no_spell(points):
    points["lateral_malleolus"][77] = np.nan
    assert weak_spells(film(points)) == ()


def test_gaps_close_to_each_other_are_one(points):
    points["lateral_malleolus"][70:74] = np.nan
    points["lateral_malleolus"][76:80] = np.nan
    assert weak_spells(film(points)) == (Spell("lateral_malleolus", "lost", 70, 79),)


def test_a_point_on_the_other_leg_is_found(points):
    """For 20 frames the ankle is where it is half a turn later: what the far leg's ankle does."""
    theta = np.degrees(theta_of(np.arange(480) / FPS))
    later = usual(theta, points["lateral_malleolus"], 5, theta + 180.0)
    points["lateral_malleolus"][150:170] = later[150:170]
    (found,) = [s for s in weak_spells(film(points)) if s.kind == "other"]
    assert found.name == "lateral_malleolus"
    assert abs(found.first - 150) <= 1
    assert abs(found.last - 169) <= 1
    assert "taken for the other leg" in advice((found,), np.arange(480) / FPS, 88.0, 60.0)[0]


def test_a_sticker_that_slips_changes_a_limb(points):
    points["lateral_femoral_condyle"][300:330] += (25.0, 15.0)
    names = {(s.name, s.kind) for s in weak_spells(film(points))}
    assert ("lateral_femoral_condyle", "stretched") in names


def test_a_large_uncertainty_is_a_spell(points):
    u = np.full(480, 0.05)
    u[40:60] = 3.0
    assert weak_spells(film(points, {"lateral_malleolus": u})) == (
        Spell("lateral_malleolus", "unsure", 40, 59),
    )


@pytest.mark.parametrize(("rpm", "fps", "needed"), [(90, 30, "60"), (110, 30, "60"), (130, 60, "120")])
def test_too_few_frames_for_the_cadence(rpm, fps, needed):
    (told,) = advice((), np.array([0.0, 1.0]), rpm, fps)
    assert f"{6 * rpm / fps:.0f}°" in told
    assert f"{needed} frames a second" in told


def test_enough_frames_and_light_need_no_words():
    assert advice((), np.array([0.0, 1.0]), 90.0, 60.0, 0.01) == ()
    assert "burnt out" in advice((), np.array([0.0, 1.0]), 90.0, 60.0, 0.3)[0]


def test_the_usual_path_is_a_fourier_series_that_ignores_outliers():
    """Against the very curve the values were made from."""
    theta = np.linspace(0, 2000, 700)
    true = np.column_stack(
        [30 * np.cos(np.radians(theta)) + 4 * np.sin(2 * np.radians(theta)), 0 * theta + 7]
    )
    values = true.copy()
    values[50:70] += 80.0
    assert np.abs(usual(theta, values, 4) - true).max() < 0.05


def test_words_of_quality():
    assert words_of_quality(1.0, 0.04, "disc") == "a disc, seen in every frame, ± 0.1 px"
    assert "too seldom to be trusted" in words_of_quality(0.5, 1.0, "texture")
    assert "99%" in words_of_quality(0.998, 0.1, "disc")


def test_a_rider_who_stops_is_told_from_when_to_when():
    time_s = np.arange(480) / 60
    theta = 540.0 * np.minimum(time_s, 5.0)
    assert standing(time_s, theta) == (pytest.approx((5.0, 7.98), abs=0.05),)
    words = advice((), time_s, 90.0, 60.0, theta_deg=theta)
    assert "stand still from 5.0 to 8.0 s" in words[0]
    assert standing(time_s, 540.0 * time_s) == ()
    slower = time_s - 0.3 * np.clip(time_s - 5, 0, 1)
    assert standing(time_s, 540.0 * slower) == ()
