"""The studio's landmark network: a file that the practitioner gives, kept with its digest and licence.

Nothing is ever fetched. A file of known digest is used at once; any other only when somebody has seen its digest,
stated its licence and said that it is the one that is meant. Without a file the studio is whole.
"""

from __future__ import annotations

import os
import tempfile
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

from django.conf import settings

from fitwright.errors import InputError
from fitwright.records.media import CHUNK, adopt_file, path_of
from fitwright.records.models import HardwareItem, Medium
from fitwright.vision.landmark_net import (
    KINDS,
    LARGEST_BYTES,
    LandmarkNet,
    NetFile,
    describe,
    open_net,
    try_apart,
)

KIND, KEY = "network", "landmarks"
LONGEST_LICENCE = 80


@dataclass(frozen=True)
class Given:
    """The file as it was noted: `agreed` once it may be used; `known`: its digest is one that was tried before."""

    name: str
    size_bytes: int
    sha256: str
    kind: str
    licence: str
    agreed: bool
    known: bool

    @property
    def form(self) -> str:
        """ "TFLite" or "ONNX"."""
        return KINDS.get(self.kind, self.kind)


def given() -> Given | None:
    """The file of this studio, or None."""
    row = _rows().last()
    return None if row is None else Given(**row.data)


def add(stream: BinaryIO, name: str, author: str = "") -> Given:
    """Keep a file after it was looked at and tried in a process of its own; the one before it is no longer used.

    Raises:
        InputError: no network, damaged, or of another shape; nothing is kept then.
    """
    root = Path(settings.MEDIA_ROOT)
    root.mkdir(parents=True, exist_ok=True)
    descriptor, temporary = tempfile.mkstemp(dir=root, prefix="incoming-")
    try:
        with os.fdopen(descriptor, "wb") as file:
            while file.tell() <= LARGEST_BYTES and (piece := stream.read(CHUNK)):
                file.write(piece)
        found = describe(Path(temporary), name.strip()[:120])
        try_apart(found)
        medium = adopt_file(Path(temporary), found.name, KIND, expected=found.sha256)
    finally:
        Path(temporary).unlink(missing_ok=True)
    return _note(_as_given(found), medium, author)


def agree(sha256: str, licence: str, author: str = "") -> Given:
    """Use the file with this digest from now on; `licence`: as its publisher states it.

    Raises:
        InputError: another file is there by now, or no licence is stated.
    """
    now = given()
    if now is None or now.sha256 != sha256:
        raise InputError("network", "is another file by now", hint="Look at its digest again")
    if not 2 <= len(licence.strip()) <= LONGEST_LICENCE:
        raise InputError("licence", "is not stated", allowed=f"2 to {LONGEST_LICENCE} characters",
                         hint="It stands where you got the file")  # fmt: skip
    return _note(replace(now, licence=licence.strip(), agreed=True), _medium(sha256), author)


def take_away(author: str = "") -> None:
    """Guess nothing from now on; what was guessed and confirmed stays."""
    row = _rows().last()
    if row is not None:
        HardwareItem.objects.create(kind=KIND, key=KEY, label=row.label, data=row.data, retired=True,
                                    author=author, replaces=row)  # fmt: skip


def network() -> LandmarkNet | None:
    """The network, ready; None while there is no file that may be used.

    Raises:
        InputError: the file is gone or is no longer the one that was noted.
    """
    now = given()
    return _opened(now.sha256) if now is not None and now.agreed else None


@lru_cache(maxsize=1)
def _opened(sha256: str) -> LandmarkNet:
    medium = _medium(sha256)
    return open_net(describe(path_of(medium), medium.name), sha256)


def _medium(sha256: str) -> Medium:
    return Medium.objects.get(sha256=sha256, kind=KIND)


def _as_given(file: NetFile) -> Given:
    return Given(file.name, file.size_bytes, file.sha256, file.kind, file.licence, file.known, file.known)


def _note(now: Given, medium: Medium, author: str) -> Given:
    data: dict[str, Any] = {n: getattr(now, n) for n in Given.__dataclass_fields__}
    HardwareItem.objects.create(kind=KIND, key=KEY, label=medium.name[:120], data=data, author=author,
                                replaces=_rows().last())  # fmt: skip
    return now


def _rows() -> Any:
    return (
        HardwareItem.objects.current().filter(kind=KIND, key=KEY, retired=False).order_by("created_at", "pk")
    )
