"""`fitwright studio`: the studio in one file, and the room it takes."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer

from fitwright.cli.output import check_target, emit, reports_errors
from fitwright.cli.progress_line import progress_line
from fitwright.cli.serve import StudioOption
from fitwright.cli.visit import JsonFlag
from fitwright.errors import InputError
from fitwright.studio.backup import Contents, check_backup, default_name, make_backup, megabytes, restore
from fitwright.studio.house import open_studio
from fitwright.studio.storage import storage

app = typer.Typer(no_args_is_help=True, help="The studio itself: backup, check, restore, storage.")
FileArgument = Annotated[Path, typer.Argument(help="The backup.")]


@app.command("backup")
@reports_errors
def backup_command(
    target: Annotated[
        Path | None, typer.Argument(help="File to write, or a folder to write it into.")
    ] = None,
    studio: StudioOption = None,
    as_json: JsonFlag = False,
) -> None:
    """Write records, films and photographs to one file; the workbench may be open meanwhile.

    Example: fitwright studio backup /media/stick
    """
    open_studio()
    file = check_target("target", _file(target or Path.cwd()))
    with progress_line() as tell:
        contents = make_backup(file, tell)
    emit(_row(contents) | {"file": str(file)}, as_json, lambda: f"written: {file}\n{_text(contents)}")


@app.command()
@reports_errors
def check(file: FileArgument, as_json: JsonFlag = False) -> None:
    """Read a backup whole and hold every file against its digest.

    Example: fitwright studio check /media/stick/studio-2026-11-26-0900.zip
    """
    with progress_line() as tell:
        contents = check_backup(file, tell)
    emit(_row(contents), as_json, lambda: f"whole: {file}\n{_text(contents)}")


@app.command("restore")
@reports_errors
def restore_command(
    file: FileArgument,
    folder: Annotated[Path, typer.Argument(help="A new or empty folder: nothing is overwritten.")],
    as_json: JsonFlag = False,
) -> None:
    """Put a backup into a new folder, to be opened with --studio.

    Example: fitwright studio restore /media/stick/studio-2026-11-26-0900.zip ~/fitting
    """
    with progress_line() as tell:
        contents = restore(file, folder, tell)
    data = _row(contents) | {"studio": str(folder)}
    emit(data, as_json, lambda: f"{_text(contents)}\nopen it with: fitwright serve --studio {folder}")


@app.command("storage")
@reports_errors
def storage_command(studio: StudioOption = None, as_json: JsonFlag = False) -> None:
    """How much room the studio takes, by what it is.

    Example: fitwright studio storage --json
    """
    open_studio()
    found = storage()
    data = {
        "folder": found.folder, "free_bytes": found.free_bytes, "size_bytes": found.size_bytes,
        "shares": [vars(s) for s in found.shares],
    }  # fmt: skip
    lines = [f"{s.words:34}{s.count:7} {megabytes(s.size_bytes):>10}" for s in found.shares]
    lines.append(
        f"{'all, in ' + found.folder}: {megabytes(found.size_bytes)}; {megabytes(found.free_bytes)} left"
    )
    emit(data, as_json, lambda: "\n".join(lines))


def _file(target: Path) -> Path:
    if target.is_dir():
        return target / default_name()
    if target.suffix != ".zip":
        raise InputError("target", "is neither a folder nor a file ending in .zip", value=str(target))
    return target


def _row(contents: Contents) -> dict[str, Any]:
    return {
        "made_at": contents.made_at, "program": contents.program, "riders": contents.riders,
        "visits": contents.visits, "files": len(contents.files), "size_bytes": contents.size_bytes,
        "outside": contents.outside,
    }  # fmt: skip


def _text(contents: Contents) -> str:
    outside = (
        f"; {contents.outside} recordings lie outside the studio and are not in it"
        if contents.outside
        else ""
    )
    return (
        f"of {contents.made_at}: {contents.riders} riders, {contents.visits} visits, {len(contents.files)} files, "
        f"{megabytes(contents.size_bytes)}{outside}"
    )
