"""Pages drawn at 1:1: the drawing's user unit is the millimetre, the drawing covers the whole page."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import groupby

import segno

from fitwright.errors import InputError
from fitwright.inches import MM, lengths_in
from fitwright.sheets.ink import XY, Pen, num, text_width
from fitwright.sheets.print_scale import UNCHECKED, PrintScale
from fitwright.sheets.typeset import Laid, paper_mm
from fitwright.told import told

CHECK_BAR_MM = 100.0
HAIR, FINE, FULL = 0.12, 0.2, 0.35
TINY, BODY, HEAD = 2.1, 2.6, 4.6


def page_pen(paper: str, title: str, desc: str) -> Pen:
    """A pen over one whole page, 1 unit = 1 mm."""
    width, height = paper_mm(paper)
    return Pen(width, height, title, desc, "paper", decimals=4)


def exact_laid(
    pens: Sequence[Pen], title: str, studio: str, paper: str, scale: PrintScale | None = None
) -> Laid:
    """One page for each pen, exactly as large as the paper; stretched about its middle for a checked printer.

    Raises:
        InputError: the printer is too far off to print anything 1:1.
    """
    width, height = paper_mm(paper)
    if scale is not None and scale.state == "refused":
        raise InputError(
            "printer", f"“{scale.printer}” printed 100 mm as {scale.across_mm:.1f} × {scale.along_mm:.1f} mm",
            allowed="99 to 101 mm",
            hint="Set it to 100 %, “actual size”, print the check page again and type in what the ruler reads",
        )  # fmt: skip
    across, along = scale.factors if scale else (1.0, 1.0)
    pages = [{"svg": pen.svg(), "alt": told(pen.title)} for pen in pens]
    data = {"title": title, "studio": studio, "pages": pages, "width": width, "height": height}
    return Laid("exact", {**data, "across": across, "along": along}, paper)


@lengths_in(MM)  # what a ruler is laid against stays 100 mm
def check_bar(pen: Pen, top: XY, measured_field: bool = True) -> None:
    """An upright bar of exactly 100 mm from outer edge to outer edge, a tick every 10 mm, a line for the reading."""
    x, y = top
    pen.add("rect", x=x, y=y, width=FULL, height=CHECK_BAR_MM, fill=pen.ink.ink)
    for k in range(11):
        long = 5.0 if k in (0, 10) else 3.2 if k == 5 else 2.0
        inset = {0: 0.0, 10: FINE}.get(k, FINE / 2)  # the end ticks stay inside the 100 mm
        pen.add("rect", x=x, y=y + 10.0 * k - inset, width=long, height=FINE, fill=pen.ink.ink)
    pen.text((x + 6.5, y + 2.2), "0", TINY, pen.ink.soft)
    pen.text((x + 6.5, y + CHECK_BAR_MM), "100 mm", TINY, pen.ink.soft)
    if measured_field:
        lines = ("Print at 100 %, never", "“fit to page”. The bar, edge", "to edge, measures")
        for k, words in enumerate(lines):
            pen.text((x + 6.5, y + 40 + 3.9 * k), words, BODY, pen.ink.ink)
        pen.line((x + 6.5, y + 57), (x + 30, y + 57), pen.ink.ink, FINE)
        pen.text((x + 31.5, y + 57), "mm", BODY, pen.ink.ink)


@lengths_in(MM)
def printer_words(pen: Pen, bar: XY, width: float, scale: PrintScale | None) -> None:
    """Beside the check bar: for which printer the page was drawn."""
    x, y = bar
    words = scale.words if scale else UNCHECKED
    paragraph(pen, (x + 6.5, y + 64), words, TINY, width - 8, pen.ink.soft, most=10)


def wrapped(words: str, size: float, width: float, most: int = 99) -> list[str]:
    """The words, told as a whole, in lines no wider than `width`; at most `most`, the last cut with an ellipsis."""
    return list(_wrapped(told(words), size, width, most))


@lru_cache(maxsize=512)
def _wrapped(words: str, size: float, width: float, most: int) -> tuple[str, ...]:
    lines: list[str] = []
    line = ""
    for word in words.split():
        while text_width(word, size) > width and len(word) > 4:  # a word longer than a line is broken
            keep = max(4, int(len(word) * width / text_width(word, size)) - 1)
            lines += [line, word[:keep]] if line else [word[:keep]]
            line, word = "", word[keep:]
        longer = f"{line} {word}".strip()
        if line and text_width(longer, size) > width:
            lines.append(line)
            longer = word
        line = longer
    lines += [line] if line else []
    return tuple(lines) if len(lines) <= most else (*lines[: most - 1], lines[most - 1][:-1] + "…")


def paragraph(
    pen: Pen, at: XY, words: str, size: float, width: float, color: str = "", most: int = 99
) -> float:
    """Wrapped words from the baseline `at`; returns the y below them."""
    x, y = at
    lines = wrapped(words, size, width, most)
    for k, line in enumerate(lines):
        pen.text((x, y + 1.42 * size * k), line, size, color or pen.ink.ink)
    return y + 1.42 * size * len(lines)


def draw_qr(pen: Pen, at: XY, text: str, side: float) -> None:
    """The text as a QR symbol of the given side, mm; nothing for no text or more than a symbol holds."""
    if d := _qr_path(text, at, side):
        pen.add("path", d=d, fill=pen.ink.ink)


@lru_cache(maxsize=64)
def _qr_path(text: str, at: XY, side: float) -> str:
    """The outline of the dark runs, row by row; "" where there is no symbol."""
    rows = _modules(text) if text else ()
    x, y = at
    cell = side / max(len(rows), 1)
    runs = []
    for k, row in enumerate(rows):
        start = 0
        for dark, cells in groupby(row):
            count = len(list(cells))
            if dark:
                left, top = num(x + start * cell, 4), num(y + k * cell, 4)
                runs.append(f"M{left} {top}h{num(count * cell, 4)}v{num(cell, 4)}h{num(-count * cell, 4)}Z")
            start += count
    return "".join(runs)


def _modules(text: str) -> tuple[bytes, ...]:
    """The symbol's rows, 1 for dark; none for more than a symbol holds."""
    try:
        return tuple(bytes(r) for r in segno.make(text, error="m", micro=False).matrix)
    except segno.DataOverflowError:
        return ()
