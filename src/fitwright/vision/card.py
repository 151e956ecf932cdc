"""The scale card: two ChArUco strips that lie along both sides of the sole, and a bar to check the printer.

One strip on each side puts known corners around the whole sole, so that nothing has to be extrapolated and
the lens can be estimated from the picture itself. Where the strips lie to each other is not known in advance:
it is estimated from each photograph.

Strip coordinates (mm): origin at the top-left corner of the printed squares, x across, y down the strip, as
seen by somebody who looks at the print. The chessboard starts with a black square at the origin; the white
squares carry the markers, numbered row by row (Garrido-Jurado et al. 2014, Pattern Recognit 47:2280, for the
markers; chessboard combination as in OpenCV's ChArUco).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from fitwright.errors import InputError, check_range
from fitwright.quantity import Floats, Measured

NOT_MEASURED = "check bar not measured"
USUAL_PRINT = 0.03
"""A printer that fits the card to its margins is off by so much; more has another reason (common practice, no
source)."""


@dataclass(frozen=True, slots=True)
class Rect:
    """An axis-parallel rectangle to be filled, mm in strip coordinates; later ones cover earlier ones."""

    x_mm: float
    y_mm: float
    width_mm: float
    height_mm: float
    black: bool


@dataclass(frozen=True, slots=True)
class StripLayout:
    """One ChArUco board.

    Attributes:
        name: what is printed beside it ("A", "B"). dictionary: name of the OpenCV marker dictionary.
        first_id: id of its first marker; the others follow. squares_across, squares_down: number of squares.
        square_mm, marker_mm: nominal sizes (before the print scale).
    """

    name: str
    dictionary: str
    first_id: int
    squares_across: int
    squares_down: int
    square_mm: float
    marker_mm: float

    @property
    def width_mm(self) -> float:
        """Printed width without the white margin."""
        return self.squares_across * self.square_mm

    @property
    def height_mm(self) -> float:
        """Printed length without the white margin."""
        return self.squares_down * self.square_mm

    @property
    def marker_ids(self) -> tuple[int, ...]:
        """The ids it uses, in order of the white squares, row by row."""
        return tuple(range(self.first_id, self.first_id + self.squares_across * self.squares_down // 2))

    def white_squares(self) -> Iterator[tuple[int, int]]:
        """(column, row) of each square that carries a marker, in the order of the ids."""
        for row in range(self.squares_down):
            for column in range(self.squares_across):
                if (row + column) % 2 == 1:
                    yield column, row

    def corners_mm(self) -> Floats:
        """(n, 2) inner chessboard corners in OpenCV's ChArUco order (row by row), nominal mm."""
        columns, rows = np.meshgrid(np.arange(1, self.squares_across), np.arange(1, self.squares_down))
        return np.column_stack([columns.ravel(), rows.ravel()]).astype(np.float64) * self.square_mm

    def marker_corners_mm(self, index: int) -> Floats:
        """(4, 2) corners of the marker number `index` on the strip: top left, then clockwise, nominal mm."""
        column, row = list(self.white_squares())[index]
        gap = (self.square_mm - self.marker_mm) / 2
        x, y, m = column * self.square_mm + gap, row * self.square_mm + gap, self.marker_mm
        return np.array([[x, y], [x + m, y], [x + m, y + m], [x, y + m]])

    def paper_mm(self, margin_mm: float) -> Floats:
        """(4, 2) corners of the print with a white margin all round: top left, then clockwise, nominal mm."""
        w, h, m = self.width_mm, self.height_mm, margin_mm
        return np.array([(-m, -m), (w + m, -m), (w + m, h + m), (-m, h + m)])

    def shapes(self) -> tuple[Rect, ...]:
        """All rectangles to draw on white paper, in painting order (black squares, markers, their bits)."""
        a = self.square_mm
        squares = [
            Rect(column * a, row * a, a, a, True)
            for row in range(self.squares_down)
            for column in range(self.squares_across)
            if (row + column) % 2 == 0
        ]
        markers: list[Rect] = []
        for index, marker_id in enumerate(self.marker_ids):
            x, y = self.marker_corners_mm(index)[0]
            markers += marker_shapes(self.dictionary, marker_id, float(x), float(y), self.marker_mm)
        return tuple(squares + markers)

    def scaled(self, factor: float) -> StripLayout:
        """The same board with all lengths times `factor`."""
        return replace(self, square_mm=self.square_mm * factor, marker_mm=self.marker_mm * factor)

    def to_json(self) -> dict[str, Any]:
        """The board's geometry as programs read it."""
        return {
            "name": self.name, "dictionary": self.dictionary, "first_id": self.first_id,
            "squares_across": self.squares_across, "squares_down": self.squares_down,
            "square_mm": self.square_mm, "marker_mm": self.marker_mm,
        }  # fmt: skip


@dataclass(frozen=True, slots=True)
class CardLayout:
    """The whole card.

    Attributes:
        strips: the boards, one for each side of the sole; their marker ids do not overlap.
        margin_mm: white margin to leave around each strip when it is cut out.
        check_bar_mm: nominal length of the check bar.
        check_bar: its length on paper as measured with a ruler. Until somebody measures it, 100.0 mm with
            u = 0.2 mm stands for what office printers do (common practice, no source).
    """

    strips: tuple[StripLayout, ...]
    margin_mm: float
    check_bar_mm: float
    check_bar: Measured

    @property
    def print_scale(self) -> Measured:
        """True over nominal size."""
        b = self.check_bar
        return Measured(b.value / self.check_bar_mm, b.u / self.check_bar_mm, "1", b.method)

    def with_check_bar(self, measured_mm: float, u_mm: float = 0.1) -> CardLayout:
        """The same card printed so that the check bar measures `measured_mm` (0.1 mm: a good ruler, read once)."""
        hint = "Measure the printed check bar again; if it is so, print the card at 100 %, not fitted to the page."
        value = check_range(
            "check_bar_mm", measured_mm, 0.9 * self.check_bar_mm, 1.1 * self.check_bar_mm, "mm", hint
        )
        return replace(self, check_bar=Measured(value, u_mm, "mm", "check bar measured"))

    @property
    def print_words(self) -> str:
        """What a practitioner should know about how this card was printed, "" when it is as drawn."""
        if not self.measured:
            return f"the printed check bar has not been measured: {self.check_bar_mm:.1f} mm assumed"
        off = self.check_bar.value - self.check_bar_mm
        if abs(off) < self.check_bar.u:
            return ""
        words = (
            f"the check bar measures {self.check_bar.value:.1f} mm instead of {self.check_bar_mm:.0f}: "
            f"all lengths are taken times {self.print_scale.value:.3f}"
        )
        return (
            words
            if abs(off) <= USUAL_PRINT * self.check_bar_mm
            else f"{words}; better print it again at 100 %"
        )

    @property
    def measured(self) -> bool:
        """Whether somebody has measured the check bar."""
        return self.check_bar.method != NOT_MEASURED

    def to_json(self) -> dict[str, Any]:
        """Geometry of all boards and the check bar."""
        return {
            "boards": [s.to_json() for s in self.strips], "check_bar_mm": self.check_bar_mm,
            "check_bar_measured": self.check_bar.to_json(), "margin_mm": self.margin_mm,
        }  # fmt: skip


SCALE_CARD = CardLayout(
    strips=(
        StripLayout("A", "DICT_5X5_100", 0, 3, 13, 20.0, 14.0),
        StripLayout("B", "DICT_5X5_100", 20, 3, 13, 20.0, 14.0),
    ),
    margin_mm=4.0,
    check_bar_mm=100.0,
    check_bar=Measured(100.0, 0.2, "mm", NOT_MEASURED),
)


def card_json(layout: CardLayout = SCALE_CARD) -> dict[str, Any]:
    """What `fitwright card --json` prints."""
    return layout.to_json()


@lru_cache(maxsize=32)
def marker_dictionary(name: str) -> Any:
    """OpenCV's predefined dictionary of this name; InputError for an unknown one."""
    number = getattr(cv2.aruco, name, None) if name.startswith("DICT_") else None
    if not isinstance(number, int):
        known = sorted(n for n in dir(cv2.aruco) if n.startswith("DICT_"))
        raise InputError("dictionary", "not a known marker dictionary", value=name, allowed=", ".join(known))
    return cv2.aruco.getPredefinedDictionary(number)


def marker_bits(dictionary: str, marker_id: int) -> NDArray[np.bool_]:
    """(n + 2, n + 2) modules of a marker with its black border, True = white, row 0 on top."""
    book = marker_dictionary(dictionary)
    side = int(book.markerSize) + 2
    return np.asarray(book.generateImageMarker(marker_id, side, borderBits=1)) > 127


def marker_shapes(dictionary: str, marker_id: int, x_mm: float, y_mm: float, size_mm: float) -> list[Rect]:
    """A marker as one black square and one white rectangle for each horizontal run of white modules."""
    bits = marker_bits(dictionary, marker_id)
    module = size_mm / bits.shape[0]
    shapes = [Rect(x_mm, y_mm, size_mm, size_mm, True)]
    for row, line in enumerate(bits):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], line, [False]]).astype(np.int8)))
        for start, stop in edges.reshape(-1, 2):
            shapes.append(
                Rect(x_mm + start * module, y_mm + row * module, (stop - start) * module, module, False)
            )
    return shapes


def charuco_board(strip: StripLayout) -> Any:
    """The strip as an OpenCV CharucoBoard, lengths in mm."""
    return cv2.aruco.CharucoBoard(
        (strip.squares_across, strip.squares_down), strip.square_mm, strip.marker_mm,
        marker_dictionary(strip.dictionary), np.array(strip.marker_ids, dtype=np.int32),
    )  # fmt: skip


def strip_picture(strip: StripLayout, px_per_mm: float, margin_mm: float = 0.0) -> NDArray[np.uint8]:
    """A flat grey picture of the strip with a white margin (0 black, 255 white), for previews and simulation."""
    size = [round((length + 2 * margin_mm) * px_per_mm) for length in (strip.height_mm, strip.width_mm)]
    picture = np.full(size, 255, dtype=np.uint8)
    for r in strip.shapes():
        x0, y0 = round((r.x_mm + margin_mm) * px_per_mm), round((r.y_mm + margin_mm) * px_per_mm)
        x1 = round((r.x_mm + r.width_mm + margin_mm) * px_per_mm)
        y1 = round((r.y_mm + r.height_mm + margin_mm) * px_per_mm)
        picture[y0:y1, x0:x1] = 0 if r.black else 255
    return picture
