"""An open photograph of a ChArUco board, and rigid fits against independent libraries."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fitwright.foot.rigid import rigid_fit
from fitwright.vision.photo import described_board, measure_board
from fitwright.vision.picture import read_picture


@pytest.fixture(scope="module")
def photograph(outside_data):
    return read_picture(outside_data / "calibration-images" / "choriginal.jpg")


def test_open_charuco_photograph(photograph):
    """choriginal.jpg from Debian's opencv-doc 4.6.0 (OpenCV, Apache-2.0 and BSD-3-Clause): board 5 x 7, 40/20 mm,
    DICT_6X6_250. Expected figures from that set's README: 17 markers (ids 0..16), 24 corners, rms of the
    homography 0.218 ± 0.05 px."""
    report = measure_board(photograph, described_board("5x7", 40.0, 20.0, "DICT_6X6_250"))
    (board,) = report.boards
    assert board.marker_ids == tuple(range(17))
    assert len(board.corner_ids) == 24
    assert report.to_json()["homography_rms_px"] == pytest.approx(0.218, abs=0.05)
    assert report.plane.rms_px <= report.to_json()["homography_rms_px"] + 0.01  # the camera explains no less


def test_the_same_photograph_without_being_told_the_board(photograph):
    """The same picture: dictionary family, 5 x 7 squares and marker/square 0.5 are recognised, scale stays open."""
    report = measure_board(photograph, None)
    layout = report.boards[0].layout
    assert layout.dictionary.startswith("DICT_6X6")
    assert (layout.squares_across, layout.squares_down) == (5, 7)
    assert layout.marker_mm == pytest.approx(0.5, abs=0.03)
    assert report.unit == "squares"
    assert report.to_json()["homography_rms_px"] == pytest.approx(0.218, abs=0.05)


def test_distances_on_the_photographed_board(photograph):
    """Known corners of the same board as test points, left out of nothing but picked at their pixels: every mapped
    corner lies within its stated 95 % interval of the true place at least nine times in ten."""
    layout = described_board("5x7", 40.0, 20.0, "DICT_6X6_250")
    corners = measure_board(photograph, layout).boards[0]
    report = measure_board(photograph, layout, [tuple(p) for p in corners.corners_px], u_pick_px=0.3)
    inside = [
        abs(x.value - mm[0]) < 1.96 * x.u and abs(y.value - mm[1]) < 1.96 * y.u
        for (_, x, y), mm in zip(report.points, corners.corners_mm, strict=True)
    ]
    assert np.mean(inside) >= 0.9


def test_single_markers_are_no_board(outside_data):
    """singlemarkersoriginal.jpg of the same set: six loose markers must not be taken for a chessboard."""
    from fitwright.errors import InputError

    with pytest.raises(InputError, match="not in a chessboard layout"):
        measure_board(read_picture(outside_data / "calibration-images" / "singlemarkersoriginal.jpg"), None)


@pytest.fixture
def marks():
    rng = np.random.default_rng(4)
    source = rng.normal(0, 30, (6, 2))
    c, s = np.cos(0.05), np.sin(0.05)
    return source, source @ np.array([[c, -s], [s, c]]).T + [1.3, -0.7] + rng.normal(0, 0.1, (6, 2))


def test_rigid_fit_against_scipy(marks):
    """scipy.spatial.transform.Rotation.align_vectors (BSD-3-Clause) on the centred marks: same turn, same rms."""
    source, target = marks
    fit = rigid_fit(source, target, 0.1)
    lift = [np.column_stack([p - p.mean(axis=0), np.zeros(6)]) for p in (source, target)]
    rotation, distance = Rotation.align_vectors(lift[1], lift[0])
    assert fit.turn_deg == pytest.approx(np.degrees(rotation.as_rotvec()[2]), abs=1e-6)
    assert fit.residual_mm == pytest.approx(distance / np.sqrt(6), abs=1e-6)


def test_rigid_fit_against_scikit_image(marks):
    """skimage.transform.EuclideanTransform (BSD-3-Clause): same turn, same image of every mark."""
    transform = pytest.importorskip("skimage.transform")
    source, target = marks
    fit = rigid_fit(source, target, 0.1)
    theirs = transform.EuclideanTransform()
    estimated = getattr(transform.EuclideanTransform, "from_estimate", None)
    theirs = estimated(source, target) if estimated else theirs
    if not estimated:
        theirs.estimate(source, target)
    assert fit.turn_deg == pytest.approx(np.degrees(theirs.rotation), abs=1e-9)
    assert fit.apply(source) == pytest.approx(theirs(source), abs=1e-9)
