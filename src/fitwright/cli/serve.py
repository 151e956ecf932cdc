"""`fitwright serve`: the workbench on this computer, with a second process for long work."""

from __future__ import annotations

import gc
import logging
import os
import signal
import socket
import subprocess
import sys
import threading
from contextlib import ExitStack
from pathlib import Path
from typing import Annotated

import typer
from django.conf import settings

from fitwright.cli.output import reports_errors
from fitwright.errors import InputError, check_range
from fitwright.studio.house import open_studio
from fitwright.studio.work import clear_orphans
from fitwright.web.lan import lan_address as own_lan_address
from fitwright.web.lan import phones_only

HOST = "127.0.0.1"
StudioOption = Annotated[
    Path | None,
    typer.Option("--studio", help="Folder of the studio (default: this user's data folder)."),
]
PortOption = Annotated[int, typer.Option("--port", help="Port on this computer.")]
LanOption = Annotated[
    bool,
    typer.Option(
        "--lan", help="Let phones in this network send films: only the pages for sending answer there."
    ),
]
LanAddressOption = Annotated[
    str,
    typer.Option("--lan-address", help="This computer's address in that network (default: found by itself)."),
]
PLAIN_FORM_BYTES = 200 * 1024**2
"""Most that one request from the network may bring; larger files come in pieces."""


def check_port_free(port: int, host: str = HOST) -> None:
    """Raise InputError when the port cannot be bound on loopback, or on another address of this computer."""
    check_range("port", port, 1024, 65535, "")
    with socket.socket() as probe:
        if os.name != "nt":  # there the option would let two servers share the port
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
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


def run_server(port: int, stack: ExitStack, opened: str = "", lan: str = "") -> None:
    """Serve until interrupted; prints the address first. Jobs run in a process of their own.

    With `lan`, this computer's address in its network, phones reach the pages for sending there.
    """
    import waitress

    from fitwright.web.ready import soon
    from fitwright.web.wsgi import application

    signal.signal(signal.SIGTERM, _end)
    helper_process(stack, "-m", "django", "db_worker", "--settings", "fitwright.settings", "--verbosity", "0")
    typer.echo(f"Fitwright is at http://{HOST}:{port}/{opened}  (Ctrl-C ends it)")
    if lan:
        _serve_phones(lan, port)
    settle()
    soon()
    # A page asks for ten pictures at once: a queue is no news.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    waitress.serve(application, host=HOST, port=port, threads=6, _quiet=True)


def settle() -> None:
    """Bring in all that pages need, and let the collector leave it alone: a look through it takes 0.1 s."""
    from django.urls import get_resolver

    _ = get_resolver().url_patterns
    gc.collect()
    gc.freeze()


def _serve_phones(lan: str, port: int) -> None:
    """A second socket, in the local network, with the pages for sending alone behind it."""
    import waitress

    from fitwright.web.wsgi import application

    settings.PHONE_ADDRESS = f"http://{lan}:{port}"
    if lan not in settings.ALLOWED_HOSTS:
        settings.ALLOWED_HOSTS.append(lan)
    server = waitress.create_server(
        phones_only(application), host=lan, port=port, threads=4, connection_limit=40,
        max_request_body_size=PLAIN_FORM_BYTES,
    )  # fmt: skip
    threading.Thread(target=server.run, name="phones", daemon=True).start()
    typer.echo(
        f"Phones in this network can send films and photographs at {settings.PHONE_ADDRESS}/phone/, each with a code "
        "from the bench.\nNothing else of the studio answers there: no riders, no visits, no pictures. What a phone "
        "sends is not encrypted on its way, so use the studio's own network."
    )


def _end(*_: object) -> None:
    """Asked to end from outside: unwind, so that the helper processes end too."""
    raise SystemExit(0)


@reports_errors
def serve(
    studio: StudioOption = None,
    port: PortOption = 8765,
    lan: LanOption = False,
    lan_address: LanAddressOption = "",
) -> None:
    """Open the workbench in the browser's reach, on this computer only; with --lan, phones may send films to it.

    Example: fitwright serve --studio ~/fitting --lan
    """
    from fitwright.studio.incoming import clear_stale  # brings all that films are read with

    check_port_free(port)
    at = ""
    if lan or lan_address:
        at = own_lan_address(lan_address)
        check_port_free(port, at)
    open_studio()
    clear_orphans()
    clear_stale()
    with ExitStack() as stack:
        run_server(port, stack, lan=at)
