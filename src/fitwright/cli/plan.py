"""`fitwright plan`: findings, and the smallest set of changes."""

from __future__ import annotations

import typer

app = typer.Typer(no_args_is_help=True, help="Findings, and the smallest set of changes.")
