"""`fitwright twin`: the rider's twin: predict a pose from lengths and contact points."""

from __future__ import annotations

import typer

app = typer.Typer(
    no_args_is_help=True, help="The rider's twin: predict a pose from lengths and contact points."
)
