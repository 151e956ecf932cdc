"""`fitwright photo`: measure on a photograph with the scale card in view."""

from __future__ import annotations

import typer

app = typer.Typer(no_args_is_help=True, help="Measure on a photograph with the scale card in view.")
