"""The disc model and its fit against pictures rendered by supersampling (simulated)."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest
from bench.drawn import SIZE, picture
from bench.film_hard import cramer_rao
from scipy.ndimage import gaussian_filter
from scipy.special import erfc

from fitwright.vision.disc import DiscShape, fit_discs
from fitwright.vision.snap import find_spot


def beside(pictures: np.ndarray, centres: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Pictures (P, n, n) side by side as one, and the centres in it."""
    return np.concatenate(list(pictures), axis=1), centres + [[SIZE * k, 0] for k in range(len(pictures))]


def shape(n: int) -> DiscShape:
    return DiscShape(np.full(n, 5.0), np.full(n, 9.0), np.full(n, 0.77))


@pytest.mark.parametrize("centre", [(28.3, 27.8), (27.9, 28.45)])
def test_a_drawn_disc_lies_where_it_is_said(centre):
    """Its centre of gravity, against the even ground; drawn by whole cells it was 3 to 7 thousandths off."""
    v, u = np.mgrid[0:SIZE, 0:SIZE]
    light = picture(centre, levels=(0.0, 220.0, 30.0))
    assert [np.sum(light * u) / np.sum(light), np.sum(light * v) / np.sum(light)] == pytest.approx(
        centre, abs=1e-3
    )


@pytest.mark.parametrize("blur", [(0.0, 0.0), (4.0, 2.0), (-7.0, 6.0)])
def test_coverage_is_the_blurred_circle_smeared_along_its_way(blur):
    """Against scipy's complementary error function, averaged over 400 places on the way."""
    half = 20
    v, u = np.mgrid[-half : half + 1, -half : half + 1].astype(float)
    ways = (np.arange(400) + 0.5) / 400 - 0.5
    off = np.stack([np.hypot(u - t * blur[0], v - t * blur[1]) for t in ways])
    for told, radius in zip(shape(1).coverage(0, half, np.array(blur), 1.1), (9.0, 5.0), strict=True):
        true = 0.5 * erfc((off / 1.1 - radius) / (0.77 * np.sqrt(2))).mean(axis=0)
        assert np.abs(told - true).max() < 2e-3


@pytest.mark.parametrize("blur", [(0.0, 0.0), (4.0, 2.0), (-7.0, 6.0)])
def test_centres_reach_the_cramer_rao_bound(blur):
    """240 noisy pictures: RMS error within 1.1 of the bound, and the stated u neither below it nor far above."""
    rng = np.random.default_rng(2)
    n, draws, sd = 6, 40, 2.5
    centres = SIZE / 2 + rng.uniform(-1, 1, (n, 2))
    clean = np.stack([picture(c, blur) for c in centres])
    errors, stated = [], []
    for _ in range(draws):
        noisy, places = beside((clean + rng.normal(0, sd, clean.shape)).astype(np.float32), centres)
        fit = fit_discs(
            shape(n), np.arange(n), noisy, 1.0, places + rng.uniform(-0.6, 0.6, (n, 2)), np.tile(blur, (n, 1)),
            np.ones(n), None, np.full(n, sd), np.zeros(n),
        )  # fmt: skip
        errors.append(fit.uv_px - places)
        stated.append(np.diagonal(fit.covariance, axis1=1, axis2=2))
    bound = np.sqrt(np.mean(cramer_rao(centres[0], blur, (5.0, 9.0))))
    assert 0.9 * bound < np.sqrt(np.mean(np.square(errors))) < 1.1 * bound
    assert 0.95 * bound < np.sqrt(np.mean(stated)) < 1.2 * bound


def test_flicker_changes_levels_not_places():
    rng = np.random.default_rng(3)
    centre = np.array([[28.3, 27.6]])
    clean = picture(centre[0])
    for gain, offset in ((0.6, 0.0), (1.0, 25.0), (1.15, -20.0)):
        window = (gain * clean + offset + rng.normal(0, 0.5, clean.shape)).astype(np.float32)
        fit = fit_discs(
            shape(1), np.array([0]), window, 1.0, centre + 0.4, np.zeros((1, 2)), np.ones(1),
            np.array([[100.0, -190.0, 120.0]]), np.ones(1), np.zeros(1), iterations=5,
        )  # fmt: skip
        assert np.abs(fit.uv_px - centre).max() < 0.02
        assert fit.contrast[0] == pytest.approx(-190 * gain, rel=0.03)


def test_an_edge_behind_the_marker_does_not_pull_it():
    """Half the background is 70 grey levels brighter: without down-weighting the ring's edge is pulled by 0.1 px."""
    centre = np.array([[28.2, 28.4]])
    clean = picture(centre[0])
    brighter = picture(centre[0], levels=(190.0, 220.0, 30.0))
    window = np.where(np.arange(SIZE)[None, :] > 28, brighter, clean).astype(np.float32)
    fit = fit_discs(
        shape(1), np.array([0]), window, 1.0, centre + 0.3, np.zeros((1, 2)), np.ones(1), None,
        np.full(1, 2.0), np.full(1, 3.0), iterations=6,
    )  # fmt: skip
    assert np.abs(fit.uv_px - centre).max() < 0.03
    assert fit.rms[0] < 6 < fit.background_rms[0]


@pytest.mark.parametrize("levels", [(120.0, 220.0, 30.0), (60.0, 25.0, 230.0), (130.0, 130.0, 30.0)])
@pytest.mark.parametrize("blur", [(0.0, 0.0), (6.0, -4.0)])
def test_a_pick_five_pixels_off_snaps_to_the_disc(levels, blur):
    rng = np.random.default_rng(6)
    wide = np.full((120, 120), levels[0])
    wide[32 : 32 + SIZE, 30 : 30 + SIZE] = picture((27.3, 28.2), blur, levels=levels)
    wide += rng.normal(0, 2, wide.shape)
    spot = find_spot(wide, np.array([57.3 + 4, 60.2 - 3]))
    assert spot is not None
    assert np.hypot(*(spot.uv_px - [57.3, 60.2])) < 0.08
    assert spot.disc_px == pytest.approx(5.0, abs=0.25)


def test_cloth_is_not_a_disc():
    rng = np.random.default_rng(7)
    cloth = gaussian_filter(rng.normal(120, 150, (120, 120)), 3)
    assert find_spot(cloth, np.array([60.0, 60.0])) is None
    assert find_spot(np.full((120, 120), 90.0) + rng.normal(0, 2, (120, 120)), np.array([60.0, 60.0])) is None


@pytest.mark.parametrize(("disc", "ring"), [(2.8, 4.6), (4.6, 7.3)])
@pytest.mark.parametrize("off", [(1.2, 0.9), (-4.1, 3.2)])
def test_a_small_ringed_disc_is_recognised_beside_its_centre(disc, ring, off):
    """As small as a 1280 px wide picture shows it from 3 m; an even patch or a lone edge must not win."""
    v, u = np.mgrid[0:120, 0:120].astype(float)
    rho = np.hypot(u - 60.3, v - 61.2)
    outer, inner = (np.clip(0.5 + (r - rho) / 1.2, 0, 1) for r in (ring, disc))
    grey = np.where(u > 72, 150.0, 95.0) * (1 - outer) + 225 * (outer - inner) + 33 * inner
    grey += np.random.default_rng(5).normal(0, 1.6, grey.shape)
    spot = find_spot(grey, np.array([60.3, 61.2]) + off)
    assert spot is not None
    assert np.hypot(*(spot.uv_px - [60.3, 61.2])) < 0.15
    assert spot.ring_px == pytest.approx(ring, abs=0.6)


FIRST_FIT = """
import numpy as np
from fitwright.vision.disc import DiscShape, compiled_before, fit_discs
before = compiled_before()
shape = DiscShape(*(np.array([x]) for x in (4.0, 7.0, 0.9)))
at, one = np.array([[20.0, 20.0]]), np.ones(1)
fit_discs(shape, np.array([0]), np.zeros((40, 40), np.uint8), 1.0, at, 0 * at, one, None, one, one)
print(before, compiled_before())
"""


def test_it_is_known_whether_the_loops_were_compiled_before(tmp_path):
    def told():
        run = subprocess.run(
            [sys.executable, "-c", FIRST_FIT], env=os.environ | {"NUMBA_CACHE_DIR": str(tmp_path)}, check=True,
            capture_output=True, text=True,
        )  # fmt: skip
        return run.stdout.split()

    assert told() == ["False", "True"]
    assert told() == ["True", "True"]
