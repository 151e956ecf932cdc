"""A photograph in which the card was found may still be a bad one: which way, and what to do."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from fitwright.quantity import Floats
from fitwright.vision.boards import FoundBoard
from fitwright.vision.find_lines import STEP_PX, edge_profiles
from fitwright.vision.picture import Picture
from fitwright.vision.plane import CardPlane, place

SOFT_MM, SOFT_PX = 0.28, 2.0
"""Standard deviation of an edge's spread from which the picture counts as soft (both must be exceeded)."""
MARGIN_MM, COVERED_MM = 2.0, 6
"""Where in a strip's white margin it is looked at, from the print; and how much of a side must be dark."""
DARK, BURNT, FLAT = 85.0, 252.0, 60.0
"""Grey levels of 255: white paper below, white paper above, and white less black below which light is bad."""


@dataclass(frozen=True)
class CardLight:
    """How the card's edges look: grey levels of white and black, and the edges' spread (standard deviation), px."""

    white: float
    black: float
    spread_px: float


def card_light(picture: Picture, plane: CardPlane) -> CardLight:
    """From the chessboard's edges between neighbouring corners, median over all."""
    parts = [_edges(b) for b in plane.boards]
    base, normal = (np.concatenate([p[k] for p in parts]) for k in (0, 1))
    reach = 0.09 * plane.boards[0].layout.square_mm * plane.px_per_mm
    profile = edge_profiles(picture.grey, base, normal, reach, 2.0)
    rising = np.where((profile[:, -1] < profile[:, 0])[:, None], profile[:, ::-1], profile)
    end = max(2, round(1.0 / STEP_PX))
    white, black = (float(np.median(p)) for p in (rising[:, -end:], rising[:, :end]))
    slope = np.gradient(rising, STEP_PX, axis=1).max(axis=1)
    step = np.maximum(rising[:, -end:].mean(axis=1) - rising[:, :end].mean(axis=1), 1.0)
    return CardLight(
        white, black, float(np.median(step / np.maximum(slope, 1e-6))) / float(np.sqrt(2 * np.pi))
    )


def _edges(board: FoundBoard) -> tuple[Floats, Floats]:
    """Middles (n, 2) of the edges between neighbouring corners, px, and unit normals (n, 2)."""
    at = dict(zip(board.corner_ids.tolist(), board.corners_px, strict=True))
    across = board.layout.squares_across - 1
    pairs = [(i, i + 1) for i in at if (i + 1) % across and i + 1 in at]
    pairs += [(i, i + across) for i in at if i + across in at]
    a, b = (np.array([at[p[k]] for p in pairs]).reshape(-1, 2) for k in (0, 1))
    along = (b - a) / np.maximum(np.hypot(*(b - a).T), 1e-9)[:, None]
    return (a + b) / 2, np.column_stack([-along[:, 1], along[:, 0]])


def photo_doubts(picture: Picture, plane: CardPlane) -> tuple[str, ...]:
    """What is wrong with light and sharpness, each with what to do; empty for a good picture."""
    light = card_light(picture, plane)
    doubts = []
    if light.spread_px > max(SOFT_PX, SOFT_MM * plane.px_per_mm):
        doubts.append(
            f"the picture is blurred (edges spread over {4 * light.spread_px:.0f} px): hold still, tap on the sole "
            "to focus, use more light"
        )
    if light.white > BURNT:
        doubts.append(
            "the picture is overexposed: white paper is burnt out and its edges move; use less light"
        )
    elif light.white < DARK:
        doubts.append(
            "the picture is dark: use more light, or tap on the sole so that the camera exposes for it"
        )
    elif light.white - light.black < FLAT:
        doubts.append("the picture has little contrast: wipe the lens, keep lamps and windows out of it")
    doubts.extend(
        f"something lies over the edge of strip {board.layout.name}: move the strip 10 mm away from the sole"
        for i, board in enumerate(plane.boards)
        if _covered(picture, plane, i, 0.7 * light.black + 0.3 * light.white)
    )
    return tuple(doubts)


def _covered(picture: Picture, plane: CardPlane, index: int, dark: float) -> bool:
    """Whether the white margin of a strip is dark along 6 mm or more of a side, but not along most of it (then it was
    cut off)."""
    corners = plane.boards[index].layout.paper_mm(MARGIN_MM)
    for a, b in pairwise([*corners, corners[0]]):
        n = int(np.hypot(*(b - a)))
        mm = place(
            (a + np.linspace(0.02, 0.98, n)[:, None] * (b - a)) * plane.print_scale.value,
            plane.parameters,
            index,
        )
        uv = plane.to_picture(mm).astype(np.float32)
        seen = cv2.remap(picture.grey, uv[:, :1], uv[:, 1:], cv2.INTER_LINEAR, borderValue=255)[:, 0]
        if COVERED_MM <= int(np.sum(seen < dark)) < 0.6 * n:
            return True
    return False
