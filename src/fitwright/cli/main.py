"""`fitwright`: the same use cases as the pages, one group of commands per station."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path

import django
import typer
from django.core.exceptions import ImproperlyConfigured

from fitwright.cli.output import Commands, exit_two
from fitwright.errors import InputError

app = typer.Typer(
    name="fitwright", cls=Commands, no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False,
    help="A workbench for the person who fits cyclists to their bicycles. The commands follow the visit.",
)  # fmt: skip

COMMANDS = {
    "serve": "serve", "demo": "demo", "visit": "", "card": "card", "photo": "", "body": "", "feet": "",
    "ride": "", "twin": "", "plan": "", "studio": "",
}  # fmt: skip
"""Name → function in the module of that name, "" where the module holds a group of its own."""


@app.callback()
def group() -> None:
    """A workbench for the person who fits cyclists to their bicycles. The commands follow the visit."""
    # Without it Typer would take a group of a single command for that command.


def _choose_studio(arguments: Sequence[str]) -> None:
    """Django reads the studio's folder when it is set up, so `--studio` is looked up before that."""
    for i, word in enumerate(arguments):
        given = word.removeprefix("--studio=") if word.startswith("--studio=") else None
        if word == "--studio" and i + 1 < len(arguments):
            given = arguments[i + 1]
        if given:
            os.environ["FITWRIGHT_STUDIO"] = str(Path(given).expanduser().resolve())


def _named(said: str) -> str:
    """The variable that a complaint of the settings is about."""
    return "FITWRIGHT_TIME_ZONE" if said.startswith("FITWRIGHT_TIME_ZONE") else "DATABASE_URL"


def build(word: str | None = None) -> typer.Typer:
    """The application in the order of the visit; only the group named by `word`, when there is one.

    The stations bring scientific libraries whose import takes seconds, so a command brings only its own.
    """
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fitwright.settings")
    try:
        django.setup()
    except (ImproperlyConfigured, ValueError) as error:
        said = str(error).splitlines()[0]
        exit_two(InputError("settings", f"cannot be used: {said}", hint=f"Look at {_named(said)}"))
    for name, function in COMMANDS.items():
        if word not in COMMANDS or name == word:
            module = import_module(f"fitwright.cli.{name}")
            if function:
                app.command(name)(getattr(module, function))
            else:
                app.add_typer(module.app, name=name)
    return app


def main() -> None:
    """Entry point of the `fitwright` command."""
    _choose_studio(sys.argv[1:])
    build(next((w for w in sys.argv[1:] if not w.startswith("-")), None))()
