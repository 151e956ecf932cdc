"""`fitwright ride still`: static angles from one picture of the rider on the bike."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from fitwright.cli.output import check_target, reports_errors, write_whole
from fitwright.cli.ride_analyse import SIDE_ROWS
from fitwright.errors import InputError
from fitwright.quantity import format_pm

LABELS = {quantity: label for label, quantity, _ in SIDE_ROWS} | {
    "shoulder_flexion_deg": "arm to trunk", "thigh_to_horizontal_deg": "thigh to level",
}  # fmt: skip


@reports_errors
def still(
    photo: Annotated[Path, typer.Argument(help="The picture, from the side.", show_default=False)],
    points: Annotated[Path, typer.Option(help="Marked points: JSON with points, upright pixels.")],
    side: Annotated[str, typer.Option(help="The side that is seen: left or right.")],
    at: Annotated[str, typer.Option(help="Where the crank stands: bdc, q90, tdc or crank_in_line.")] = "bdc",
    camera_mm: Annotated[float | None, typer.Option(help="Lens to bottom bracket by tape, mm.")] = None,
    thigh_mm: Annotated[float | None, typer.Option(help="Hip to knee by tape, mm.")] = None,
    stance_mm: Annotated[
        float | None, typer.Option(help="Middle of the pedal to the bike's middle, mm.")
    ] = None,
    json_out: Annotated[str | None, typer.Option("--json", help="Write JSON there; - prints it.")] = None,
) -> None:
    """Joint angles of a rider who holds still, from one picture and points marked in it.

    They are static: compare them with static bands only.

    Example: fitwright ride still side.jpg --side right --points side.json --at bdc
    """
    from fitwright.studio.film import Marks
    from fitwright.vision.picture import decode_picture
    from fitwright.vision.scene import Scene
    from fitwright.vision.still_ride import EVENTS, read_still

    try:
        picture = decode_picture(photo.read_bytes(), photo.name)
    except OSError as error:
        raise InputError("photo", f"{photo.name} cannot be read: {error.strerror}") from error
    target = None if json_out in (None, "-") else check_target("json", Path(str(json_out)))
    marks, scene = Marks.read(points), Scene(stance_mm=stance_mm)
    found = read_still(marks.points, picture.size_px, side, at, camera_mm, thigh_mm, scene)
    data = json.dumps(found.to_json(), ensure_ascii=False)
    if json_out == "-":
        typer.echo(data)
        return
    if target is not None:
        write_whole(target, data.encode())
    typer.echo(f"{photo.name}: {side} side, {EVENTS[at]}, held still. Values ± 95 %.\n")
    for name, value in found.quantities.items():
        typer.echo(f"{LABELS[name]:<36}{format_pm(value):>20}")
    for note in found.notes:
        typer.echo(f"\nNote: {note}")
    if target is not None:
        typer.echo(f"\nWritten: {target}")
