"""`fitwright feet`: from foot marks to a cleat setting, and back to it later."""

from __future__ import annotations

import typer

app = typer.Typer(no_args_is_help=True, help="From foot marks to a cleat setting, and back to it later.")
