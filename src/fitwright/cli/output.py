"""How every command answers: text for people, JSON for programs, one line and exit code 2 for bad input."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, ParamSpec, TypeVar

import typer
from typer.core import TyperGroup

from fitwright.errors import FitwrightError, InputError
from fitwright.given import json_in

P = ParamSpec("P")
R = TypeVar("R")
INTERRUPTED = 130


def emit(data: dict[str, Any], as_json: bool, text: Callable[[], str]) -> None:
    """Print `data` as JSON, or the text that `text()` makes."""
    typer.echo(json.dumps(data, ensure_ascii=False, indent=2) if as_json else text())


def exit_two(error: FitwrightError) -> None:
    """One clear line on standard error, exit code 2."""
    typer.echo(f"fitwright: {error}", err=True)
    sys.exit(2)


class Commands(TyperGroup):
    """The commands; a mistake in how they are called is one line too, not a box of several."""

    def main(self, *args: Any, standalone_mode: bool = True, **extra: Any) -> Any:
        """Run; see `typer.core.TyperGroup.main`."""
        if not standalone_mode:
            return super().main(*args, standalone_mode=False, **extra)
        try:
            code = super().main(*args, standalone_mode=False, **extra)
        except typer.Abort:
            code = INTERRUPTED
        except typer.TyperException as error:
            code = error.exit_code
            if said := " ".join(error.format_message().split()):
                typer.echo(f"fitwright: {said.removesuffix('.')}{_where_to_look(error)}", err=True)
        if code == INTERRUPTED:
            typer.echo("fitwright: interrupted; what was finished is kept", err=True)
        sys.exit(code if isinstance(code, int) else 0)


def _where_to_look(error: typer.TyperException) -> str:
    """The help of the command that was meant."""
    context = getattr(error, "ctx", None)
    return f". See: {context.command_path} --help" if context is not None else ""


def read_json(what: str, most: int, path: Path | None = None) -> dict[str, Any]:
    """The JSON object on standard input, or in a file; anything else is refused in one line.

    Args:
        what: what it should be, in words. most: characters that are read at most.
    """
    field = "standard input" if path is None else path.name
    try:
        if path is None:
            text = sys.stdin.read(most + 1)
        else:
            with path.open(encoding="utf-8") as file:
                text = file.read(most + 1)
    except UnicodeDecodeError as error:
        raise InputError(field, "is not text", allowed=f"{what} in UTF-8") from error
    if not text.strip():
        raise InputError(field, "is empty", allowed=what)
    if len(text) > most:
        raise InputError(field, "is too long", allowed=f"{most} characters")
    try:
        data = json_in(text)
    except ValueError as error:
        where = f": {error.msg}, line {error.lineno}" if isinstance(error, json.JSONDecodeError) else ""
        raise InputError(field, f"is not JSON{where}") from error
    if not isinstance(data, dict):
        raise InputError(field, "is not a JSON object", allowed=what)
    return data


def two_numbers(field: str, text: str, allowed: str) -> tuple[float, float]:
    """ "A,B" as two floats; InputError with what is allowed."""
    try:
        a, b = (float(part) for part in text.split(","))
    except ValueError:
        raise InputError(field, "not understood", value=text, allowed=allowed) from None
    return a, b


def check_target(field: str, path: Path) -> Path:
    """The file to be written; InputError before long work when it cannot be."""
    if path.is_dir():
        raise InputError(field, f"{path} is a folder", allowed="the name of a file")
    if not path.parent.is_dir():
        raise InputError(field, f"there is no folder {path.parent}", hint="Make it first")
    return path


def write_whole(path: Path, data: bytes) -> None:
    """Write a file whole or not at all."""
    part = path.with_name(f".{path.name[:80]}.part")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise OSError(error.errno, error.strerror, str(path)) from error


def reports_errors(command: Callable[P, R]) -> Callable[P, R]:
    """Decorate a command so that bad input ends in one line and exit code 2, never in a traceback."""

    @wraps(command)
    def wrapped(*args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return command(*args, **kwargs)
        except InputError as error:
            exit_two(error)
        except FileNotFoundError as error:
            exit_two(InputError("file", f"not found: {error.filename}"))
        except IsADirectoryError as error:
            exit_two(InputError("file", f"is a folder: {error.filename}"))
        except PermissionError as error:
            exit_two(InputError("file", f"may not be read or written: {error.filename}"))
        except OSError as error:  # a full disk, a name too long, a file where a folder should be
            if error.filename is None:
                raise
            exit_two(InputError("file", f"{error.strerror or error}: {error.filename}"))
        raise AssertionError("unreachable")

    return wrapped
