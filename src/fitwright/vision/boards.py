"""Find ChArUco boards in a picture: markers, sub-pixel chessboard corners, and the layout of an unknown board.

Corner coordinates are pixels of the upright picture. Markers are sought in a reduced picture (fast), corners
are refined in the full one.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError, check_range
from fitwright.quantity import Floats
from fitwright.vision.card import StripLayout, charuco_board, marker_dictionary
from fitwright.vision.picture import Grey, Picture, shrunk, why_nothing_is_found

SEARCH_PX = 2000
CHESSBOARD_PX = 1200
FAMILIES = ("DICT_4X4", "DICT_5X5", "DICT_6X6", "DICT_7X7")
SIZES = (50, 100, 250, 1000)
SURE_MARKERS = 6  # so many of one kind are no chance findings in a pattern


@dataclass(frozen=True)
class Markers:
    """Markers of one dictionary: ids (n,) and their corners (n, 4, 2), px, clockwise from top left."""

    dictionary: str
    ids: NDArray[np.int64]
    corners_px: Floats

    def of(self, ids: Sequence[int]) -> Markers:
        """Only those with the given ids."""
        keep = np.isin(self.ids, list(ids))
        return replace(self, ids=self.ids[keep], corners_px=self.corners_px[keep])


@dataclass(frozen=True)
class FoundBoard:
    """A board seen in a picture.

    Attributes: layout; corner_ids (n,); corners_px (n, 2) refined; corners_mm (n, 2) nominal board coordinates;
    marker_ids seen.
    """

    layout: StripLayout
    corner_ids: NDArray[np.int64]
    corners_px: Floats
    corners_mm: Floats
    marker_ids: tuple[int, ...]


def find_markers(grey: Grey, dictionary: str, refined: bool = False) -> Markers:
    """All markers of a dictionary in the picture (px of `grey`); `refined` when their own size matters."""
    small, factor = shrunk(grey, SEARCH_PX)
    parameters = cv2.aruco.DetectorParameters()
    parameters.minMarkerPerimeterRate = 0.015
    if refined:
        parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(marker_dictionary(dictionary), parameters)
    corners, ids, _ = detector.detectMarkers(small)
    if ids is None or len(ids) == 0:
        return Markers(dictionary, np.empty(0, dtype=np.int64), np.empty((0, 4, 2)))
    points = np.asarray(corners, dtype=np.float64).reshape(-1, 4, 2)
    return Markers(dictionary, np.ravel(ids).astype(np.int64), (points + 0.5) / factor - 0.5)


def find_boards(picture: Picture, layouts: Sequence[StripLayout]) -> tuple[FoundBoard, ...]:
    """The boards of one dictionary that show at least four corners, with the reason as InputError when none does."""
    markers = find_markers(picture.grey, layouts[0].dictionary)
    found = boards_of(picture.grey, layouts, markers)
    if not found:
        raise no_board(picture, markers, layouts)
    return found


def boards_of(grey: Grey, layouts: Sequence[StripLayout], markers: Markers) -> tuple[FoundBoard, ...]:
    """The boards that these markers belong to, perhaps none."""
    boards = (_find_corners(grey, layout, markers.of(layout.marker_ids)) for layout in layouts)
    return tuple(b for b in boards if b is not None)


def no_board(picture: Picture, markers: Markers, layouts: Sequence[StripLayout] = ()) -> InputError:
    """Why no board could be used, as an error that says what to do; `markers` are those that were read."""
    flipped = find_markers(np.ascontiguousarray(picture.grey[:, ::-1]), markers.dictionary)
    if len(flipped.ids) > max(3, len(markers.ids)):
        reason = "the picture is mirrored; switch off mirroring in the camera or photograph the print itself"
    else:
        reason = why_nothing_is_found(picture.grey) or _another_card(picture.grey, markers, layouts)
    if not reason and len(markers.ids):
        reason = f"only {len(markers.ids)} marker(s) can be read; show more of the card, flat and in focus"
    return InputError(
        picture.name, f"no scale card found: {reason or 'no marker is visible'}",
        hint="Lay both printed strips flat beside the sole, in its plane, wholly in the picture.",
    )  # fmt: skip


def _another_card(grey: Grey, markers: Markers, layouts: Sequence[StripLayout]) -> str:
    """Words when markers are seen that cannot be of these boards, else ""."""
    if not layouts:
        return ""
    fits = [
        len(mine.ids) < SURE_MARKERS or _fit_layout(mine, x.dictionary, x.squares_across, x.first_id) is not None
        for x in layouts if len((mine := markers.of(x.marker_ids)).ids)
    ]  # fmt: skip
    if len(markers.ids) >= SURE_MARKERS and not (fits and all(fits)):
        return "these markers are numbered or placed otherwise than on our card; print and use our own"
    own = layouts[0].dictionary.rpartition("_")[0]
    for family in (f for f in FAMILIES if f != own):
        if len(find_markers(grey, f"{family}_1000").ids) >= SURE_MARKERS:
            size = family.removeprefix("DICT_").lower().replace("x", " × ")
            return f"the markers are of another card ({size} modules); print and use our own"
    return ""


def _find_corners(grey: Grey, layout: StripLayout, markers: Markers) -> FoundBoard | None:
    if len(markers.ids) < 2:
        return None
    if len(set(markers.ids.tolist())) < len(markers.ids):
        raise InputError(
            f"strip {layout.name}", "appears more than once in the picture (a marker is seen twice)",
            hint="Use one strip A and one strip B of one print.",
        )  # fmt: skip
    corners, ids, _, _ = cv2.aruco.CharucoDetector(charuco_board(layout)).detectBoard(
        grey, markerCorners=[c.astype(np.float32)[None] for c in markers.corners_px],
        markerIds=markers.ids.astype(np.int32).reshape(-1, 1),
    )  # fmt: skip
    if ids is None or len(ids) < 4:
        return None
    rough = np.asarray(corners, dtype=np.float64).reshape(-1, 2)
    corner_ids = np.ravel(ids).astype(np.int64)
    fine = _refine(grey, rough, markers, layout)
    return FoundBoard(
        layout, corner_ids, fine, layout.corners_mm()[corner_ids], tuple(sorted(markers.ids.tolist()))
    )


def _refine(grey: Grey, corners_px: Floats, markers: Markers, layout: StripLayout) -> Floats:
    """Sub-pixel corners; the window stays clear of the markers, whose edges would pull the corner."""
    sides = np.linalg.norm(np.diff(markers.corners_px, axis=1, append=markers.corners_px[:, :1]), axis=2)
    px_per_mm = float(np.median(sides.min(axis=1))) / layout.marker_mm
    half = int(np.clip(0.8 * px_per_mm * (layout.square_mm - layout.marker_mm) / 2, 2, 12))
    return sub_pixel(grey, corners_px, half)


# --- a board that nobody described ---


@dataclass(frozen=True)
class Recognised:
    """A layout that was guessed from the picture, in units of one square, and what was assumed."""

    layout: StripLayout
    assumed: tuple[str, ...]


def recognise(picture: Picture) -> Recognised:
    """Dictionary and layout of a ChArUco board from what is visible (unit: one square).

    The dictionary is the smallest one that holds all ids seen; the number of squares across is the one whose
    chessboard places the markers on a plane best; rows are as few as the ids need.
    """
    seen = max(
        (find_markers(picture.grey, f"{family}_1000", refined=True) for family in FAMILIES),
        key=lambda m: len(m.ids),
    )
    if len(seen.ids) < 4:
        raise no_board(picture, seen)
    family = seen.dictionary.removesuffix("_1000")
    dictionary = next(f"{family}_{n}" for n in SIZES if int(seen.ids.max()) < n)
    candidates = [
        fit
        for across, first in itertools.product(range(3, 16), {0, int(seen.ids.min())})
        if (fit := _fit_layout(seen, dictionary, across, first)) is not None
    ]
    if not candidates:
        raise InputError(
            picture.name, "markers are visible, but not in a chessboard layout that can be recognised",
            hint="Give --squares, --square-mm, --marker-mm and --dictionary.",
        )  # fmt: skip
    rms, layout = min(candidates, key=lambda c: c[0])
    assumed = (
        f"dictionary {dictionary}: the smallest that holds the {len(seen.ids)} ids seen",
        f"{layout.squares_across} x {layout.squares_down} squares, first id {layout.first_id}: places the markers "
        f"best (rms {rms:.3f} squares)",
        f"marker/square = {layout.marker_mm:.3f}, measured in the picture",
        "scale unknown: lengths are in squares (give --square-mm for mm)",
    )
    return Recognised(layout, assumed)


def _fit_layout(
    markers: Markers, dictionary: str, across: int, first_id: int
) -> tuple[float, StripLayout] | None:
    """Rms misfit (in squares) of the marker centres for a hypothetical width, with the layout it implies."""
    index = markers.ids - first_id
    down = next(n for n in itertools.count(2) if across * n // 2 > int(index.max()))
    layout = StripLayout("board", dictionary, first_id, across, max(down, 3), 1.0, 0.5)
    places = np.array(list(layout.white_squares()), dtype=np.float64)[index] + 0.5
    if min(np.ptp(places, axis=0)) == 0:
        return None
    H, _ = cv2.findHomography(markers.corners_px.mean(axis=1), places, cv2.RANSAC, 0.2)
    if H is None:
        return None
    mapped = cv2.perspectiveTransform(markers.corners_px.reshape(-1, 1, 2), H).reshape(-1, 4, 2)
    miss = mapped.mean(axis=1) - places
    rms = float(np.sqrt(np.mean(np.sum(miss**2, axis=1))))
    side = np.linalg.norm(np.diff(mapped, axis=1, append=mapped[:, :1]), axis=2)
    ratio = float(np.median(side))
    return (rms, replace(layout, marker_mm=ratio)) if rms < 0.2 and 0.2 < ratio < 0.98 else None


def homography_errors(board: FoundBoard) -> tuple[Any, Floats, Floats]:
    """Least-squares homography board → picture, its corner errors (n, 2) px, and the same on the board (n, 2) mm."""
    H, _ = cv2.findHomography(board.corners_mm, board.corners_px)
    if H is None:
        raise InputError("corners", "do not span a plane", hint="Show more of the board.")
    seen = cv2.perspectiveTransform(board.corners_mm.reshape(-1, 1, 2), H).reshape(-1, 2)
    back = cv2.perspectiveTransform(board.corners_px.reshape(-1, 1, 2), np.linalg.inv(H)).reshape(-1, 2)
    return H, board.corners_px - seen, back - board.corners_mm


# --- a plain chessboard ---


@dataclass(frozen=True)
class Chessboard:
    """A chessboard without markers: inner corners across and down, side of a square in mm."""

    across: int
    down: int
    square_mm: float

    def corners_mm(self) -> Floats:
        """(n, 2) inner corners, row by row."""
        columns, rows = np.meshgrid(np.arange(self.across), np.arange(self.down))
        return np.column_stack([columns.ravel(), rows.ravel()]).astype(np.float64) * self.square_mm


def find_chessboard(grey: Grey, board: Chessboard, half_window_px: int | None = None) -> Floats | None:
    """(n, 2) its inner corners, px, or None unless all are seen.

    `half_window_px` of the sub-pixel step; by default a third of the shortest side of a square, so that the window
    never reaches a neighbouring corner.
    """
    small, factor = shrunk(grey, CHESSBOARD_PX)
    flags = cv2.CALIB_CB_ADAPTIVE_THRESH | cv2.CALIB_CB_NORMALIZE_IMAGE
    done, corners = cv2.findChessboardCorners(small, (board.across, board.down), flags=flags)
    if not done:
        return None
    rough = (np.asarray(corners, dtype=np.float64).reshape(-1, 2) + 0.5) / factor - 0.5
    grid = rough.reshape(board.down, board.across, 2)
    sides = [np.linalg.norm(np.diff(grid, axis=axis), axis=-1).min() for axis in (0, 1)]
    half = half_window_px or int(np.clip(min(sides) / 3, 2, 12))
    return sub_pixel(grey, rough, half)


def across_and_down(squares: str, example: str) -> tuple[int, int]:
    """How many across and down, as a user states it; InputError, with an example, when it is not that."""
    try:
        across, down = (int(n) for n in squares.lower().split("x"))
    except ValueError:
        raise InputError(
            "squares", "not understood", value=squares, allowed=f"ACROSSxDOWN, for example {example}"
        ) from None
    check_range("squares across", across, 3, 50, "")
    check_range("squares down", down, 3, 50, "")
    return across, down


def sub_pixel(grey: Grey, corners_px: Floats, half_window_px: int) -> Floats:
    """Chessboard corners refined on the grey values around them (OpenCV's `cornerSubPix`)."""
    stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-3)
    start = corners_px.astype(np.float32).reshape(-1, 1, 2)
    fine = cv2.cornerSubPix(grey, start, (half_window_px, half_window_px), (-1, -1), stop)
    return np.asarray(fine, dtype=np.float64).reshape(-1, 2)
