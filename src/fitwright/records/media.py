"""The media store: files named by their SHA-256, written whole or not at all."""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path
from typing import Any, BinaryIO, NamedTuple

from django.conf import settings
from django.db import transaction

from fitwright.errors import InputError
from fitwright.records.models import Medium

CHUNK = 1 << 20
MIMES = {
    ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".png": "image/png",
    ".heic": "image/heic", ".heif": "image/heif", ".hif": "image/heif", ".mp4": "video/mp4",
    ".mov": "video/quicktime", ".mkv": "video/x-matroska", ".webm": "video/webm", ".trc": "text/plain",
    ".pdf": "application/pdf", ".json": "application/json", ".svg": "image/svg+xml",
}  # fmt: skip


class Family(NamedTuple):
    """A family of containers, and the names' endings that fit it, the usual one first."""

    name: str
    suffixes: tuple[str, ...]


BMFF, HEIF = Family("bmff", (".mp4", ".mov")), Family("heif", (".heic", ".heif", ".hif"))
STARTS = {
    b"\xff\xd8\xff": Family("jpeg", (".jpg", ".jpeg")), b"\x89PNG\r\n\x1a\n": Family("png", (".png",)),
    b"\x1a\x45\xdf\xa3": Family("matroska", (".mkv", ".webm")),
}  # fmt: skip
STILL_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")


def family_of(head: bytes) -> Family | None:
    """What a file is by its first bytes (12 are enough), or None: JPEG, PNG, Matroska (EBML), ISO base media
    (ISO/IEC 14496-12) with its still pictures (ISO/IEC 23008-12), and QuickTime, which may begin with other boxes."""
    for start, family in STARTS.items():
        if head.startswith(start):
            return family
    if head[4:8] == b"ftyp":
        return HEIF if head[8:12] in STILL_BRANDS else BMFF
    return BMFF if head[4:8] in (b"moov", b"mdat", b"wide", b"free", b"skip") else None


def path_of(medium: Medium) -> Path:
    """Where the medium's file is: in the store, or outside when it must stay where it was."""
    if medium.outside:
        return Path(medium.outside)
    return Path(settings.MEDIA_ROOT) / medium.sha256[:2] / medium.sha256


def sha256_of(path: Path) -> str:
    """Hex digest of a file, read in pieces."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while piece := file.read(CHUNK):
            digest.update(piece)
    return digest.hexdigest()


def keep_file(
    path: Path, kind: str, *, simulated: bool = False, meta: dict[str, Any] | None = None
) -> Medium:
    """Copy a file into the store and record it; the same content twice is one medium."""
    with path.open("rb") as stream:
        return keep_stream(stream, path.name, kind, simulated=simulated, meta=meta)


def keep_stream(
    stream: BinaryIO, name: str, kind: str, *, simulated: bool = False, meta: dict[str, Any] | None = None
) -> Medium:
    """Write a stream to a temporary file, fsync, rename to its digest, then record it in one transaction.

    Raises InputError when the stream is empty or larger than `MAX_MEDIUM_BYTES`.
    """
    root = Path(settings.MEDIA_ROOT)
    root.mkdir(parents=True, exist_ok=True)
    digest, size = hashlib.sha256(), 0
    descriptor, temporary = tempfile.mkstemp(dir=root, prefix="incoming-")
    try:
        with os.fdopen(descriptor, "wb") as file:
            while piece := stream.read(CHUNK):
                size += len(piece)
                if size > settings.MAX_MEDIUM_BYTES:
                    raise InputError(
                        name, "file too large", allowed=f"up to {settings.MAX_MEDIUM_BYTES // 1024**2} MB"
                    )
                digest.update(piece)
                file.write(piece)
            file.flush()
            os.fsync(file.fileno())
        if size == 0:
            raise InputError(name, "the file is empty", hint="Take or export it again")
        sha = digest.hexdigest()
        _settle(Path(temporary), sha)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return _record(sha, kind, name, size, simulated, meta or {}, outside="")


def adopt_file(
    path: Path, name: str, kind: str, *, expected: str = "", simulated: bool = False,
    meta: dict[str, Any] | None = None,
) -> Medium:  # fmt: skip
    """Take a whole file that already lies in the media folder into the store by renaming it, and record it.

    Raises InputError when its SHA-256 is not the `expected` one (nothing is moved then).
    """
    sha, size = sha256_of(path), path.stat().st_size
    if expected and sha != expected.lower():
        raise InputError(name, "arrived changed: its digest is not the one stated", hint="Send it again")
    _settle(path, sha)
    return _record(sha, kind, name, size, simulated, meta or {}, outside="")


def _settle(path: Path, sha: str) -> None:
    """Rename to the digest's place: whole or not at all."""
    target = Path(settings.MEDIA_ROOT) / sha[:2] / sha
    target.parent.mkdir(exist_ok=True)
    path.replace(target)


def refer_to(path: Path, kind: str, *, meta: dict[str, Any] | None = None) -> Medium:
    """Record a file that stays where it is (outside data): only its digest and address are kept."""
    return _record(
        sha256_of(path), kind, path.name, path.stat().st_size, False, meta or {}, outside=str(path.resolve())
    )


def _record(
    sha: str, kind: str, name: str, size: int, simulated: bool, meta: dict[str, Any], *, outside: str
) -> Medium:
    mime = MIMES.get(Path(name).suffix.lower(), "application/octet-stream")
    with transaction.atomic():
        medium, _ = Medium.objects.get_or_create(
            sha256=sha,
            defaults={
                "kind": kind, "name": Path(name).name[:200], "mime": mime, "size_bytes": size,
                "simulated": simulated, "meta": meta, "outside": outside,
            },
        )  # fmt: skip
    return medium
