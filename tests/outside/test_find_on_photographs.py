"""Snapping and line fits on real photographs: OpenCV's chessboard samples (see the data folder's README)."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fitwright.vision.find_lines import fit_line
from fitwright.vision.pick import snap_at
from fitwright.vision.picture import read_picture


@pytest.fixture(scope="module", params=["left01.jpg", "left12.jpg", "right05.jpg"])
def board(request, outside_data):
    """A photograph and its 6 x 9 inner corners as OpenCV's sector-based detector places them (Duda & Frese 2018)."""
    picture = read_picture(outside_data / "calibration-images" / request.param)
    found, corners = cv2.findChessboardCornersSB(picture.grey, (9, 6), flags=cv2.CALIB_CB_ACCURACY)
    assert found
    return picture, corners.reshape(6, 9, 2).astype(float)


def test_picks_snap_to_the_corners_that_opencv_finds(board):
    picture, corners = board
    rng = np.random.default_rng(3)
    miss = [
        np.array(snap_at(picture, c + rng.uniform(-2.5, 2.5, 2), "corner").uv_px) - c
        for c in corners.reshape(-1, 2)
    ]
    assert np.sqrt(np.mean(np.square(miss))) < 0.2


def test_an_edge_of_a_square_runs_through_its_corners(board):
    """The middle between two neighbouring corners, picked 2 px beside, snaps back onto their line."""
    picture, corners = board
    off = []
    for a, b in zip(corners[:, 3], corners[:, 4], strict=True):
        along = (b - a) / np.hypot(*(b - a))
        normal = np.array([-along[1], along[0]])
        snapped = np.array(snap_at(picture, (a + b) / 2 + 2 * normal, "edge").uv_px)
        off.append(abs(float((snapped - a) @ normal)))
    assert np.median(off) < 0.5


def test_rows_of_corners_are_straight_but_for_the_lens(board):
    """Total least squares as numpy's singular value decomposition has it."""
    _, corners = board
    for row in corners:
        line = fit_line(row)
        axis = np.linalg.svd(row - row.mean(axis=0))[2][0]
        assert abs(float(axis @ line.direction)) == pytest.approx(1.0, abs=1e-9)
        assert line.rms < 3.0
