"""The scale card as a printable page: two ChArUco strips, cut lines, a 100 mm bar and three lines of instruction."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import groupby

from fitwright.errors import InputError
from fitwright.sheets.exact import BODY, HAIR, HEAD, TINY, check_bar, exact_laid, page_pen, paragraph
from fitwright.sheets.ink import XY, Pen, num
from fitwright.sheets.print_scale import PrintScale
from fitwright.sheets.typeset import Paper, paper_mm
from fitwright.vision.card import SCALE_CARD, CardLayout, Rect, StripLayout

BLACK, WHITE = "#000000", "#ffffff"
INSTRUCTIONS = (
    "1  Print on stiff, matt paper at 100 %. Measure the bar, write down what you read, and type it in on the page"
    " Card and cameras.",
    "2  Cut along the dashed lines; keep the white margin. Stick each strip flat on something stiff.",
    "3  Lay one strip on each side of the sole, level with it, and take the photograph from straight above with the"
    " whole sole and both strips in view.",
)
COLUMN_GAP_MM = 5.0


def scale_card_pdf(
    layout: CardLayout | None = None, paper: Paper = "a4", scale: PrintScale | None = None
) -> bytes:
    """The card as a one-page PDF, vector and exact; InputError when its strips do not fit the paper."""
    pens = [scale_card_pen(layout or SCALE_CARD, paper)]
    return exact_laid(pens, "Fitwright scale card", "", paper, scale).pdf()


def scale_card_pen(layout: CardLayout, paper: str) -> Pen:
    """The page as a drawing in mm."""
    width, height = paper_mm(paper)
    origins = strip_origins(layout, paper)
    pen = page_pen(paper, "Scale card", "Two marker strips to cut out, a 100 mm bar and instructions.")
    for strip, origin in zip(layout.strips, origins, strict=True):
        _strip(pen, strip, origin, layout.margin_mm)
    x = origins[-1][0] + layout.strips[-1].width_mm + layout.margin_mm + COLUMN_GAP_MM
    room = width - x - 8
    pen.text((x, 18), "Scale card", HEAD, pen.ink.ink)
    y = paragraph(pen, (x, 25), "for the photograph of a sole", BODY, room, pen.ink.soft)
    check_bar(pen, (x, y + 4))
    y += 118
    for words in INSTRUCTIONS:
        y = paragraph(pen, (x, y), words, BODY, room) + 2.2
    s = layout.strips[0]
    facts = (
        f"{s.dictionary.removeprefix('DICT_').replace('_', ' ')} markers, "
        f"{s.squares_across} × {s.squares_down} squares of {s.square_mm:g} mm, "
        f"markers {s.marker_mm:g} mm; first numbers "
        + ", ".join(f"{p.name} {p.first_id}" for p in layout.strips)
    )
    paragraph(pen, (x, height - 24), facts, TINY, room, pen.ink.soft)
    return pen


def strip_origins(layout: CardLayout, paper: str) -> list[XY]:
    """Top-left corner of each strip's squares on the page, mm."""
    width, height = paper_mm(paper)
    m = layout.margin_mm
    tallest = max(s.height_mm for s in layout.strips)
    wide = sum(s.width_mm + 2 * m for s in layout.strips)
    if tallest + 2 * m > height - 8 or wide + 62 > width - 6:
        raise InputError(
            "card", "its strips do not fit the paper", value=f"{wide:g} × {tallest + 2 * m:g} mm",
            allowed=f"at most {width - 68:g} × {height - 8:g} mm",
        )  # fmt: skip
    x, origins = 6.0, []
    for strip in layout.strips:
        origins.append((x + m, (height - strip.height_mm) / 2))
        x += strip.width_mm + 2 * m
    return origins


def _strip(pen: Pen, strip: StripLayout, origin: XY, margin: float) -> None:
    """Squares and markers as a few filled paths, name in the margin, the cut line around it."""
    x, y = origin
    for black, run in groupby(strip_rectangles(strip), key=lambda r: r.black):
        pen.add("path", d=rectangles_path(run, origin), fill=BLACK if black else WHITE)
    outer = [
        (x - margin, y - margin), (x + strip.width_mm + margin, y - margin),
        (x + strip.width_mm + margin, y + strip.height_mm + margin), (x - margin, y + strip.height_mm + margin),
    ]  # fmt: skip
    pen.path(outer, pen.ink.soft, HAIR, close=True, dash="2 1.5")
    pen.text((x + 2, y - 1.1), strip.name, BODY, pen.ink.ink)
    pen.text((x + 2, y + strip.height_mm + 2.9), strip.name, BODY, pen.ink.ink)


def strip_rectangles(strip: StripLayout) -> list[Rect]:
    """The strip's rectangles with all black grounds first: white bits then cover them in one go."""
    shapes = strip.shapes()
    return [r for r in shapes if r.black] + [r for r in shapes if not r.black]


def rectangles_path(shapes: Iterable[Rect], origin: XY) -> str:
    """One path for many rectangles, so that neighbours join without a seam."""
    x0, y0 = origin
    return "".join(
        f"M{num(x0 + r.x_mm, 4)} {num(y0 + r.y_mm, 4)}"
        f"h{num(r.width_mm, 4)}v{num(r.height_mm, 4)}h{num(-r.width_mm, 4)}Z"
        for r in shapes
    )
