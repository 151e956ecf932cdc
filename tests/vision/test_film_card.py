"""The scale card held up beside the bike in a film: pictures drawn through a known camera (simulated)."""

from __future__ import annotations

from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from fitwright.errors import InputError
from fitwright.vision.camera import Pinhole
from fitwright.vision.card import SCALE_CARD, strip_picture
from fitwright.vision.film_card import cards_in
from fitwright.vision.rereading import PictureFrame
from fitwright.vision.scale_choice import SURE
from fitwright.vision.video import probe
from fitwright.vision.wheels import KnownSize

SIZE = (1280, 720)
DEPTH_MM = 240.0
LENS = Pinhole("side", (0.0, 550.0, 2200.0), 2400.0, (0.0, 0.0), 4.0, -3.0, 1.0)
STRIP = SCALE_CARD.strips[0]
CORNER_MM = np.array([-150.0, 600.0])  # of the strip's first square, bike frame
DRAWN_PX_PER_MM, MARGIN_MM = 4.0, 8.0


def at_bike(strip_mm: np.ndarray) -> np.ndarray:
    """(n, 3) mm in the bike frame of places on the strip: it is held along the top tube, its width down."""
    x, y = strip_mm.T
    return np.column_stack([CORNER_MM[0] + y, CORNER_MM[1] - (STRIP.width_mm - x), np.full(len(x), DEPTH_MM)])


def picture(held: bool = True) -> np.ndarray:
    """One upright frame, grey 0 to 255: drawn large, smoothed and sampled through the camera."""
    ground = np.tile(np.linspace(90, 150, SIZE[0], dtype=np.float32), (SIZE[1], 1))
    if not held:
        return ground
    flat = strip_picture(STRIP, DRAWN_PX_PER_MM, MARGIN_MM).astype(np.float32)
    corners = np.array([[0, 0], [STRIP.width_mm, 0], [STRIP.width_mm, STRIP.height_mm], [0, STRIP.height_mm]])
    seen = LENS.project(at_bike(corners)) + (np.array(SIZE) - 1) / 2
    drawn = (corners + MARGIN_MM) * DRAWN_PX_PER_MM - 0.5
    to_picture = cv2.getPerspectiveTransform(drawn.astype(np.float32), seen.astype(np.float32))
    soft = cv2.GaussianBlur(flat, (0, 0), 0.45 * DRAWN_PX_PER_MM * LENS.place_mm[2] / LENS.focal_px)
    over = cv2.warpPerspective(soft, to_picture, SIZE, flags=cv2.INTER_LINEAR)
    mask = cv2.warpPerspective(np.ones_like(flat), to_picture, SIZE, flags=cv2.INTER_LINEAR)
    return ground * (1 - mask) + (20 + 0.8 * over) * mask


def film(path: Path, frames: list[np.ndarray], turn: int = 0, bits: int = 8) -> Path:
    """A film of upright frames at 60 per second, stored turned by `turn` degrees, with that said in the file."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("libx264" if bits == 8 else "libx265", rate=60)
        shape = np.rot90(frames[0], turn // 90).shape
        stream.height, stream.width = shape
        stream.pix_fmt, stream.options = (
            ("yuv420p" if bits == 8 else "yuv420p10le"),
            # Two frames are fewer than this coder looks back over: it would leave their order to chance.
            {"crf": "10", "x265-params": "log-level=none:bframes=0"},
        )
        if turn:
            stream.set_display_rotation(-turn)
        for k, upright in enumerate(frames):
            stored = np.ascontiguousarray(np.rot90(upright, turn // 90))
            whole = np.rint(stored * 2 ** (bits - 8)).astype(np.uint8 if bits == 8 else np.uint16)
            grey = av.VideoFrame.from_ndarray(whole, format="gray" if bits == 8 else "gray10le")
            coded = grey.reformat(format=stream.pix_fmt, src_color_range="JPEG", dst_color_range="JPEG")
            coded.pts = k
            out.mux(stream.encode(coded))
        out.mux(stream.encode(None))
    return path


def found_in(path: Path, depth_mm: float = DEPTH_MM, at_s: float = 0.0) -> KnownSize:
    (ruler,) = cards_in(path, at_s, PictureFrame(probe(path), "right"), depth_mm)
    return ruler


@pytest.mark.parametrize(("turn", "bits"), [(0, 8), (90, 8), (180, 8), (270, 8), (0, 10), (90, 10)])
def test_corners_are_where_the_camera_saw_them(tmp_path, turn: int, bits: int) -> None:
    path = film(tmp_path / "a.mp4", [picture()] * 2, turn, bits)
    assert (probe(path).rotation_deg, probe(path).bits) == (turn, bits)
    ruler = found_in(path)
    assert len(ruler.px) == len(STRIP.corners_mm())
    away = ruler.px - LENS.project(at_bike(ruler.mm))
    assert np.sqrt(np.mean(away**2)) < 0.15
    assert abs(ruler.ratio(LENS) - 1) < 2 * ruler.u_ratio(LENS)
    assert "strip A" in ruler.how


def test_held_at_another_distance_than_stated_it_is_no_ruler(tmp_path) -> None:
    """250 mm nearer to the lens than thought, of 1960: 15 % too large, far beyond what it is believed to be."""
    ruler = found_in(film(tmp_path / "a.mp4", [picture()] * 2), DEPTH_MM - 250.0)
    assert ruler.ratio(LENS) == pytest.approx((2200 - DEPTH_MM + 250) / (2200 - DEPTH_MM), rel=0.02)
    assert abs(ruler.ratio(LENS) - 1) > SURE * ruler.u_ratio(LENS)


def test_only_the_frame_with_the_points_is_searched(tmp_path) -> None:
    path = film(tmp_path / "a.mp4", [picture(held=k == 3) for k in range(6)])
    assert len(found_in(path, at_s=3 / 60).px) > 10
    with pytest.raises(InputError, match="no strip of the scale card") as told:
        found_in(path, at_s=0.0)
    assert "length 1 and 2" in str(told.value)


def test_a_card_too_far_away_says_what_to_do(tmp_path) -> None:
    small = cv2.resize(picture(), None, fx=0.2, fy=0.2, interpolation=cv2.INTER_AREA)
    with pytest.raises(InputError, match="squares are too small"):
        found_in(film(tmp_path / "a.mp4", [small[:144, :256]] * 2))


def test_a_moment_after_the_end_is_refused(tmp_path) -> None:
    with pytest.raises(InputError, match="no frame can be read"):
        found_in(film(tmp_path / "a.mp4", [picture()] * 2), at_s=9.0)


def test_a_print_of_another_scale_is_read_as_it_is(tmp_path) -> None:
    """A check bar of 98 mm where 100 were drawn: every length is 2 % shorter."""
    path = film(tmp_path / "a.mp4", [picture()] * 2)
    info = PictureFrame(probe(path), "right")
    (shrunk,) = cards_in(path, 0.0, info, DEPTH_MM, SCALE_CARD.with_check_bar(98.0))
    assert shrunk.ratio(LENS) == pytest.approx(found_in(path).ratio(LENS) / 0.98, rel=1e-6)
