"""The printed scale card in a film: held beside the bike in the marked frame, it is one more ruler."""

from __future__ import annotations

from itertools import islice
from pathlib import Path

import numpy as np

from fitwright.errors import InputError
from fitwright.vision.boards import boards_of, find_markers
from fitwright.vision.card import SCALE_CARD, CardLayout
from fitwright.vision.rereading import PictureFrame
from fitwright.vision.video import luma_frames, turned_upright
from fitwright.vision.wheels import KnownSize

U_CORNER_PX = 0.1
"""Standard uncertainty of a chessboard corner in a film (our choice)."""


def cards_in(
    video: Path, at_s: float, frame: PictureFrame, depth_mm: float, card: CardLayout = SCALE_CARD
) -> tuple[KnownSize, ...]:
    """The card's strips in the frame at `at_s`, held `depth_mm` beside the mid-plane, as rulers.

    Raises:
        InputError: no strip can be read there.
    """
    start = max(0.0, at_s - 1e-3)
    found = next(islice(luma_frames(video, start), 1), None)
    if found is None:
        raise InputError("card", "no frame can be read where the points are marked", value=at_s)
    upright = turned_upright(found.luma, frame.info)
    grey = np.asarray(upright // 2 ** (frame.info.bits - 8), dtype=np.uint8)
    boards = boards_of(grey, card.strips, find_markers(grey, card.strips[0].dictionary))
    if not boards:
        raise InputError("card", "no strip of the scale card can be read in the frame with the points",
                         hint="Its squares are too small at this distance, or it is hidden: mark the ends of a strip "
                         "as length 1 and 2 instead and give their distance")  # fmt: skip
    scale = card.print_scale
    return tuple(
        KnownSize(f"scale card, strip {b.layout.name}", frame.from_centre(b.corners_px), b.corners_mm * scale.value,
                  depth_mm, float(np.ptp(b.corners_mm)) * scale.u, U_CORNER_PX)
        for b in boards
    )  # fmt: skip
