"""Points of a rider who holds still stay where they are between two frames; those of one who moves do not."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, shift

from fitwright.vision.stillness import MOVED_SHARE, moving

SIZE = (600, 1000)
PLACES = {"knee": (300.0, 250.0), "ankle": (320.0, 450.0)}


@pytest.fixture(scope="module")
def scene() -> np.ndarray:
    return 120 + 400 * gaussian_filter(np.random.default_rng(3).normal(0, 1, SIZE), 2.5)


def frame(light: np.ndarray, seed: int) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0, 2, light.shape)
    return np.clip(np.rint(light + noise), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(
    ("by_px", "moved"),
    [(0.0, ()), (600 * MOVED_SHARE, ()), (1600 * MOVED_SHARE, tuple(PLACES)), (200.0, tuple(PLACES))],
)
def test_how_far_a_point_may_sway(scene, by_px, moved):
    later = shift(scene, (0, by_px), order=1, mode="nearest")
    assert moving(frame(scene, 1), frame(later, 2), PLACES) == moved


def test_darker_is_not_moved_and_one_limb_alone_is_named(scene):
    later = 0.7 * scene.copy()
    later[420:480, 290:350] = 0.7 * scene[420:480, 330:390]
    assert moving(frame(scene, 1), frame(later, 2), PLACES) == ("ankle",)


def test_what_is_plain_or_at_the_edge_says_nothing(scene):
    plain = np.full(SIZE, 90.0)
    assert moving(frame(plain, 1), frame(scene, 2), PLACES) == ()
    assert moving(frame(scene, 1), frame(plain, 2), {"knee": (2.0, 3.0)}) == ()
