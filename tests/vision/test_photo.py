"""Photographs of the card: found, partly hidden, unusable; any board recognised. All pictures are simulated."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.vision.card import StripLayout, strip_picture
from fitwright.vision.flat import flat_view
from fitwright.vision.photo import (
    card_plane,
    described_board,
    measure_board,
    outside_by_mm,
    plane_quality,
)
from fitwright.vision.picture import Picture
from rendered_sole import Camera, Scene, photograph


def test_card_is_found_and_the_lens_recovered(sole_photo):
    scene, camera, grey = sole_photo
    plane = card_plane(Picture(grey, "sole.png", camera.focal_px))
    assert [len(b.corner_ids) for b in plane.boards] == [24, 24]
    assert plane.rms_px < 0.2
    low, high = plane.k1.interval95
    assert low < -0.05 < high
    assert plane.k1.u < 0.01
    assert plane.distance_mm.value == pytest.approx(camera.distance_mm, rel=0.08)
    a, b = (scene.corners(i) for i in (0, 1))
    true = np.linalg.norm(np.concatenate([a, b])[:, None] - np.concatenate([a, b])[None], axis=2)
    order = np.concatenate([camera.project(a), camera.project(b)])
    seen = plane.to_plane(order).xy_mm
    assert np.abs(np.linalg.norm(seen[:, None] - seen[None], axis=2) - true).max() < 0.1


def test_rectified_picture_shows_the_strip_as_printed(sole_photo):
    _, _, grey = sole_photo
    plane = card_plane(Picture(grey, "sole.png"))
    layout = plane.boards[0].layout
    size = np.array([layout.width_mm, layout.height_mm])
    flat = flat_view(Picture(grey, "sole.png"), plane, np.zeros(2), size, 4.0).grey
    wanted = strip_picture(layout, 4.0)
    assert np.corrcoef(flat.ravel().astype(float), wanted.ravel().astype(float))[0, 1] > 0.93


def test_points_outside_the_strips_are_measured_in_mm(sole_photo):
    _, _, grey = sole_photo
    plane = card_plane(Picture(grey, "sole.png"))
    corners = plane.corners_mm()
    assert outside_by_mm(plane, corners.mean(axis=0)[None])[0] == 0
    far = corners.max(axis=0) + np.array([300.0, 0.0])
    assert outside_by_mm(plane, far[None])[0] > 290


def test_partly_hidden_card_works_with_larger_uncertainty(sole_photo):
    scene, camera, grey = sole_photo
    whole = card_plane(Picture(grey, "sole.png"))
    strip_b_and_half_of_a = ((50.0, -200.0, 130.0, 200.0), (-130.0, -20.0, -40.0, 150.0))
    hidden = Scene(scene.strips, strip_b_and_half_of_a, scene.foot)
    half = card_plane(Picture(photograph(hidden, camera), "half.png"))
    assert 6 <= len(half.corners_mm()) < 16
    point = camera.project(np.array([[30.0, 130.0]]))
    u = [np.sqrt(np.trace(p.to_plane(point, 0.1).covariance_mm2)) for p in (whole, half)]
    assert u[1] > 2 * u[0]


@pytest.mark.parametrize(
    ("spoil", "reason"),
    [
        (lambda g: np.full_like(g, 128), "no scale card found: the picture has hardly any contrast"),
        (lambda g: g // 30, "too dark"),
        (lambda g: np.maximum(g, 250), "overexposed"),
        (lambda g: cv2.GaussianBlur(g, (0, 0), 14), "blurred"),
        (lambda g: np.ascontiguousarray(g[:, ::-1]), "mirrored"),
        (lambda g: np.random.default_rng(0).integers(0, 255, g.shape, dtype=np.uint8), "no scale card found"),
    ],
    ids=["empty", "dark", "overexposed", "blurred", "mirrored", "noise"],
)
def test_photograph_without_usable_card_is_refused_with_the_reason(sole_photo, spoil, reason):
    with pytest.raises(InputError, match=reason):
        card_plane(Picture(spoil(sole_photo[2]), "bad.png"))


@pytest.mark.parametrize("which", ["picture", "one strip"])
def test_mirrored_is_never_accepted(sole_photo, which):
    """From any side the picture is refused when all is mirrored; a strip printed mirrored counts as not there."""
    scene, _, _ = sole_photo
    for tilt, spin in (((0, 0), 90), ((12, -9), 60), ((-15, 6), 200)):
        camera = Camera(k1=-0.05, tilt_deg=tilt, spin_deg=spin, distance_mm=560)
        if which == "picture":
            grey = np.ascontiguousarray(photograph(scene, camera, supersample=1)[:, ::-1])
            with pytest.raises(InputError, match="mirrored"):
                card_plane(Picture(grey, "mirrored.png"))
        else:
            grey = photograph(MirroredStrip(foot="left"), camera, supersample=1)
            plane = card_plane(Picture(grey, "one.png"))
            assert [b.layout.name for b in plane.boards] == ["A"]
            assert any("strip B not found" in n for n in plane_quality(plane)["notes"])


class MirroredStrip(Scene):
    """The scene with strip B printed as in a mirror."""

    def canvas(self, px_per_mm, half_mm):
        canvas = super().canvas(px_per_mm, half_mm)
        x = round((88 + half_mm) * px_per_mm)
        reach = round(39 * px_per_mm)
        canvas[:, x - reach : x + reach] = canvas[:, x - reach : x + reach][:, ::-1]
        return canvas


def test_the_same_strip_twice_is_refused(sole_photo):
    _, _, grey = sole_photo
    with pytest.raises(InputError, match="more than once"):
        card_plane(Picture(np.vstack([grey, grey]), "twice.png"))


# --- any board ---


def board_picture(layout, px_per_mm=4.0):
    flat = strip_picture(layout, px_per_mm, 12.0)
    h, w = flat.shape
    corners = np.float32([[0, 0], [w, 0], [w, h], [0, h]])
    seen = np.float32([[90, 60], [w + 40, 90], [w + 80, h + 70], [50, h + 20]])
    view = cv2.warpPerspective(
        flat, cv2.getPerspectiveTransform(corners, seen), (w + 160, h + 140), borderValue=255
    )
    return Picture(cv2.GaussianBlur(view, (0, 0), 0.7), "board.png")


@pytest.mark.parametrize(
    ("dictionary", "across", "down"),
    [("DICT_4X4_50", 5, 7), ("DICT_6X6_50", 8, 5), ("DICT_7X7_50", 9, 9), ("DICT_5X5_50", 7, 4)],
)
def test_unknown_board_is_recognised(dictionary, across, down):
    report = measure_board(board_picture(StripLayout("board", dictionary, 0, across, down, 20.0, 13.0)), None)
    layout = report.boards[0].layout
    assert (layout.dictionary, layout.squares_across, layout.squares_down) == (dictionary, across, down)
    assert layout.marker_mm == pytest.approx(13 / 20, abs=0.03)
    assert len(report.boards[0].corner_ids) == (across - 1) * (down - 1)
    assert report.unit == "squares"
    assert any("scale unknown" in a for a in report.assumed)


@pytest.mark.parametrize(
    ("layout", "reason"),
    [
        (StripLayout("x", "DICT_6X6_250", 0, 5, 7, 20.0, 14.0), r"another card \(6 × 6 modules\)"),
        (StripLayout("x", "DICT_4X4_50", 0, 5, 7, 20.0, 14.0), r"another card \(4 × 4 modules\)"),
        (StripLayout("x", "DICT_5X5_100", 0, 5, 7, 20.0, 14.0), "numbered or placed otherwise"),
        (StripLayout("x", "DICT_5X5_1000", 40, 3, 13, 20.0, 14.0), "numbered or placed otherwise"),
    ],
    ids=["6x6", "4x4", "our markers in another layout", "other numbers"],
)
def test_another_card_is_named(layout, reason):
    with pytest.raises(InputError, match=reason):
        card_plane(board_picture(layout))


def test_stated_board_gives_mm_and_maps_points():
    picture = board_picture(StripLayout("board", "DICT_4X4_50", 0, 5, 7, 20.0, 13.0))
    layout = described_board("5x7", 20.0, 13.0, "DICT_4X4_50")
    plain = measure_board(picture, layout)
    corner = plain.boards[0].corners_px[9]
    report = measure_board(picture, layout, [tuple(corner)])
    (_, x, y), want = report.points[0], plain.boards[0].corners_mm[9]
    assert abs(x.value - want[0]) < 3 * x.u
    assert abs(y.value - want[1]) < 3 * y.u
    data = report.to_json()
    assert data["corners"] == 24
    assert data["homography_rms_px"] < 0.2
    assert data["boards"][0]["homography_rms_mm"] < 0.1


@pytest.mark.parametrize(
    ("squares", "square", "marker", "dictionary", "field"),
    [
        ("5by7", 20, 13, "DICT_4X4_50", "squares"),
        ("2x7", 20, 13, "DICT_4X4_50", "squares across"),
        ("5x7", -20, 13, "DICT_4X4_50", "square_mm"),
        ("5x7", 20, 25, "DICT_4X4_50", "marker_mm"),
        ("5x7", 20, 13, "DICT_9X9", "dictionary"),
        ("15x15", 20, 13, "DICT_4X4_50", "first_id"),
    ],
)
def test_impossible_boards_are_named(squares, square, marker, dictionary, field):
    with pytest.raises(InputError, match=field):
        described_board(squares, square, marker, dictionary)


def test_our_card_is_tried_first(sole_photo):
    report = measure_board(Picture(sole_photo[2], "sole.png"), None)
    assert report.unit == "mm"
    assert {b.layout.name for b in report.boards} == {"A", "B"}


def test_camera_is_independent_of_the_code_under_test():
    camera = Camera(k1=-0.05, tilt_deg=(5, 3))
    points = np.array([[0.0, 0.0], [100.0, -50.0], [-90.0, 120.0]])
    assert np.abs(camera.plane_of_pixels(camera.project(points)) - points).max() < 1e-6
