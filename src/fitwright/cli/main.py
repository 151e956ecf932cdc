"""`fitwright`: the same use cases as the pages, one group of commands per station."""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
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


def _choose_studio(arguments: Sequence[str]) -> None:
    """Django reads the studio's folder when it is set up, so `--studio` is looked up before that."""
    for i, word in enumerate(arguments):
        given = word.removeprefix("--studio=") if word.startswith("--studio=") else None
        if word == "--studio" and i + 1 < len(arguments):
            given = arguments[i + 1]
        if given:
            os.environ["FITWRIGHT_STUDIO"] = str(Path(given).expanduser().resolve())


def build() -> typer.Typer:
    """The application with all commands, in the order of the visit."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fitwright.settings")
    try:
        django.setup()
    except (ImproperlyConfigured, ValueError) as error:
        said = str(error).splitlines()[0]
        exit_two(InputError("settings", f"cannot be used: {said}", hint="Look at DATABASE_URL"))
    from fitwright.cli import card, demo, feet, photo, plan, ride, serve, twin, visit
    from fitwright.cli.ride_analyse import analyse

    app.command("serve")(serve.serve)
    app.command("demo")(demo.demo)
    app.add_typer(visit.app, name="visit")
    app.command("card")(card.card)
    app.add_typer(photo.app, name="photo")
    app.add_typer(feet.app, name="feet")
    ride.app.command("analyse")(analyse)
    app.add_typer(ride.app, name="ride")
    app.add_typer(twin.app, name="twin")
    app.add_typer(plan.app, name="plan")
    return app


def main() -> None:
    """Entry point of the `fitwright` command."""
    _choose_studio(sys.argv[1:])
    build()()
