"""How every command answers: text for people, JSON for programs, one line and exit code 2 for bad input."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from functools import wraps
from typing import Any, ParamSpec, TypeVar

import typer

from fitwright.errors import FitwrightError, InputError

P = ParamSpec("P")
R = TypeVar("R")


def emit(data: dict[str, Any], as_json: bool, text: Callable[[], str]) -> None:
    """Print `data` as JSON, or the text that `text()` makes."""
    typer.echo(json.dumps(data, ensure_ascii=False, indent=2) if as_json else text())


def exit_two(error: FitwrightError) -> None:
    """One clear line on standard error, exit code 2."""
    typer.echo(f"fitwright: {error}", err=True)
    sys.exit(2)


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
            exit_two(InputError("file", f"may not be read: {error.filename}"))
        raise AssertionError("unreachable")

    return wrapped
