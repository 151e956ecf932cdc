"""`fitwright serve`: the workbench on this computer, with a second process for long work."""

from __future__ import annotations

import logging
import os
import signal
import socket
import subprocess
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import Annotated

import typer
from django.conf import settings

from fitwright.cli.output import reports_errors
from fitwright.errors import InputError, check_range
from fitwright.studio.house import open_studio
from fitwright.studio.work import clear_orphans

HOST = "127.0.0.1"
StudioOption = Annotated[
    Path | None,
    typer.Option("--studio", help="Folder of the studio (default: this user's data folder)."),
]
PortOption = Annotated[int, typer.Option("--port", help="Port on this computer.")]


def check_port_free(port: int) -> None:
    """Raise InputError when the port cannot be bound on loopback."""
    check_range("port", port, 1024, 65535, "")
    with socket.socket() as probe:
        if os.name != "nt":  # there the option would let two servers share the port
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            raise InputError(
                "port", f"{port} is in use or not allowed", hint="Name another: --port 8766 (make: PORT=8766)"
            ) from error


def helper_process(stack: ExitStack, *arguments: str) -> subprocess.Popen[bytes]:
    """Start a Python process that ends with the stack."""
    process = subprocess.Popen(
        [sys.executable, *arguments],
        env=os.environ | {"FITWRIGHT_STUDIO": str(settings.STUDIO_DIR)},
        stdin=subprocess.DEVNULL,
    )

    def end() -> None:
        process.terminate()
        try:
            process.wait(timeout=10)
        except subprocess.TimeoutExpired:
            process.kill()

    stack.callback(end)
    return process


def run_server(port: int, stack: ExitStack, opened: str = "") -> None:
    """Serve until interrupted; prints the address first. Jobs run in a process of their own."""
    import waitress

    from fitwright.web.wsgi import application

    signal.signal(signal.SIGTERM, _end)
    helper_process(stack, "-m", "django", "db_worker", "--settings", "fitwright.settings", "--verbosity", "0")
    typer.echo(f"Fitwright is at http://{HOST}:{port}/{opened}  (Ctrl-C ends it)")
    # A page asks for ten pictures at once: a queue is no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    waitress.serve(application, host=HOST, port=port, threads=6, _quiet=True)


def _end(*_: object) -> None:
    """Asked to end from outside: unwind, so that the helper processes end too."""
    raise SystemExit(0)


@reports_errors
def serve(studio: StudioOption = None, port: PortOption = 8765) -> None:
    """Open the workbench in the browser's reach, on this computer only.

    Example: fitwright serve --studio ~/fitting
    """
    check_port_free(port)
    open_studio()
    clear_orphans()
    with ExitStack() as stack:
        run_server(port, stack)
