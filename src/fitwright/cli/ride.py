"""`fitwright ride`: what the body does on the bike, from film or marker files."""

from __future__ import annotations

import typer

app = typer.Typer(no_args_is_help=True, help="What the body does on the bike, from film or marker files.")
