"""The compiled search for a small picture, held against OpenCV's template matching."""

import cv2
import numpy as np
import pytest

from fitwright.vision.seek import FEW_PLACES, MOST_PEAKS, Portrait, peaks
from fitwright.vision.seek_kernel import correlation, tops


def _disc(half):
    v, u = np.mgrid[-half : half + 1, -half : half + 1]
    away = np.hypot(u, v)
    picture = 90 + 120 * (away < half) - 150 * (away < 0.55 * half)
    return Portrait(picture.astype(np.float32), (away < half).astype(np.float32))


@pytest.fixture
def scene():
    """Uneven ground with some discs on it, and where they are."""
    rng = np.random.default_rng(4)
    ground = cv2.GaussianBlur(rng.normal(0, 300, (300, 400)), (0, 0), 3) + 110
    luma = np.clip(ground + rng.normal(0, 2, ground.shape), 0, 255).astype(np.uint8)
    portrait = _disc(11)
    places = [(60, 60), (130, 52), (210, 200), (300, 120), (350, 250)]
    for u, v in places:
        here = luma[v - 11 : v + 12, u - 11 : u + 12]
        here[portrait.mask > 0] = portrait.picture[portrait.mask > 0]
    return luma, portrait, np.array(places, dtype=float)


def test_correlation_is_that_of_opencv(scene):
    luma, portrait, _ = scene
    for top, left in ((40, 40), (30, 100), (180, 190), (5, 250)):
        area = luma[top : top + 40, left : left + 44].astype(np.float32)
        theirs = cv2.matchTemplate(area, portrait.picture, cv2.TM_CCOEFF_NORMED, mask=portrait.mask)
        assert correlation(area, portrait.picture, portrait.mask) == pytest.approx(theirs, abs=1e-4)


def test_an_even_area_is_like_nothing():
    even = np.full((30, 30), 77, np.float32)
    found = correlation(even, *(getattr(_disc(8), n) for n in ("picture", "mask")))
    assert found.shape == (14, 14)
    assert (found == -1).all()


def test_tops_are_the_peaks_that_dilation_shows_best_first():
    rng = np.random.default_rng(8)
    likeness = cv2.GaussianBlur(rng.normal(0, 1, (60, 80)).astype(np.float32), (0, 0), 2.0)
    least = float(np.quantile(likeness, 0.8))
    places, value = tops(likeness, least, 100)
    v, u = np.nonzero((likeness >= cv2.dilate(likeness, np.ones((5, 5), np.uint8))) & (likeness > least))
    order = np.argsort(-likeness[v, u], kind="stable")
    assert len(value) == len(order) > 5
    assert value == pytest.approx(likeness[v, u][order])
    assert np.abs(places - np.column_stack([u, v])[order]).max() <= 0.5
    few, best = tops(likeness, least, 4)
    assert few == pytest.approx(places[:4])
    assert best == pytest.approx(value[:4])


@pytest.mark.parametrize("reach", [4.0, 40.0])
def test_a_disc_is_found_where_it_is_whichever_way_the_places_are_tried(scene, reach):
    luma, portrait, places = scene
    assert ((2 * reach + 2) ** 2 <= FEW_PLACES) == (reach < 10)
    for place in places:
        found, alike = peaks(luma, portrait, place + np.array([1.3, -2.2]), reach, 1.0)
        assert 0 < len(found) <= MOST_PEAKS
        assert found[0] == pytest.approx(place, abs=0.1)
        assert alike[0] > 0.98
        assert (np.diff(alike) <= 0).all()


def test_beyond_the_pictures_edge_nothing_is_found(scene):
    luma, portrait, _ = scene
    places, alike = peaks(luma, portrait, np.array([-50.0, 20.0]), 5.0, 1.0)
    assert places.shape == (0, 2)
    assert alike.shape == (0,)
