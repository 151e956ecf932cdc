"""`fitwright ride export`: points and angles of a ride as CSV, C3D or Parquet."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from fitwright.cli.output import check_target, emit, reports_errors, write_whole
from fitwright.errors import InputError
from fitwright.given import read_json

StudioOption = Annotated[  # as everywhere; that of `serve` would bring the whole server along
    Path | None,
    typer.Option("--studio", help="Folder of the studio (default: this user's data folder)."),
]


@reports_errors
def export(
    source: Annotated[
        Path | None,
        typer.Argument(
            help="JSON of ride analyse or ride import, or a marker recording; not with --visit.",
            show_default=False,
        ),
    ] = None,
    out: Annotated[Path | None, typer.Option("--out", help="File to write: .csv, .c3d or .parquet.")] = None,
    visit: Annotated[
        int | None, typer.Option(help="Number of the visit (see: fitwright visit list).")
    ] = None,
    ride: Annotated[str, typer.Option(help='Which ride of the visit, e.g. "side right before".')] = "",
    by: Annotated[str, typer.Option(help="time, or crank for the mean turn.")] = "time",
    raw: Annotated[bool, typer.Option("--raw", help="Points as they were seen, not smoothed.")] = False,
    columns: Annotated[Path | None, typer.Option("--map", help="For a table: which column is which.")] = None,
    crank_mm: Annotated[
        float | None, typer.Option(help="Crank length, mm; only for a table of two axes.")
    ] = None,
    studio: StudioOption = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Write points and angles of a ride, with units, axes, signs and origin in the header.

    Example: fitwright ride export --visit 1 --ride "side right before" --out ride.csv
    """
    from fitwright.studio import motion_export

    if out is None:
        raise InputError("out", "is missing", allowed="a file that ends in .csv, .c3d or .parquet")
    target, kind = check_target("out", out), out.suffix.lower().lstrip(".")
    if (source is None) == (visit is None):
        raise InputError("visit", "give either a file or --visit")
    if visit is not None:
        from fitwright.cli.visit import visit_of

        one = visit_of(visit)
        known = motion_export.labels(one)
        label = ride or (known[0] if len(known) == 1 else "")
        data = motion_export.export_visit(one, label, kind, by, not raw)
    else:
        told = _read(Path(str(source)), columns, crank_mm)
        data = motion_export.export(told, kind, by, not raw, {"source": Path(str(source)).name})
    write_whole(target, data)
    said = {"written": str(target), "format": kind, "bytes": len(data)}
    emit(said, as_json, lambda: f"Written: {target}")


def columns_in(path: Path | None) -> Any:
    """The map of a table's columns, or None."""
    from fitwright.vision.csv_motion import ColumnMap

    if path is None:
        return None
    return ColumnMap.from_json(read_json("map", path))


def _read(path: Path, columns: Path | None, crank_mm: float | None) -> Any:
    """A ride from a file: one that was analysed, or a recording that is analysed now."""
    from dataclasses import replace

    from fitwright.studio.markers import analyse_markers
    from fitwright.studio.motion_export import ride_in

    if path.suffix.lower() == ".json":
        return ride_in(path)
    result = analyse_markers(path, columns=columns_in(columns), crank_mm=crank_mm)
    return replace(result.ride, trajectories=result.trajectories)
