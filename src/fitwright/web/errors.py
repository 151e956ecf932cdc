"""Every failure ends on a page in plain words; what the user can mend is said, nothing else is shown."""

from __future__ import annotations

import errno
from collections.abc import Callable

from django.conf import settings
from django.core.exceptions import RequestDataTooBig, TooManyFieldsSent, TooManyFilesSent
from django.db import DatabaseError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from fitwright.errors import InputError
from fitwright.studio.entry import sentence

FULL = (errno.ENOSPC, errno.EDQUOT)
NO_ROOM = ("disk is full", "no space left", "could not extend file")
"""How SQLite and PostgreSQL say it."""
POLICY = (
    "default-src 'self'; img-src 'self' data: blob:; media-src 'self' blob:; object-src 'none'; "
    "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)


class PlainWords:
    """Middleware: too large bodies are refused before they are read, InputErrors become a page, pages get a
    content security policy that lets no foreign or inline script run."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if _length(request) > settings.MAX_MEDIUM_BYTES + 2**20:
            response = too_large(request)
        else:
            response = self.get_response(request)
        response.setdefault("Content-Security-Policy", POLICY)
        return response

    def process_exception(self, request: HttpRequest, error: Exception) -> HttpResponse | None:
        """Bad input is a 400, a body that is too big a 413, a full disk a 507."""
        if isinstance(error, InputError):
            if error.problem == "file too large":
                return too_large(request)
            return plain(request, 400, "That did not work", sentence(error))
        if isinstance(error, RequestDataTooBig | TooManyFieldsSent | TooManyFilesSent):
            return too_large(request)
        if _no_room(error):
            return full(request)
        return None


def _no_room(error: Exception) -> bool:
    if isinstance(error, DatabaseError):
        return any(words in str(error).lower() for words in NO_ROOM)
    return isinstance(error, OSError) and error.errno in FULL


def _length(request: HttpRequest) -> int:
    text = str(request.META.get("CONTENT_LENGTH") or "0")
    return int(text) if text.isascii() and text.isdigit() else 0


def plain(request: HttpRequest, status: int, title: str, words: str) -> HttpResponse:
    """An error page that needs neither the database nor a session."""
    return render(
        request, "errors/plain.html", {"status": status, "heading": title, "words": words}, status=status
    )


def bad_request(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """400, or 413 when that was the reason."""
    if isinstance(exception, RequestDataTooBig):
        return too_large(request)
    words = "The page sent something that cannot be used. Open it again and repeat the last step."
    return plain(request, 400, "That could not be read", words)


def too_large(request: HttpRequest) -> HttpResponse:
    """413."""
    most = settings.MAX_MEDIUM_BYTES // 1024**2
    words = f"Files up to {most} MB are taken. A minute of film is enough: cut it and send it again."
    return plain(request, 413, "That is too large", words)


def full(request: HttpRequest) -> HttpResponse:
    """507: what was being saved found no room; what was kept before is whole."""
    words = (
        "The disk of this computer is full, so this was not saved. What was saved before is safe. "
        "Make room on the disk, go back, and save again."
    )
    return plain(request, 507, "There is no room left", words)


def forbidden(request: HttpRequest, reason: str = "") -> HttpResponse:
    """403, mostly a page that was left open over a restart."""
    words = "It was open for too long, or cookies are off. Open it again and repeat the last step."
    return plain(request, 403, "This page has grown old", words)


def not_found(request: HttpRequest, exception: Exception | None = None) -> HttpResponse:
    """404."""
    words = "The address may be mistyped, or it belongs to another studio."
    return plain(request, 404, "Nothing is kept here", words)


def failed(request: HttpRequest) -> HttpResponse:
    """500: our fault, said so."""
    words = "What was saved before is safe. Go back and try again; if it happens twice, the program’s log says why."
    return plain(request, 500, "Something broke on our side", words)
