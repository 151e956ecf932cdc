"""Stored media, with the recorded type only: uploads are hostile until proven otherwise."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_safe

from fitwright.records.media import path_of
from fitwright.records.models import Medium
from fitwright.studio import stills
from fitwright.studio.entry import Field, read_number
from fitwright.studio.proxies import proxy_of
from fitwright.studio.stills import shown_copy, still_jpeg

SHOWN = frozenset({
    "image/jpeg", "image/png", "video/mp4", "video/quicktime", "video/x-matroska", "video/webm",
    "application/pdf",
})  # fmt: skip
CONVERTED = frozenset(
    {"image/heic", "image/heif"}
)  # few browsers show them: a JPEG stands for the photograph
SMALL_PX = 640
PIECE = 256 * 1024
MOMENT = Field("t", stills.MOMENT, unit="s", low=0, high=36000)
RANGE = re.compile(r"bytes=(\d{0,18})-(\d{0,18})$")


@require_safe
def medium(request: HttpRequest, sha256: str) -> HttpResponseBase:
    """The file, whole or the byte range that was asked for (RFC 9110, section 14); of a HEIC photograph its JPEG, of
    any photograph a small one with `?small`."""
    row = get_object_or_404(Medium, sha256=sha256)
    path = path_of(row)
    if not path.is_file():
        raise Http404("the file of this medium is not where it was")
    small = row.kind == "photo" and "small" in request.GET
    if small or row.mime in CONVERTED:
        path, row.mime = shown_copy(row, SMALL_PX if small else None), "image/jpeg"
        row.name = f"{row.name}.jpg"
    return _guarded(ranged(request, path), row)


@require_safe
def film_copy(request: HttpRequest, sha256: str) -> HttpResponseBase:
    """The light copy of a film, once it is made."""
    proxy = proxy_of(get_object_or_404(Medium, sha256=sha256, kind="film"))
    if proxy is None:
        raise Http404("the light copy of this film has not been made yet")
    response = ranged(request, proxy.path)
    response["Content-Type"], response["Accept-Ranges"] = "video/mp4", "bytes"
    response["X-Content-Type-Options"] = "nosniff"
    response["Cache-Control"] = "private, max-age=86400"
    return response


def ranged(request: HttpRequest, path: Path) -> HttpResponseBase:
    """The file, whole or the byte range that was asked for."""
    size = path.stat().st_size
    wanted = _range(request.headers.get("Range", ""), size)
    if wanted is None:
        return _stream(path, 0, size, 200)
    if wanted[0] >= wanted[1]:
        response: HttpResponseBase = HttpResponse(status=416)
        response["Content-Range"] = f"bytes */{size}"
        return response
    response = _stream(path, *wanted, 206)
    response["Content-Range"] = f"bytes {wanted[0]}-{wanted[1] - 1}/{size}"
    return response


@require_safe
def still(request: HttpRequest, sha256: str) -> HttpResponseBase:
    """One frame of a film as JPEG, `?t=` seconds from its beginning."""
    row = get_object_or_404(Medium, sha256=sha256, kind="film")
    at_s = read_number(MOMENT, request.GET.get("t") or "0")
    response = HttpResponse(still_jpeg(row, at_s), content_type="image/jpeg")
    response["X-Content-Type-Options"] = "nosniff"
    response["Cache-Control"] = "private, max-age=86400"
    return response


def _range(header: str, size: int) -> tuple[int, int] | None:
    """(start, end) with end excluded; (0, 0) when it cannot be satisfied; None without a range we understand."""
    match = RANGE.match(header.strip())
    if match is None or match.groups() == ("", ""):
        return None
    first, last = match.groups()
    if not first:
        return max(0, size - int(last)), size if int(last) else 0
    if int(first) >= size or (last and int(last) < int(first)):
        return 0, 0
    return int(first), min(size, int(last) + 1) if last else size


def _stream(path: Path, start: int, end: int, status: int) -> HttpResponseBase:
    response = StreamingHttpResponse(_pieces(path, start, end), status=status)
    response["Content-Length"] = str(end - start)
    return response


def _pieces(path: Path, start: int, end: int) -> Iterator[bytes]:
    with path.open("rb") as file:
        file.seek(start)
        left = end - start
        while left > 0 and (piece := file.read(min(PIECE, left))):
            left -= len(piece)
            yield piece


def _guarded(response: HttpResponseBase, row: Medium) -> HttpResponseBase:
    """The recorded type and nothing that a browser could run; what is not a picture or film is a download."""
    shown = row.mime in SHOWN
    response["Content-Type"] = row.mime if shown else "application/octet-stream"
    response["Accept-Ranges"] = "bytes"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "sandbox; default-src 'none'; media-src 'self'; img-src 'self'"
    response["Cache-Control"] = "private, max-age=31536000, immutable"
    kind = "inline" if shown else "attachment"
    response["Content-Disposition"] = f'{kind}; filename="{row.sha256[:12]}{Path(row.name).suffix[:6]}"'
    return response
