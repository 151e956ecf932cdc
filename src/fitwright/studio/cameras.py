"""What a studio knows of its own measuring tools: the printed scale card, and the cameras it has calibrated.

Both are found again by themselves: the newest check bar goes with every photograph, and a camera is recognised by
what its files say of it (name, focal setting, shape of the picture). Nothing is overwritten: a new bar, a picture
left out and a forgotten camera are new rows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from fitwright.errors import InputError, check_range
from fitwright.records.media import path_of
from fitwright.records.models import CameraProfile, HardwareItem, Medium
from fitwright.studio.work import Progress
from fitwright.vision.boards import Chessboard
from fitwright.vision.calibrate import (
    Board,
    as_seen,
    calibrate,
    described_chessboard,
    leave_out,
    readable,
    sensor_size,
)
from fitwright.vision.calibration import CameraCalibration
from fitwright.vision.card import SCALE_CARD, CardLayout
from fitwright.vision.lens import LensPrior
from fitwright.vision.photo import described_board
from fitwright.vision.picture import Picture, decode_picture

CARD, CARD_KEY = "card", "scale-card"
U_RULER_MM = 0.1
"""Standard uncertainty of a 100 mm bar read once with a good ruler (common practice, no source)."""
SAME_SHAPE = 0.005
MOST_PICTURES = 60

# --- the scale card ---


def card_of_studio() -> CardLayout:
    """The scale card as this studio prints it: with the check bar that was measured last."""
    row = _bars().last()
    return SCALE_CARD if row is None else _printed(row.data)


def save_check_bar(measured_mm: float, print_name: str = "", author: str = "") -> CardLayout:
    """Record what the ruler says of the printed check bar; from now on every photograph uses it.

    Raises InputError outside 90 to 110 mm: such a print is of another scale and is made again.
    """
    data = {"check_bar_mm": measured_mm, "u_mm": U_RULER_MM}
    card = _printed(data)
    HardwareItem.objects.create(
        kind=CARD, key=CARD_KEY, label=print_name.strip()[:120] or "scale card", data=data, author=author,
        replaces=_bars().last(),
    )  # fmt: skip
    return card


def check_bars() -> list[HardwareItem]:
    """Every bar that was measured, newest first."""
    return list(HardwareItem.objects.filter(kind=CARD, key=CARD_KEY).order_by("-pk"))


def _bars() -> Any:
    return HardwareItem.objects.current().filter(kind=CARD, key=CARD_KEY, retired=False)


def _printed(data: Mapping[str, Any]) -> CardLayout:
    return SCALE_CARD.with_check_bar(float(data["check_bar_mm"]), float(data["u_mm"]))


# --- cameras ---


@dataclass(frozen=True)
class KnownCamera:
    """A remembered camera: its row and its calibration."""

    row: CameraProfile
    calibration: CameraCalibration

    @property
    def name(self) -> str:
        """What the files call it."""
        return self.row.name or "a camera whose files do not name it"

    @property
    def recognised(self) -> bool:
        """Whether photographs by it are recognised and measured with it."""
        return bool(self.row.name) and self.calibration.usable


def lens_of(picture: Picture) -> LensPrior | None:
    """What is remembered of the lens that took this picture; None for a camera nobody calibrated."""
    camera = camera_of(picture)
    return camera.calibration.prior(picture) if camera else None


def camera_of(picture: Picture) -> KnownCamera | None:
    """The newest remembered camera of the same name, focal setting and shape of picture."""
    if not picture.camera_name:
        return None
    width, height = sensor_size(picture)
    for camera in known_cameras(picture.camera_name):
        w, h = camera.calibration.size_px
        same_shape = abs(w * height - h * width) <= SAME_SHAPE * w * height
        if camera.recognised and same_shape and camera.calibration.focal_35mm == picture.focal_35mm:
            return camera
    return None


def known_cameras(name: str | None = None) -> list[KnownCamera]:
    """Remembered cameras (of that name), newest first; those forgotten are left out."""
    rows = CameraProfile.objects.current().filter(retired=False).order_by("-pk")
    rows = rows if name is None else rows.filter(name=name)
    return [KnownCamera(row, CameraCalibration.from_json(row.data)) for row in rows]


def known_camera(pk: int) -> KnownCamera:
    """One remembered camera; `CameraProfile.DoesNotExist` when there is none or it was replaced."""
    row = CameraProfile.objects.current().get(pk=pk, retired=False)
    return KnownCamera(row, CameraCalibration.from_json(row.data))


def remember(
    calibration: CameraCalibration, replaces: CameraProfile | None = None, author: str = ""
) -> CameraProfile:
    """Keep a calibration."""
    row: CameraProfile = CameraProfile.objects.create(
        name=calibration.camera_name, size_px=list(calibration.size_px), data=calibration.to_json(),
        replaces=replaces, author=author,
    )  # fmt: skip
    return row


def without(camera: KnownCamera, pictures: Sequence[str]) -> CameraProfile:
    """Calibrate again without these pictures (those left out before come back unless named) and remember that."""
    return remember(leave_out(camera.calibration, pictures), camera.row)


def forget(camera: KnownCamera) -> None:
    """Photographs by it are measured without calibration again; the rows stay."""
    row = camera.row
    CameraProfile.objects.create(
        name=row.name, size_px=row.size_px, data=row.data, retired=True, replaces=row
    )


# --- calibrating from uploaded pictures ---


def described(board: Mapping[str, Any]) -> Board:
    """The board as a form states it: `{"kind": "card" | "chessboard" | "charuco", "squares", "square_mm", ...}`."""
    kind = board.get("kind", "card")
    if kind == "card":
        return card_of_studio()
    if kind == "chessboard":
        return described_chessboard(str(board["squares"]), float(board["square_mm"]))
    if kind == "charuco":
        marker = board.get("marker_mm")
        return described_board(
            str(board["squares"]), float(board["square_mm"]), float(marker) if marker else None,
            str(board["dictionary"]),
        )  # fmt: skip
    raise InputError("board", "unknown", value=kind, allowed="card, chessboard, charuco")


def calibrate_media(media: Sequence[Medium], board: Mapping[str, Any], tell: Progress) -> CameraProfile:
    """Calibrate from stored pictures and remember the camera; `tell` hears how far it is."""
    check_range("pictures", len(media), 1, MOST_PICTURES, "")
    wanted, sources = described(board), [partial(_read, m) for m in media]
    if isinstance(wanted, Chessboard):
        wanted = as_seen(readable(sources, {}), wanted)
    spoilt: dict[str, str] = {}
    found = calibrate(
        readable(sources, spoilt), wanted, tell=lambda i, name: tell(i / len(media), name), spoilt=spoilt
    )
    return remember(found)


def _read(medium: Medium) -> Picture:
    return decode_picture(path_of(medium).read_bytes(), medium.name)
