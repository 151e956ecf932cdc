"""`fitwright`: the same use cases as the pages, one group of commands per station."""

from __future__ import annotations

import os

import django
import typer

app = typer.Typer(
    name="fitwright", no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False,
    help="A workbench for the person who fits cyclists to their bicycles. The commands follow the visit.",
)  # fmt: skip


def build() -> typer.Typer:
    """The application with all groups, in the order of the visit (Django is set up first: records need it)."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "fitwright.settings")
    django.setup()
    from fitwright.cli import feet, photo, plan, ride, twin

    app.add_typer(photo.app, name="photo")
    app.add_typer(feet.app, name="feet")
    app.add_typer(ride.app, name="ride")
    app.add_typer(twin.app, name="twin")
    app.add_typer(plan.app, name="plan")
    return app


def main() -> None:
    """Entry point of the `fitwright` command."""
    build()()
