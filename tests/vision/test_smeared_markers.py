"""Markers smeared by their own motion (simulated: drawn by this test) are found and named like those at rest."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter
from scipy.special import erfc

from fitwright.vision.find_markers import find_discs, name_discs

RIDER = {
    "acromion": (802, 98), "elbow": (866, 250), "wrist": (975, 368), "greater_trochanter": (560, 312),
    "lateral_femoral_condyle": (780, 446), "lateral_malleolus": (705, 698), "heel": (660, 728),
    "fifth_metatarsal": (778, 750), "pedal_axle": (789, 786), "bottom_bracket": (660, 790),
}  # fmt: skip
SMEARS_PX = (4.0, 8.0, 12.0, 16.0)
LIGHTS = [(110.0, 2.0), (110.0, 6.0), (110.0, 10.0), (70.0, 2.0), (70.0, 6.0), (40.0, 2.0)]
"""Grey levels from ground to ring, and noise."""
GROUND = 110.0


def drawn(places, ring_px, smear_px, step, noise, seed=0):
    """A frame (860, 1100) with discs darker than the ground in lighter rings, each swept along its own way."""
    picture = np.full((860, 1100), GROUND)
    for k, (u, v) in enumerate(places):
        way = smear_px * np.array([np.cos(0.39 * k), np.sin(0.39 * k)])
        half = int(ring_px + smear_px / 2 + 6)
        rows, columns = np.mgrid[v - half : v + half + 1, u - half : u + half + 1]
        for t in (np.arange(48) + 0.5) / 48 - 0.5:
            away = np.hypot(columns - u - t * way[0], rows - v - t * way[1])
            for radius, level in ((ring_px, step), (0.58 * ring_px, -1.7 * step)):
                picture[rows, columns] += level * 0.5 * erfc((away - radius) / (np.sqrt(2) * 0.8)) / 48
    picture += np.random.default_rng(seed).normal(0, noise, picture.shape)
    return np.clip(np.rint(picture), 0, 255).astype(np.uint8)


@pytest.mark.parametrize("smear_px", SMEARS_PX)
@pytest.mark.parametrize(("step", "noise"), LIGHTS)
def test_a_smeared_riders_points_are_all_found_and_named(smear_px, step, noise):
    grey = drawn(RIDER.values(), 11.0, smear_px, step, noise)
    named = name_discs(find_discs(grey), "side", "right")
    assert set(named) == set(RIDER)
    assert max(np.hypot(*(m.uv_px - RIDER[n])) for n, m in named.items()) < 0.5


@pytest.mark.parametrize(("ring_px", "most_px"), [(6.0, 8.0), (9.0, 16.0), (12.0, 16.0)])
@pytest.mark.parametrize("step", [70.0, 110.0])
def test_of_every_size_those_are_found_whose_disc_is_not_swept_away(ring_px, most_px, step):
    """A small disc that moves by more than it is wide leaves next to nothing dark behind."""
    places = [(120 + 170 * (k % 6), 120 + 200 * (k // 6)) for k in range(24)]
    for smear_px in (s for s in SMEARS_PX if s <= most_px):
        found = find_discs(drawn(places, ring_px, smear_px, step, 3.0))
        near = [min(np.hypot(*(m.uv_px - place)) for m in found) for place in places]
        assert sum(n < 0.4 for n in near) >= 23, smear_px
        assert len(found) <= 24


@pytest.mark.parametrize("grain_px", [2.0, 3.5, 6.0])
def test_noisy_patterned_cloth_is_not_full_of_markers(grain_px):
    """What is forgiven a noisy picture must not let cloth in: less than one place in a picture."""
    found = 0
    for seed in range(3):
        chance = np.random.default_rng(seed)
        grain = gaussian_filter(chance.normal(0, 1, (540, 960)), grain_px)
        cloth = 120 + 30 * grain / grain.std() + chance.normal(0, 8, grain.shape)
        found += len(find_discs(np.clip(cloth, 0, 255).astype(np.uint8)))
    assert found < 3
