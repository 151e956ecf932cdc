"""Measure in a photograph: the plane of our scale card, or any ChArUco board, with errors that are stated."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

from fitwright.errors import check_range
from fitwright.quantity import Floats, Measured
from fitwright.vision.boards import (
    FoundBoard,
    across_and_down,
    boards_of,
    find_boards,
    find_markers,
    homography_errors,
    recognise,
)
from fitwright.vision.card import SCALE_CARD, CardLayout, StripLayout, marker_dictionary
from fitwright.vision.lens import LensPrior
from fitwright.vision.picture import Picture
from fitwright.vision.plane import CardPlane
from fitwright.vision.plane_fit import fit_plane
from fitwright.vision.twist import twist_of

U_PICK_PX = 0.7
"""Standard uncertainty of a hand-picked coordinate (loupe, common practice, no source)."""


def card_plane(picture: Picture, card: CardLayout = SCALE_CARD, lens: LensPrior | None = None) -> CardPlane:
    """The plane of our own scale card in a picture. Raises InputError when it cannot be found or fitted.

    `lens`: what a calibration knows of this camera; without it the picture's own focal length, or a phone's usual.
    """
    boards = find_boards(picture, card.strips)
    prior = lens or LensPrior.of_picture(picture.size_px, picture.focal_px)
    return fit_plane(boards, picture.size_px, prior, card.print_scale)


def plane_quality(plane: CardPlane, card: CardLayout = SCALE_CARD) -> dict[str, Any]:
    """What a practitioner should know about the fit, with notes in words."""
    per_strip = {b.layout.name: len(b.corner_ids) for b in plane.boards}
    rms = {
        b.layout.name: float(np.sqrt(np.mean(np.sum(homography_errors(b)[1] ** 2, axis=1))))
        for b in plane.boards
    }
    return {
        "corners": sum(per_strip.values()), "corners_by_strip": per_strip, "outliers": plane.dropped,
        "fit_rms_px": plane.rms_px, "homography_rms_px": max(rms.values()), "homography_rms_px_by_strip": rms,
        "px_per_mm": plane.px_per_mm, "camera_distance_mm": plane.distance_mm.to_json(),
        "lens_k1": plane.k1.to_json(), "lens_model": f"pinhole, k1 k2 fitted; {plane.prior.source}",
        "print_scale": plane.print_scale.to_json(), "size_px": list(plane.size_px),
        "notes": _notes(plane, card, per_strip),
    }  # fmt: skip


def _notes(plane: CardPlane, card: CardLayout, per_strip: Mapping[str, int]) -> list[str]:
    notes = []
    for strip in card.strips:
        all_corners = (strip.squares_across - 1) * (strip.squares_down - 1)
        seen = per_strip.get(strip.name, 0)
        if seen == 0:
            notes.append(f"strip {strip.name} not found: measured from one strip, less sure away from it")
        elif seen < all_corners:
            notes.append(f"strip {strip.name}: {seen} of {all_corners} corners seen")
    twist = twist_of(plane)
    if twist is not None and twist.matters:
        notes.append(f"{twist.words}: lay both flat in one plane")
    elif plane.rms_px / plane.px_per_mm > 0.15:
        notes.append("the strips do not lie quite flat in one plane")
    return [*notes, card.print_words] if card.print_words else notes


def outside_by_mm(plane: CardPlane, points_mm: Floats) -> Floats:
    """(n,) how far each point of the plane lies outside the area spanned by the card's corners (0 inside)."""
    hull = cv2.convexHull(plane.corners_mm().astype(np.float32))
    signed = [cv2.pointPolygonTest(hull, (float(x), float(y)), True) for x, y in points_mm]
    return np.maximum(0.0, -np.array(signed, dtype=np.float64))


# --- any ChArUco board ---


@dataclass(frozen=True)
class BoardReport:
    """A board measured in a picture: the fit, what was assumed, and mapped points."""

    plane: CardPlane
    boards: tuple[FoundBoard, ...]
    unit: str
    assumed: tuple[str, ...]
    points: tuple[tuple[tuple[float, float], Measured, Measured], ...]

    def to_json(self) -> dict[str, Any]:
        """Everything: per board the homography's corner errors, the camera fit, the points."""
        entries = [_board_json(b, self.unit) for b in self.boards]
        rms = float(np.sqrt(np.mean([e["error_px"] ** 2 for b in entries for e in b["corner_errors"]])))
        return {
            "markers": sum(b["markers"] for b in entries), "corners": sum(b["corners"] for b in entries),
            "homography_rms_px": rms, "unit": self.unit, "boards": entries, "assumed": list(self.assumed),
            "camera": {
                "fit_rms_px": self.plane.rms_px, "lens_k1": self.plane.k1.to_json(),
                "distance": self.plane.distance_mm.to_json() | {"unit": self.unit},
                "prior": self.plane.prior.source, "outliers": self.plane.dropped,
            },
            "points": [
                {"pixel": list(uv), "x": x.to_json(), "y": y.to_json()} for uv, x, y in self.points
            ],
            "size_px": list(self.plane.size_px),
        }  # fmt: skip


def _board_json(board: FoundBoard, unit: str) -> dict[str, Any]:
    H, miss_px, miss_mm = homography_errors(board)
    rows = zip(board.corner_ids.tolist(), board.corners_px, miss_px, board.corners_mm, miss_mm, strict=True)
    errors = [
        {
            "id": i, "pixel": uv.tolist(), "error_px": float(np.hypot(*e)), "error_uv_px": e.tolist(),
            f"board_{unit}": mm.tolist(), f"error_{unit}": float(np.hypot(*d)), f"error_xy_{unit}": d.tolist(),
        }
        for i, uv, e, mm, d in rows
    ]  # fmt: skip
    return board.layout.to_json() | {
        "markers": len(board.marker_ids), "corners": len(errors), "homography": H.tolist(),
        "homography_rms_px": float(np.sqrt(np.mean(np.sum(miss_px**2, axis=1)))),
        f"homography_rms_{unit}": float(np.sqrt(np.mean(np.sum(miss_mm**2, axis=1)))), "corner_errors": errors,
    }  # fmt: skip


def described_board(
    squares: str, square_mm: float, marker_mm: float | None, dictionary: str, first_id: int = 0
) -> StripLayout:
    """A layout as a user states it, "5x7" squares; InputError names what cannot be."""
    across, down = across_and_down(squares, "5x7")
    check_range("square_mm", square_mm, 1, 500, "mm")
    marker = check_range(
        "marker_mm", marker_mm if marker_mm else 0.5 * square_mm, 0.2 * square_mm, 0.98 * square_mm, "mm"
    )
    size = len(np.asarray(marker_dictionary(dictionary).bytesList))
    check_range("first_id", first_id, 0, size - across * down // 2, f"({dictionary} holds {size} markers)")
    return StripLayout("board", dictionary, first_id, across, down, square_mm, marker)


def measure_board(
    picture: Picture, layout: StripLayout | None, points_px: Sequence[tuple[float, float]] = (),
    square_mm: float | None = None, u_pick_px: float = U_PICK_PX,
) -> BoardReport:  # fmt: skip
    """Find a board, rectify, report corner errors and map points.

    Without a layout our own card is tried first, then dictionary and layout are recognised from the picture;
    what was assumed is said, and lengths are in squares unless `square_mm` is given.
    """
    inside = [picture.check_inside(f"point {i + 1}", p) for i, p in enumerate(points_px)]
    boards, scale, unit, assumed = _which_board(picture, layout, square_mm)
    plane = fit_plane(boards, picture.size_px, LensPrior.of_picture(picture.size_px, picture.focal_px), scale)
    mapped = []
    if inside:
        points = plane.to_plane(np.array(inside), u_pick_px)
        u = np.sqrt(np.diag(points.covariance_mm2)).reshape(-1, 2)
        for uv, xy, s in zip(inside, points.xy_mm, u, strict=True):
            x, y = (
                Measured(float(xy[k]), float(s[k]), unit, "picked, camera and lens fitted") for k in (0, 1)
            )
            mapped.append((uv, x, y))
    return BoardReport(plane, boards, unit, assumed, tuple(mapped))


def _which_board(
    picture: Picture, layout: StripLayout | None, square_mm: float | None
) -> tuple[tuple[FoundBoard, ...], Measured, str, tuple[str, ...]]:
    stated = Measured(1.0, 0.0, "1", "square size as stated")
    if layout is not None:
        return find_boards(picture, (layout,)), stated, "mm", ()
    strips = SCALE_CARD.strips
    own = boards_of(picture.grey, strips, find_markers(picture.grey, strips[0].dictionary))
    if own:
        return own, SCALE_CARD.print_scale, "mm", ("our own scale card, check bar not measured",)
    guess = recognise(picture)
    boards = find_boards(picture, (guess.layout.scaled(square_mm or 1.0),))
    notes = guess.assumed if square_mm is None else guess.assumed[:-1]
    return boards, stated, "squares" if square_mm is None else "mm", notes
