"""Files that come in: checked by name and size, then kept under their digest."""

from __future__ import annotations

from pathlib import Path
from typing import Any, BinaryIO, cast

from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest

from fitwright.errors import InputError
from fitwright.records.media import keep_stream
from fitwright.records.models import Medium, Visit

TAKEN = {
    "photo": (".jpg", ".jpeg", ".png", ".heic", ".heif", ".hif"),
    "film": (".mp4", ".mov", ".mkv", ".webm"),
    "markers": (".trc", ".c3d", ".csv", ".txt", ".tsv"),
}


def take(request: HttpRequest, visit: Visit, name: str, kind: str) -> Medium:
    """Keep the uploaded file `name` as a medium of this kind; InputError says what is accepted."""
    file = request.FILES.get(name)
    if file is None or isinstance(file, list):
        raise InputError(kind, "no file was chosen", allowed=", ".join(TAKEN[kind]))
    return _kept(file, kind, visit.simulated)


def take_all(request: HttpRequest, name: str, kind: str) -> list[Medium]:
    """Keep all files uploaded as `name`; nothing is kept when one of them is of a wrong kind."""
    files = request.FILES.getlist(name)
    if not files:
        raise InputError(kind, "no file was chosen", allowed=", ".join(TAKEN[kind]))
    for file in files:
        _check(file, kind)
    return [_kept(file, kind, False) for file in files]


def _kept(file: UploadedFile[Any], kind: str, simulated: bool) -> Medium:
    _check(file, kind)
    return keep_stream(cast(BinaryIO, file), str(file.name), kind, simulated=simulated)


def _check(file: UploadedFile[Any], kind: str) -> None:
    if Path(str(file.name)).suffix.lower() not in TAKEN[kind]:
        raise InputError(
            kind, "this kind of file is not taken", value=str(file.name)[:60], allowed=", ".join(TAKEN[kind])
        )
