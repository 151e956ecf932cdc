"""The page a printer is checked with: a bar of 100 mm across and one along the paper, and what to do with them."""

from __future__ import annotations

from fitwright.sheets.exact import (
    BODY,
    CHECK_BAR_MM,
    FINE,
    FULL,
    HEAD,
    TINY,
    check_bar,
    exact_laid,
    page_pen,
    paragraph,
)
from fitwright.sheets.ink import XY, Pen
from fitwright.sheets.typeset import Laid, Paper

STEPS = (
    "Print this page at 100 %, “actual size”, never “fit to page”, on the paper and from the program that the cards "
    "will be printed with.",
    "Let it cool for a minute. Measure both bars from outer edge to outer edge with a steel ruler, to a tenth of a "
    "millimetre if you can.",
    "Write both readings down here, and type them in on the page Printers. Papers that are laid on a shoe are then "
    "drawn for this printer.",
    "Check again when the printer, its driver or the paper changes.",
)


def printer_check(studio: str, paper: Paper = "a4") -> Laid:
    """The check page, always drawn as it is."""
    pen = page_pen(paper, "Printer check", "Two bars of exactly 100 mm, across and along the paper.")
    pen.text((20, 24), "Printer check", HEAD, pen.ink.ink)
    y = 34.0
    for k, words in enumerate(STEPS, 1):
        pen.text((20, y), f"{k}", BODY, pen.ink.ink, bold=True)
        y = paragraph(pen, (25, y), words, BODY, pen.width - 50) + 1.5
    across_bar(pen, (20, y + 8))
    pen.text((20, y + 20), "across: the bar, edge to edge, measures", BODY, pen.ink.ink)
    _field(pen, (78, y + 20))
    check_bar(pen, (20, y + 34), measured_field=False)
    pen.text((34, y + 80), "along: the bar, edge to edge, measures", BODY, pen.ink.ink)
    _field(pen, (92, y + 80))
    for k, words in enumerate(("printer", "paper", "day", "read by")):
        pen.text((34, y + 94 + 9 * k), words, BODY, pen.ink.soft)
        pen.line((60, y + 94 + 9 * k), (128, y + 94 + 9 * k), pen.ink.ink, FINE)
    return exact_laid([pen], "Printer check", studio, paper)


def across_bar(pen: Pen, left: XY) -> None:
    """A level bar of exactly 100 mm from outer edge to outer edge, a tick every 10 mm."""
    x, y = left
    pen.add("rect", x=x, y=y, width=CHECK_BAR_MM, height=FULL, fill=pen.ink.ink)
    for k in range(11):
        long = 5.0 if k in (0, 10) else 3.2 if k == 5 else 2.0
        inset = {0: 0.0, 10: FINE}.get(k, FINE / 2)
        pen.add("rect", x=x + 10.0 * k - inset, y=y, width=FINE, height=long, fill=pen.ink.ink)
    pen.text((x, y + 8), "0", TINY, pen.ink.soft)
    pen.text((x + CHECK_BAR_MM, y + 8), "100 mm", TINY, pen.ink.soft, "end")


def _field(pen: Pen, at: XY) -> None:
    x, y = at
    pen.line((x, y), (x + 24, y), pen.ink.ink, FINE)
    pen.text((x + 25.5, y), "mm", BODY, pen.ink.ink)
