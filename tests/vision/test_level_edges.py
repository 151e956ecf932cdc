"""Upright and level edges of a drawn room are proposed with their lean; what leans more, or is short, is not."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from fitwright.vision.level_edges import propose_edges

MIDDLE = (960.0, 540.0)


def room(roll_deg: float, lines: list[tuple[float, float, float, float]]) -> np.ndarray:
    """A grey picture with dark strips 14 px wide between (u, v) and (u, v), turned about its middle, with noise."""
    rng = np.random.default_rng(4)
    canvas = np.full((1080, 1920), 150, np.uint8)
    for u1, v1, u2, v2 in lines:
        cv2.line(canvas, (int(u1), int(v1)), (int(u2), int(v2)), 70, 14, cv2.LINE_AA)
    turn = cv2.getRotationMatrix2D(MIDDLE, -roll_deg, 1.0)
    canvas = cv2.warpAffine(canvas, turn, (1920, 1080), borderMode=cv2.BORDER_REPLICATE)
    return np.clip(canvas + rng.normal(0, 3, canvas.shape), 0, 255).astype(np.uint8)


DOOR, SKIRTING, TUBE, SHORT = (
    (300, 120, 300, 900),
    (700, 980, 1800, 980),
    (900, 200, 1100, 820),
    (1500, 100, 1500, 220),
)


@pytest.mark.parametrize("roll", [-2.0, 0.0, 0.8])
def test_door_and_skirting_are_proposed_with_their_lean(roll: float) -> None:
    found = propose_edges(room(roll, [DOOR, SKIRTING, TUBE, SHORT]))
    assert {e.upright for e in found} == {True, False}
    for edge in found:
        assert edge.lean_deg == pytest.approx(roll, abs=0.15)
        assert 0.35 < edge.u_deg < 0.6
    upright = next(e for e in found if e.upright)
    assert set(upright.points) == {"plumb_top", "plumb_bottom"}
    (_, top), (_, bottom) = upright.points["plumb_top"], upright.points["plumb_bottom"]
    assert bottom - top > 320


def test_nothing_is_proposed_where_nothing_is_straight_up() -> None:
    assert propose_edges(room(0.0, [TUBE, SHORT])) == ()
    assert propose_edges(np.full((720, 1280), 90, np.uint8)) == ()


def test_a_badly_set_camera_is_no_level() -> None:
    assert propose_edges(room(7.0, [DOOR])) == ()
