"""Files that come in: checked by name and size, then kept under their digest."""

from __future__ import annotations

from pathlib import Path
from typing import BinaryIO, cast

from django.http import HttpRequest

from fitwright.errors import InputError
from fitwright.records.media import keep_stream
from fitwright.records.models import Medium, Visit

TAKEN = {
    "photo": (".jpg", ".jpeg", ".png"),
    "film": (".mp4", ".mov", ".mkv", ".webm"),
    "markers": (".trc",),
}


def take(request: HttpRequest, visit: Visit, name: str, kind: str) -> Medium:
    """Keep the uploaded file `name` as a medium of this kind; InputError says what is accepted."""
    file = request.FILES.get(name)
    allowed = ", ".join(TAKEN[kind])
    if file is None or isinstance(file, list):
        raise InputError(kind, "no file was chosen", allowed=allowed)
    if Path(str(file.name)).suffix.lower() not in TAKEN[kind]:
        raise InputError(kind, "this kind of file is not taken", value=str(file.name)[:60], allowed=allowed)
    return keep_stream(cast(BinaryIO, file), str(file.name), kind, simulated=visit.simulated)
