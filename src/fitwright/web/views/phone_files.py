"""Files in pieces from a phone, told in JSON: announce it, send it from where it stopped, give it up.

`POST files` {name, size, modified, sha256?} → {id, received, state}; `PUT files/<id>?offset=N` with the bytes → the
same, or 409 with the offset to go on from; `GET files/<id>` → how far it is; `POST files/<id>/cancel`.
"""

from __future__ import annotations

import re
from typing import Any

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.views.decorators.http import require_http_methods, require_POST

from fitwright.errors import InputError
from fitwright.given import json_in
from fitwright.records.models import PhoneLink, Upload
from fitwright.studio import incoming
from fitwright.studio.entry import sentence
from fitwright.told import told
from fitwright.web.views.phone_door import behind_token, refused

LARGEST = 2**53
DIGEST = re.compile(r"[0-9a-fA-F]{64}|")
ANNOUNCED_MOST = 4096


@require_POST
@behind_token
def announce(request: HttpRequest, link: PhoneLink) -> HttpResponse:
    """Begin a file, or learn how much of it is here already."""
    try:
        return _told(incoming.begin(link, **_announced(request)))
    except InputError as error:
        return refused(request, 422, sentence(error))


@require_http_methods(["GET", "PUT"])
@behind_token
def piece(request: HttpRequest, link: PhoneLink, pk: int) -> HttpResponse:
    """Take the bytes from `?offset=` on; GET tells how far it is."""
    try:
        if request.method == "GET":
            return _told(incoming.upload_of(link, pk))
        most = 2 * incoming.PIECE_BYTES
        data = request.read(most + 1)
        if len(data) > most:
            return refused(request, 413, f"Pieces of up to {most} bytes are taken.")
        return _told(incoming.receive(link, pk, _whole(request.GET.get("offset", ""), "offset"), data))
    except incoming.WrongOffset as error:
        return _told(error.upload, status=409)
    except InputError as error:
        return refused(request, 422, sentence(error))


@require_POST
@behind_token
def cancel(request: HttpRequest, link: PhoneLink, pk: int) -> HttpResponse:
    """Give a file up."""
    try:
        return _told(incoming.cancel(link, pk))
    except InputError as error:
        return refused(request, 422, sentence(error))


def _told(upload: Upload, status: int = 200) -> HttpResponse:
    said = {
        "id": upload.pk,
        "received": upload.received_bytes,
        "state": upload.state,
        "error": told(upload.error),
    }
    return JsonResponse(said, status=status)


def _announced(request: HttpRequest) -> dict[str, Any]:
    try:
        said = json_in(request.read(ANNOUNCED_MOST))
    except ValueError:
        raise InputError("file", "was not announced as expected", hint="Reload the page") from None
    if not isinstance(said, dict) or not isinstance(said.get("name"), str):
        raise InputError("file", "has no name", hint="Reload the page")
    digest = said.get("sha256", "")
    if not isinstance(digest, str) or not DIGEST.fullmatch(digest):
        raise InputError("sha256", "is no SHA-256", allowed="64 hexadecimal digits")
    return {
        "name": said["name"], "size": _whole(said.get("size"), "size"),
        "modified_ms": _whole(said.get("modified", 0), "time stamp"), "sha256": digest,
    }  # fmt: skip


def _whole(value: object, field: str) -> int:
    """A number of bytes or milliseconds as a script sends it."""
    if isinstance(value, str) and value.isascii() and value.isdigit() and len(value) < 17:
        value = int(value)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < LARGEST:
        raise InputError(field, "is not a whole number", allowed="0 or more")
    return value
