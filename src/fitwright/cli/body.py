"""`fitwright body`: table tests of the body, measured in photographs."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from fitwright.body.hanging_photo import HangingPhoto
from fitwright.cli.output import emit, reports_errors
from fitwright.errors import InputError
from fitwright.studio.feet.measure import read_points
from fitwright.studio.hanging_measure import measure_hanging
from fitwright.vision.card import SCALE_CARD
from fitwright.vision.photo import U_PICK_PX

app = typer.Typer(no_args_is_help=True, help="Table tests of the body, measured in photographs.")


@app.callback()
def group() -> None:
    """Keeps `body hanging` a sub-command even while it is the only one."""


@app.command()
@reports_errors
def hanging(
    photo: Annotated[
        Path,
        typer.Argument(help="Photograph from below the foot, upwards along the shank.", show_default=False),
    ],
    side: Annotated[str, typer.Option(help="left or right.")],
    points: Annotated[Path, typer.Option(help="JSON file, name to pixel pair (see above).")],
    no_card: Annotated[bool, typer.Option("--no-card", help="No scale card in view: larger u.")] = False,
    card_at_sole: Annotated[
        bool, typer.Option("--card-at-sole", help="The card is level with the sole: a length is stated too.")
    ] = False,
    line: Annotated[
        str, typer.Option(help="shoe (sole's mid-line) or bare (heel centre to second toe).")
    ] = "shoe",
    knee: Annotated[
        str, typer.Option(help="Knee line along the thigh, or along a straight edge: edge.")
    ] = "thigh",
    check_bar_mm: Annotated[
        float | None, typer.Option(help="Measured length of the printed check bar, mm.")
    ] = None,
    u_pick_px: Annotated[float, typer.Option(help="Standard uncertainty of a pick, px.")] = U_PICK_PX,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Toe-out of a hanging foot from a photograph along the shank and four picked points.

    Points (pixels of the upright picture): heel_centre, toe (bare foot: the second toe), knee_rear and knee_front,
    two points of a line straight ahead through the knee, the rear one nearer to the hip. The file looks like
    {"points": {"heel_centre": \\[900, 760], "toe": \\[860, 310], "knee_rear": \\[905, 1150],
    "knee_front": \\[902, 840]}}

    Example:

        fitwright body hanging left.jpg --side left --points points.json --json

        fitwright body hanging left.jpg --side left --points points.json --line bare --no-card
    """
    if no_card and card_at_sole:
        raise InputError("--card-at-sole", "cannot go with --no-card")
    card = SCALE_CARD if check_bar_mm is None else SCALE_CARD.with_check_bar(check_bar_mm)
    reading = measure_hanging(
        photo, side, read_points(points), line=line, knee=knee, layout=card, u_pick_px=u_pick_px,
        card="none" if no_card else "sole" if card_at_sole else "level",
    )  # fmt: skip
    emit(reading.to_json(), as_json, lambda: _text(reading))


def _text(r: HangingPhoto) -> str:
    lines = [f"{r.side} foot hangs turned out by {r.yaw_deg} ({r.yaw_deg.method})"]
    if r.length_mm:
        lines.append(f"heel to toe {r.length_mm}")
    lines += [f"  of its u: {words} {u:.2f}°" for words, u in r.u_parts_deg.items()]
    return "\n".join(lines + [f"note: {note}" for note in r.notes])
