"""The scale card: what we draw is what the detector finds."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.vision.card import SCALE_CARD, card_json, charuco_board, marker_dictionary, strip_picture


@pytest.mark.parametrize("strip", SCALE_CARD.strips, ids=lambda s: s.name)
def test_drawn_strip_is_found_with_all_corners_where_they_were_drawn(strip):
    picture = strip_picture(strip, px_per_mm=8.0, margin_mm=6.0)
    corners, ids, _, marker_ids = cv2.aruco.CharucoDetector(charuco_board(strip)).detectBoard(picture)
    assert sorted(np.ravel(marker_ids)) == list(strip.marker_ids)
    assert len(ids) == (strip.squares_across - 1) * (strip.squares_down - 1)
    found_mm = (np.reshape(corners, (-1, 2)) + 0.5) / 8.0 - 6.0
    assert np.abs(found_mm - strip.corners_mm()[np.ravel(ids)]).max() < 0.03


def test_corner_and_marker_positions_are_opencvs():
    for strip in SCALE_CARD.strips:
        board = charuco_board(strip)
        assert np.allclose(np.reshape(board.getChessboardCorners(), (-1, 3))[:, :2], strip.corners_mm())
        drawn = [strip.marker_corners_mm(i) for i in range(len(strip.marker_ids))]
        assert np.allclose(np.reshape(board.getObjPoints(), (-1, 4, 3))[..., :2], drawn)


def test_strips_share_no_marker_and_fit_with_the_check_bar_on_both_papers():
    a, b = SCALE_CARD.strips
    assert not set(a.marker_ids) & set(b.marker_ids)
    for width, height in ((210.0, 297.0), (215.9, 279.4)):
        assert max(a.height_mm, b.height_mm) + 2 * SCALE_CARD.margin_mm < height
        assert a.width_mm + b.width_mm + 4 * SCALE_CARD.margin_mm + 20 < width


def test_json_contract():
    data = card_json()
    assert data["check_bar_mm"] == 100.0
    assert [x["first_id"] for x in data["boards"]] == [0, 20]
    keys = {"dictionary", "first_id", "squares_across", "squares_down", "square_mm", "marker_mm"}
    assert all(keys <= set(board) for board in data["boards"])


def test_print_scale_follows_the_measured_bar():
    card = SCALE_CARD.with_check_bar(98.5)
    assert card.print_scale.value == pytest.approx(0.985)
    assert card.print_scale.u == pytest.approx(0.001)
    with pytest.raises(InputError, match=r"check_bar_mm.*90 to 110 mm"):
        SCALE_CARD.with_check_bar(50)


def test_unknown_dictionary_is_named():
    with pytest.raises(InputError, match="dictionary"):
        marker_dictionary("DICT_NONE")
