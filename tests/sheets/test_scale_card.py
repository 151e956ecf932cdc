"""The printable scale card: what OpenCV finds on the page, and where."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.sheets.card_pdf import scale_card_pdf, strip_origins
from fitwright.vision.card import SCALE_CARD, charuco_board


def test_opencv_finds_every_corner_at_its_place(opened, paper, grey):
    """Corners of both strips on the page rendered at 600 dpi, by OpenCV's own ChArUco detector, within 0.02 mm."""
    document = opened(scale_card_pdf(paper=paper))
    assert len(document) == 1
    picture = grey(document[0])
    for strip, origin in zip(SCALE_CARD.strips, strip_origins(SCALE_CARD, paper), strict=True):
        corners, ids, _, markers = cv2.aruco.CharucoDetector(charuco_board(strip)).detectBoard(picture)
        assert sorted(ids.ravel()) == list(range(len(strip.corners_mm())))
        assert set(strip.marker_ids) <= set(markers.ravel())
        found = (corners.reshape(-1, 2) + 0.5) * 25.4 / 600
        assert found == pytest.approx(np.asarray(origin) + strip.corners_mm()[ids.ravel()], abs=0.02)


def test_the_bar_measures_100_mm(opened, paper, grey, longest_upright_mm):
    page = opened(scale_card_pdf(SCALE_CARD, paper))[0]
    assert longest_upright_mm(grey(page), 143.0) == pytest.approx(100.0, abs=0.1)


def test_it_tells_what_to_do(opened):
    text = " ".join(opened(scale_card_pdf())[0].get_text().split())
    for words in (
        "Print at 100 %",
        "Cut along the dashed lines",
        "one strip on each side of the sole",
        "measures",
        "mm",
    ):
        assert words in text


def test_strips_too_long_for_the_paper_are_refused():
    long = replace(SCALE_CARD, strips=tuple(replace(s, squares_down=15) for s in SCALE_CARD.strips))
    with pytest.raises(InputError, match="its strips do not fit the paper"):
        scale_card_pdf(long)
