"""Discs that are recognised at a second look only: on single frames of simulated films."""

from __future__ import annotations

import numpy as np
import pytest
from bench.film_grid import LEVELS, filmed
from scipy.ndimage import gaussian_filter

from fitwright.demo.film import prepare
from fitwright.demo.motion3d import ride
from fitwright.vision.snap import find_spot

REACH = 60


@pytest.mark.parametrize(("film", "seed"), [("tilt 5°", 3), ("yaw −10° and tilt 5°", 4)])
def test_a_ring_on_a_dark_crank_is_a_marker(film, seed):
    """The disc is as dark as the crank: the most nearly radial place lies beside it."""
    who = filmed(next(level for level in LEVELS if level.name == film), seed)
    motion = ride(who.rider, who.setup, who.seed)
    filming = prepare(
        motion, who.camera, np.array([117_000]), who.seed, steady_light=True, beside_mm=who.beside_mm
    )
    centre = next(t for t in filming.tracks if t.name == "bottom_bracket").centre_px[0]
    low = np.round(centre).astype(int) - REACH
    grey = filming.frame(0)[low[1] : low[1] + 2 * REACH + 1, low[0] : low[0] + 2 * REACH + 1].astype(float)
    pick = centre - low + [1.0, -1.3]
    assert find_spot(grey, pick) is None
    spot = find_spot(grey, pick, look_again=True)
    assert spot is not None
    assert np.hypot(*(spot.uv_px - centre + low)) < 0.1


def test_a_blot_of_a_pattern_is_not_taken_for_a_sticker():
    """Forty pieces of patterned cloth, picked where nothing is: a blot has no edge, a print has one."""
    found = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        grain = gaussian_filter(rng.normal(0, 1, (120, 120)), 2.5)
        cloth = 120 + 26 * grain / grain.std() + rng.normal(0, 1.6, grain.shape)
        found += find_spot(cloth, np.array([60.0, 60.0])) is not None
    assert found <= 1


def test_the_second_look_takes_no_cloth_for_a_disc():
    for seed in range(3):
        rng = np.random.default_rng(seed)
        grain = gaussian_filter(rng.normal(0, 1, (120, 120)), 3.5)
        cloth = 120 + 6 * grain / grain.std() + rng.normal(0, 1.6, grain.shape)
        assert find_spot(cloth, np.array([60.0, 60.0]), look_again=True) is None
