"""`fitwright card`: the printable scale card."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from fitwright.cli.output import check_target, emit, reports_errors, write_whole
from fitwright.errors import InputError
from fitwright.vision.card import SCALE_CARD, card_json

PAPERS = ("a4", "us-letter")


@reports_errors
def card(
    out: Annotated[Path | None, typer.Option(help="Where to write the PDF.")] = None,
    paper: Annotated[str, typer.Option(help="a4 or us-letter.")] = "a4",
    as_json: Annotated[bool, typer.Option("--json", help="Print the card's geometry as JSON.")] = False,
) -> None:
    """Write the scale card as a PDF and print its geometry.

    Print it at 100 %, measure the check bar, cut out both strips and lay one along each side of the sole.

    Example:

        fitwright card --out card.pdf --json
    """
    data = card_json()
    if paper not in PAPERS:
        raise InputError("paper", "unknown", value=paper, allowed=" or ".join(PAPERS))
    if out is not None:
        from fitwright.sheets.card_pdf import scale_card_pdf

        write_whole(check_target("out", out), scale_card_pdf(SCALE_CARD, paper))
        data["file"] = str(out)
    emit(data, as_json, lambda: _text(data))


def _text(data: dict[str, Any]) -> str:
    lines = [f"written: {data['file']}"] if "file" in data else ["give --out card.pdf to write the PDF"]
    for b in data["boards"]:
        lines.append(
            f"strip {b['name']}: {b['squares_across']} x {b['squares_down']} squares of {b['square_mm']:g} mm, "
            f"markers {b['marker_mm']:g} mm, {b['dictionary']} from id {b['first_id']}"
        )
    return "\n".join([*lines, f"check bar: {data['check_bar_mm']:g} mm; measure it after printing"])
