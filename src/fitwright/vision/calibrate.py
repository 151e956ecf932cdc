"""Calibrate a camera from several pictures of a flat board.

The fit is OpenCV's (Zhang 2000, IEEE Trans Pattern Anal Mach Intell 22:1330) for square pixels with k1, k2, k3, p1,
p2; the covariance is that of least squares, (JᵀJ)⁻¹ RSS / (2n − parameters), of which OpenCV gives only the diagonal.
Corners are taken in the sensor's frame: pictures held upright and sideways are of one camera.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

import cv2
import numpy as np

from fitwright.errors import InputError, check_range
from fitwright.quantity import Floats
from fitwright.vision.boards import Chessboard, across_and_down, find_boards, find_chessboard
from fitwright.vision.calibration import ADVISED, FEWEST, CameraCalibration, View
from fitwright.vision.card import CardLayout, StripLayout
from fitwright.vision.lens import LENS
from fitwright.vision.picture import Picture

Board = CardLayout | StripLayout | Chessboard
Tell = Callable[[int, str], None]
"""Called with the number of pictures done and the name of the next."""
FLAGS = cv2.CALIB_FIX_ASPECT_RATIO


def calibrate(
    pictures: Iterable[Picture], board: Board, half_window_px: int | None = None, tell: Tell | None = None,
    spoilt: Mapping[str, str] | None = None,
) -> CameraCalibration:  # fmt: skip
    """Calibrate from pictures of one board by one camera at one focal setting.

    Args:
        pictures: read one after the other, so that only one is in memory at a time.
        board: our scale card, a ChArUco board, or a chessboard (with the sub-pixel window `half_window_px`).
        spoilt: pictures that could not even be read (see `readable`), named with those that do not show the board.

    Raises:
        InputError: fewer than three pictures show the board, or they are of different cameras or settings.
    """
    views: list[View] = []
    unusable: dict[str, str] = {}
    one: tuple[str, float | None, tuple[int, int]] | None = None
    for i, picture in enumerate(pictures):
        if tell is not None:
            tell(i, picture.name)
        this = (picture.camera_name, picture.focal_35mm, sensor_size(picture))
        one = one or this
        if this != one:
            raise InputError(
                picture.name, f"is of another camera or setting ({_words(this)}) than the first ({_words(one)})",
                hint="Calibrate one camera at one zoom at a time.",
            )  # fmt: skip
        try:
            views += views_of(picture, board, half_window_px)
        except InputError as error:
            unusable[picture.name] = error.problem
    unusable = {**(spoilt or {}), **unusable}
    found = len({v.picture for v in views})
    if one is None or found < FEWEST:
        reasons = [f"{name}: {why}" for name, why in unusable.items()]
        raise InputError(
            "pictures", "; ".join([f"the board is found in {found} of {found + len(unusable)}", *reasons]),
            allowed=f"at least {FEWEST}, better {ADVISED}",
            hint="Show the whole board in each picture, sharp, from different sides.",
        )  # fmt: skip
    return replace(solve(views, one[2]), camera_name=one[0], focal_35mm=one[1], unusable=unusable)


def readable(sources: Iterable[Callable[[], Picture]], spoilt: dict[str, str]) -> Iterator[Picture]:
    """Pictures as they are read, one by one; what cannot be read goes to `spoilt` with its reason."""
    for read in sources:
        try:
            yield read()
        except InputError as error:
            spoilt[error.field] = error.problem


def leave_out(calibration: CameraCalibration, pictures: Sequence[str]) -> CameraCalibration:
    """The same pictures calibrated again without those named (those left out before come back unless named)."""
    every = (*calibration.views, *calibration.left_out)
    unknown = set(pictures) - {v.picture for v in every}
    if unknown:
        raise InputError("leave_out", "is not one of the pictures", value=", ".join(sorted(unknown)))
    kept = [v for v in every if v.picture not in pictures]
    if len({v.picture for v in kept}) < FEWEST:
        raise InputError("leave_out", "too few pictures would be left", allowed=f"at least {FEWEST}")
    out = tuple(v for v in every if v.picture in pictures)
    solved = solve(kept, calibration.size_px)
    return replace(
        calibration, lens=solved.lens, covariance=solved.covariance, views=solved.views, left_out=out
    )


# --- views ---


def views_of(picture: Picture, board: Board, half_window_px: int | None = None) -> list[View]:
    """The board in one picture (each strip of our card by itself); InputError says why it is not found."""
    if isinstance(board, Chessboard):
        corners = find_chessboard(picture.grey, board, half_window_px)
        if corners is None:
            raise InputError(
                picture.name,
                f"no chessboard of {board.across} x {board.down} inner corners is seen as a whole",
            )
        seen = [("", corners, board.corners_mm())]
    else:
        strips = board.strips if isinstance(board, CardLayout) else (board,)
        seen = [(b.layout.name, b.corners_px, b.corners_mm) for b in find_boards(picture, strips)]
    return [
        View(picture.name, name, on_sensor(picture, px), mm, np.zeros_like(px))
        for name, px, mm in seen
        if len(px) >= 6 and np.linalg.matrix_rank(mm - mm.mean(axis=0)) == 2
    ]


def described_chessboard(squares: str, square_mm: float) -> Chessboard:
    """A chessboard as a user states it by its inner corners, "9x6"."""
    across, down = across_and_down(squares, "9x6")
    return Chessboard(across, down, check_range("square_mm", square_mm, 0.1, 1000, "mm"))


def as_seen(pictures: Iterable[Picture], board: Chessboard) -> Chessboard:
    """The board itself, or the one inside when its squares were counted instead of its inner corners."""
    smaller = Chessboard(board.across - 1, board.down - 1, board.square_mm)
    for picture in pictures:
        for candidate in (board, smaller):
            if (
                min(candidate.across, candidate.down) >= 3
                and find_chessboard(picture.grey, candidate) is not None
            ):
                return candidate
    return board


def sensor_size(picture: Picture) -> tuple[int, int]:
    """(width, height) of the picture as the sensor took it."""
    width, height = picture.size_px
    return (width, height) if picture.turn[0][0] else (height, width)


def on_sensor(picture: Picture, points_px: Floats) -> Floats:
    """(n, 2) points of the upright picture in the sensor's frame."""
    upright, sensor = ((np.array(n) - 1) / 2 for n in (picture.size_px, sensor_size(picture)))
    return np.asarray((points_px - upright) @ np.array(picture.turn) + sensor, dtype=np.float64)


# --- the fit ---


def solve(views: Sequence[View], size_px: tuple[int, int]) -> CameraCalibration:
    """Calibrate from views whose corners are known."""
    solid = [np.column_stack([v.points_mm, np.zeros(len(v.points_mm))]).astype(np.float32) for v in views]
    seen = [v.points_px.astype(np.float32).reshape(-1, 1, 2) for v in views]
    try:
        _, K, d, turns, shifts = cv2.calibrateCamera(solid, seen, size_px, np.eye(3), None, flags=FLAGS)
    except cv2.error:
        raise _no_camera() from None
    fitted, blocks = [], []
    for view, mm, turn, shift in zip(views, solid, turns, shifts, strict=True):
        expected, J = cv2.projectPoints(mm, turn, shift, K, d)
        tilt = math.degrees(math.acos(min(1.0, abs(float(cv2.Rodrigues(turn)[0][2, 2])))))
        fitted.append(replace(view, residuals_px=view.points_px - expected.reshape(-1, 2), tilt_deg=tilt))
        blocks.append(np.asarray(J, dtype=np.float64))
    k1, k2, p1, p2, k3 = np.ravel(d)[:5]
    lens = np.array([math.log(K[0, 0]) if K[0, 0] > 0 else np.nan, K[0, 2], K[1, 2], k1, k2, k3, p1, p2])
    if not np.all(np.isfinite(lens)):
        raise _no_camera()
    covariance = _covariance(blocks, np.concatenate([v.residuals_px for v in fitted]), float(K[0, 0]))
    return CameraCalibration(lens, covariance, size_px, tuple(fitted))


def _covariance(blocks: Sequence[Floats], residuals_px: Floats, focal_px: float) -> Floats:
    """(8, 8) of the lens from each view's Jacobian (2n, 6 + 4 + 5 or more; OpenCV's order), poses eliminated."""
    normal = np.zeros((LENS, LENS))
    for J in blocks:
        pose, fx, fy, cx, cy = J[:, :6], J[:, 6], J[:, 7], J[:, 8], J[:, 9]
        k1, k2, p1, p2, k3 = J[:, 10:15].T
        A = np.column_stack([(fx + fy) * focal_px, cx, cy, k1, k2, k3, p1, p2])
        Q, _ = np.linalg.qr(pose)
        rest = A - Q @ (Q.T @ A)
        normal += rest.T @ rest
    freedom = max(1, residuals_px.size - LENS - 6 * len(blocks))
    scale = 1 / np.sqrt(np.diag(normal))
    inverse = np.linalg.pinv(normal * np.outer(scale, scale), hermitian=True, rcond=1e-12)
    return np.asarray(
        inverse * np.outer(scale, scale) * float(np.sum(residuals_px**2)) / freedom, dtype=np.float64
    )


def _words(one: tuple[str, float | None, tuple[int, int]]) -> str:
    name, focal, (width, height) = one
    return ", ".join([name or "unnamed", *([f"{focal:g} mm"] if focal else []), f"{width} x {height} px"])


def _no_camera() -> InputError:
    return InputError(
        "pictures",
        "do not determine a camera",
        hint="Photograph the board from different sides, tilted 30 to 45°.",
    )
