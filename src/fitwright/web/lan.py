"""What answers on the local network: the pages that a phone needs for sending, and nothing else.

There is no login yet, so that the workbench itself stays on this computer. This is a WSGI application around the
whole one, served on a socket of its own: what does not begin as listed here never reaches a view.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Callable, Iterable
from typing import Any

from fitwright.errors import InputError

Wsgi = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]
PHONE_PAGES = "/phone/"
PHONE_FILES = frozenset(
    {"/static/fitwright.css", "/static/fitwright.svg", "/static/phone.js", "/static/words.js"}
)
ONLY_PHONES = (
    "Only the pages for sending from a phone answer in this network. The workbench opens on the studio's own "
    "computer; for a phone, take a code there."
)
# An address for documentation (RFC 5737): a UDP socket that is "connected" there tells which of this computer's
# addresses it would use, and sends nothing.
NOWHERE = ("198.51.100.1", 9)


def phones_only(application: Wsgi) -> Wsgi:
    """The application, with everything but the phone's pages and their three files refused (403)."""

    def at_the_door(environ: dict[str, Any], start_response: Callable[..., Any]) -> Iterable[bytes]:
        path = str(environ.get("PATH_INFO", ""))
        inside = path.startswith(PHONE_PAGES) and ".." not in path.split("/")
        if inside or path in PHONE_FILES:
            return application(environ, start_response)
        body = ONLY_PHONES.encode()
        start_response(
            "403 Forbidden",
            [("Content-Type", "text/plain; charset=utf-8"), ("Content-Length", str(len(body))),
             ("Cache-Control", "no-store"), ("X-Content-Type-Options", "nosniff")],
        )  # fmt: skip
        return [] if environ.get("REQUEST_METHOD") == "HEAD" else [body]

    return at_the_door


def lan_address(given: str = "") -> str:
    """This computer's own IPv4 address in the local network, or the `given` one when it may be used.

    Raises InputError when there is none, or when it is not a private one: others than the house could reach that.
    """
    text = given or _own_address()
    try:
        address = ipaddress.IPv4Address(text)
    except ValueError:
        raise InputError("lan address", "is not an IPv4 address", value=text[:40]) from None
    if address.is_loopback or address.is_unspecified or address.is_multicast or not address.is_private:
        raise InputError(
            "lan address", "is not one of a local network", value=text,
            allowed="10.x.x.x, 172.16 to 31.x.x, 192.168.x.x", hint="Join the studio's own network first",
        )  # fmt: skip
    return text


def _own_address() -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(NOWHERE)
            found = str(probe.getsockname()[0])
        except OSError:
            found = ""
    if not found or found.startswith("127."):
        raise InputError(
            "lan address", "this computer is in no network",
            hint="Join one, or name the address: --lan-address 192.168.1.20",
        )  # fmt: skip
    return found
